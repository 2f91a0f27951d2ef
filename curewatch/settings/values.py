"""What every table of the settings is built on, and how a secret that a table names is read."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict, SecretStr

from curewatch.settings.errors import SettingsError


class Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def secret_in(path: Path, key: str) -> SecretStr:
    """The secret a file holds. SettingsError, naming `key`, where the file cannot be read or is empty."""
    try:
        secret = path.read_text(encoding="utf-8").rstrip("\r\n")
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
