"""What every table of the settings is built on: kinds of value beyond TOML's own, and secrets that a table names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    ValidationInfo,
)

from curewatch.language import phrase
from curewatch.records import UNSAFE
from curewatch.settings.errors import SettingsError


class Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


CREDENTIALS, CREDSTORE = Path("/run/credentials/curewatch.service"), Path("/etc/credstore")
"""Where systemd hands secrets over to the machine's service, and where root puts them for it."""


def held_at(path: Path) -> Path:
    """The file itself, of a credential for whoever is not the service: that alone sees what it was handed."""
    return CREDSTORE / path.name if path.parent == CREDENTIALS and not path.exists() else path


def secret_in(path: Path, key: str) -> SecretStr:
    """The secret a file holds. SettingsError, naming `key`, where the file cannot be read or is empty."""
    try:
        secret = held_at(path).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text, or no possible path"
        raise SettingsError([f"{key}: cannot read {str(path)!r}: {reason}"]) from None
    if not secret:
        raise SettingsError([f"{key}: {str(path)!r} is empty"])
    return SecretStr(secret)


def secret_from(file: Path | None, variable: str | None, environ: Mapping[str, str], key: str) -> SecretStr | None:
    """The secret in `file`, else in the environment's `variable`; None where neither is named.

    `key` is what both keys of the settings begin with, such as `mail.password`. SettingsError where the one that is
    named cannot be had.
    """
    if file is not None:
        return secret_in(file, f"{key}_file")
    if variable is None:
        return None
    if not environ.get(variable):
        raise SettingsError([f"{key}_env: the environment has no {variable!r}, or it is empty"])
    return SecretStr(environ[variable])


AIR_SPEEDS_M_S: Mapping[str, float] = {"still": 0.1, "draughty": 0.3, "fan": 1.0}
"""Air over a piece by name [m/s]; calibration, not measurement (model section 2)."""
AIRS = {"still": phrase("still"), "draughty": phrase("draughty"), "fan": phrase("fan")}
AIR_SPEED_RANGE_M_S = (0.05, 5.0)
"""What air over a piece may be [m/s]: natural convection keeps even a closed room above the lower end."""


def _zone(name: str) -> str:

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"the name of an IANA time zone{_near_zone(name)}") from None
    return name


def _near_zone(name: str) -> str:
    from difflib import get_close_matches
    from zoneinfo import available_timezones

    near = get_close_matches(name, sorted(available_timezones()), n=1)
    return f", did you mean {near[0]!r}?" if near else ", such as 'Europe/Lisbon'"


def _topic_filter(topic: str) -> str:
    """MQTT 5.0 section 4.7 (the same in 3.1.1)."""
    levels = topic.split("/")
    if not topic or len(topic.encode()) > 65_535 or re.search(f"[{UNSAFE}]", topic):
        raise ValueError("an MQTT topic filter of 1 to 65535 bytes without control characters")
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        raise ValueError("an MQTT topic filter: '#' may only be its last level, as in 'shed/#'")
    if any("+" in level and level != "+" for level in levels):
        raise ValueError("an MQTT topic filter: '+' must be a whole level, as in 'shed/+/air'")
    if levels[0] == "$share":
        raise ValueError("an MQTT topic filter that is not shared: a shared subscription loses readings")
    return topic


def _topic(topic: str) -> str:
    """MQTT 5.0 section 4.7: a topic to publish under. `$` begins the broker's own."""
    levels = topic.split("/")
    if not all(levels) or len(topic) > 200 or re.search(f"[+#{UNSAFE}]", topic) or topic.startswith("$"):
        raise ValueError("an MQTT topic without wildcards or empty levels, such as 'curewatch'")
    return topic


def _mail_address(address: str) -> str:
    if len(address) > 254 or not re.fullmatch(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+", address):
        raise ValueError("a mail address, such as 'ada@shed.example'")
    return address


def _pointer(pointer: str) -> str:
    """RFC 6901 section 3."""
    if (pointer and not pointer.startswith("/")) or re.search(r"~(?![01])", pointer):
        raise ValueError("a JSON pointer (RFC 6901), such as '/temperature' or '/air/0/value'")
    return pointer


def _air(given: Any) -> Any:
    if not isinstance(given, str):
        return given
    if given not in AIR_SPEEDS_M_S:
        raise ValueError("'still', 'draughty', 'fan', or a number of m/s between 0.05 and 5")
    return AIR_SPEEDS_M_S[given]


def _beside(path: Path, info: ValidationInfo) -> Path:
    """Relative to the settings file, when there is one: the loader hands its folder in."""
    folder = (info.context or {}).get("folder")
    try:
        return path if folder is None else folder / path.expanduser()
    except RuntimeError:
        raise ValueError("a path; nobody's home is known by that name") from None


def _web_address(url: str) -> str:
    allowed = "an http:// or https:// address with a host, without user or password"
    try:
        parts = urlsplit(url)
        port_is_sound = parts.port is None or parts.port > 0
    except ValueError:
        raise ValueError(allowed) from None
    if parts.scheme not in ("http", "https") or not parts.hostname or not port_is_sound:
        raise ValueError(allowed)
    if parts.username is not None or parts.password is not None or re.search(r"[\s\x00-\x1f\x7f]", url):
        raise ValueError(allowed)
    return url


Zone = Annotated[str, AfterValidator(_zone)]
TopicFilter = Annotated[str, AfterValidator(_topic_filter)]
Topic = Annotated[str, AfterValidator(_topic)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
Pointer = Annotated[str, AfterValidator(_pointer)]
AirSpeed = Annotated[float, Field(ge=AIR_SPEED_RANGE_M_S[0], le=AIR_SPEED_RANGE_M_S[1]), BeforeValidator(_air)]
FileBeside = Annotated[Path, AfterValidator(_beside)]
WebAddress = Annotated[str, AfterValidator(_web_address)]
SensorId = Annotated[str, Field(min_length=1, max_length=80, pattern=f"^[^{UNSAFE}/]+$")]
EnvironName = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]
MINUTES = "a number of minutes between {} and {}"
