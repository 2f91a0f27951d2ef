"""From options, environment and files to `Settings`, and to the store's place."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from functools import reduce
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from curewatch.settings.errors import PROBLEMS_MOST, UNKNOWN, SettingsError, refused
from curewatch.settings.settings import Settings

WORDS_CHARS = 200
"""What the reader of TOML says of a broken file is told so far: it may quote a key of any length."""
_BEYOND = "a number of thousands of digits, or a key of thousands of parts, expected settings as in the example file"


def load_settings(path: Path | None) -> Settings:
    """The settings in the TOML file at `path`, the defaults for None; SettingsError with every problem at once."""
    return Settings() if path is None else settings_of(read_toml(path), path)


def settings_of(tables: dict[str, Any], path: Path) -> Settings:
    """What the tables of the file at `path` say. A key that this version does not know is passed over and told of in
    `Settings.unknown`: a newer or older one may know it. SettingsError with all that is wrong in the rest."""
    context: dict[str, Any] = {"file": path.absolute(), "folder": path.absolute().parent}
    held = to_json(tables, str(path))
    try:
        return Settings.model_validate_json(held, context=context)
    except ValidationError as found:
        first = found
    known = json.loads(held)
    for error in first.errors(include_url=False, include_input=False):
        if error["type"] != UNKNOWN:
            raise refused(first, Settings, str(path))
        *way, last = error["loc"]
        del reduce(lambda table, part: table[part], way, known)[last]
    unknown = refused(first, Settings, str(path)).problems
    try:
        return Settings.model_validate_json(to_json(known, str(path)), context={**context, "unknown": unknown})
    except ValidationError as found:
        raise SettingsError([*refused(found, Settings, str(path)).problems, *unknown][: PROBLEMS_MOST + 1]) from None


def to_json(tables: Mapping[str, Any], file: str) -> str:
    """Settings are validated as JSON, not as Python objects.

    Only so does strict mode turn arrays into tuples and strings into paths, and yet refuse "1883" for 1883.
    """
    try:
        return json.dumps(tables, default=str)
    except (ValueError, RecursionError):  # a hexadecimal number of thousands of digits; keys.of.thousands.of.parts
        raise SettingsError([f"{file}: {_BEYOND}"]) from None


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file; SettingsError where it cannot be read."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise SettingsError([f"{path}: cannot be read: {error.strerror}"]) from None
    return parse_toml(content, path)


def parse_toml(content: bytes, path: Path) -> dict[str, Any]:
    """The tables in the text of a TOML file."""
    import tomllib

    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise SettingsError([f"{path}: line {line}: not UTF-8 text"]) from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error))
        what, line_, column = found.groups() if found else (str(error), None, None)
        where = f"line {line_}, column {column}" if line_ else "at its end"
        raise SettingsError([f"{path}: {where}: not TOML: {what[:WORDS_CHARS]}"]) from None
    except ValueError:  # Python's own: it reads no whole number of more than some thousand digits
        raise SettingsError([f"{path}: {_BEYOND}"]) from None


SYSTEM_CONFIG = Path("/etc/curewatch/curewatch.toml")
SYSTEM_STORE = Path("/var/lib/curewatch/studio.sqlite")
"""Those of the service that runs for the whole machine: once it is set up, root means no other."""


def config_path(option: str | None, environ: Mapping[str, str]) -> Path | None:
    """`--config`, else CUREWATCH_CONFIG, else for root the machine's service's, else the user's own file if there is
    one; None: no file, only defaults."""
    for name, given in (("--config", option), ("CUREWATCH_CONFIG", environ.get("CUREWATCH_CONFIG") or None)):
        if given is None:
            continue
        path = _path(name, given)
        if not path.is_file():
            raise SettingsError([f"{name}: got {given!r}, expected the path of a settings file that exists"])
        return path
    usual = usual_config()
    return usual if usual.is_file() else None


def usual_config() -> Path:
    """The settings file, there or not, when nobody says."""
    if hasattr(os, "geteuid") and os.geteuid() == 0 and SYSTEM_CONFIG.is_file():
        return SYSTEM_CONFIG
    from platformdirs import user_config_path

    return user_config_path("curewatch", appauthor=False) / "curewatch.toml"


def store_location(option: str | None, environ: Mapping[str, str], config: Path | None = None) -> str:
    """`--store`, else CUREWATCH_STORE, else the one that belongs to the settings at `config`, which is the user's own
    except for the machine's service: a database URL as given, or an absolute path."""
    name, given = "--store", option
    if given is None:
        name, given = "CUREWATCH_STORE", environ.get("CUREWATCH_STORE") or None
    if given is None and config == SYSTEM_CONFIG:
        return str(SYSTEM_STORE)
    if given is None:
        from platformdirs import user_data_path

        return str(user_data_path("curewatch", appauthor=False) / "studio.sqlite")
    if "://" in given:
        return given
    if not given.strip() or "\0" in given:
        raise SettingsError([f"{name}: got {given!r}, expected the path of a store, or a database URL"])
    return str(_path(name, given).absolute())


def _path(name: str, given: str) -> Path:
    try:
        return Path(given).expanduser()
    except RuntimeError:
        raise SettingsError([f"{name}: got {given!r}, expected a path; nobody's home is known by that name"]) from None
