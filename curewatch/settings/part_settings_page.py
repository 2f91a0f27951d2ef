"""The settings of the page that people open in a browser."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from urllib.parse import urlsplit

from pydantic import Field, SecretStr

from curewatch.settings.errors import SettingsError
from curewatch.settings.part_settings_kinds import FileBeside, WebAddress
from curewatch.settings.values import Table, secret_in

ARGON2 = "$argon2"
"""How a password's hash begins, as `curewatch password` writes it."""


class WebSettings(Table):
    """Where the page is served, and who gets in."""

    enabled: bool = Field(True, description="true or false")
    host: str = Field(
        "127.0.0.1", min_length=1, max_length=253, description="the address to serve on, such as '127.0.0.1' or '::'"
    )
    port: int = Field(8730, ge=1, le=65_535, description="a whole number between 1 and 65535")
    address: WebAddress | None = Field(
        None,
        description="the address people open, such as 'http://shed.local:8730'",
    )
    hosts: tuple[str, ...] = Field((), description="an array of further host names it may be opened by")
    password_file: FileBeside | None = Field(None, description="the path of the file that `curewatch password` wrote")

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    @property
    def shown_address(self) -> str:
        """What a person types into a browser."""
        if self.address is not None:
            return self.address.rstrip("/")
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}"

    @property
    def allowed_hosts(self) -> frozenset[str]:
        """Names the page may be asked for by, in lower case, without ports."""
        named = {"localhost", "127.0.0.1", "::1", self.host.casefold(), *(name.casefold() for name in self.hosts)}
        if self.address is not None:
            named.add((urlsplit(self.address).hostname or "").casefold())
        return frozenset(named - {"0.0.0.0", "::", ""})

    def password_hash(self) -> SecretStr | None:
        """Read now; None where none is set. SettingsError where the file holds no hash, or where one is needed."""
        if self.password_file is None:
            if self.is_loopback:
                return None
            raise SettingsError(
                [
                    f"web.host: got {self.host!r}, expected a loopback address such as '127.0.0.1' as long as there is "
                    "no web.password_file: whoever reaches the page could change anything. "
                    "`curewatch password FILE` makes one"
                ]
            )
        return _hash_in(self.password_file)


def _hash_in(path: Path) -> SecretStr:
    held = secret_in(path, "web.password_file")
    if not held.get_secret_value().startswith(ARGON2):
        raise SettingsError(
            [f"web.password_file: {str(path)!r} holds no hash of a password; `curewatch password FILE` makes one"]
        )
    return held
