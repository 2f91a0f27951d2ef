"""The table about the heartbeat: an address outside that is called for as long as the daemon gets its work done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field, SecretStr, TypeAdapter, ValidationError, model_validator

from curewatch.settings.errors import SettingsError
from curewatch.settings.part_settings_kinds import EnvironName, FileBeside, WebAddress
from curewatch.settings.values import Table, secret_from

_ADDRESS: TypeAdapter[str] = TypeAdapter(WebAddress)


class HeartbeatSettings(Table):
    """Where somebody else listens for the daemon, and raises the alarm when it falls silent."""

    url: WebAddress | None = Field(None, description="an http:// or https:// address")
    url_file: FileBeside | None = Field(None, description="the path of a file holding the address")
    url_env: EnvironName | None = Field(None, description="the name of an environment variable")
    method: Literal["GET", "POST"] = Field("GET", description="'GET' or 'POST'")
    every_s: float = Field(300, ge=5, le=86_400, description="a number of seconds between 5 and 86400 (a day)")
    timeout_s: float = Field(10, ge=1, le=120, description="a number of seconds between 1 and 120")

    @model_validator(mode="after")
    def _exactly_one(self) -> HeartbeatSettings:
        if sum(given is not None for given in (self.url, self.url_file, self.url_env)) != 1:
            raise ValueError("exactly one of url, url_file and url_env")
        return self

    def address(self, environ: Mapping[str, str]) -> SecretStr:
        """Read now; SettingsError where it cannot be had, or is none. It may be a secret, so the error keeps it."""
        if self.url is not None:
            return SecretStr(self.url)
        found = secret_from(self.url_file, self.url_env, environ, "heartbeat.url")
        assert found is not None  # _exactly_one
        try:
            return SecretStr(_ADDRESS.validate_python(found.get_secret_value().strip()))
        except ValidationError:
            allowed = "an http:// or https:// address with a host, without user or password"
            raise SettingsError([f"heartbeat.url: what the file or variable holds is not {allowed}"]) from None
