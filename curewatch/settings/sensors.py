"""The tables about the broker and the sensors that are heard through it."""

from __future__ import annotations

import hashlib
from typing import Any, Literal

from pydantic import Field, SecretStr, model_validator

from curewatch.records import GivenName
from curewatch.settings.values import (
    MINUTES,
    FileBeside,
    Pointer,
    SensorId,
    Table,
    TopicFilter,
    secret_in,
)


class BrokerSettings(Table):
    """The MQTT broker that sensors publish to."""

    host: str = Field(min_length=1, max_length=253, description="the broker's host name or address")
    tls: bool = Field(default=False, description="true or false")
    port: int = Field(default=1883, ge=1, le=65_535, description="a whole number between 1 and 65535")
    user: str | None = Field(default=None, min_length=1, description="a user name")
    password_file: FileBeside | None = Field(default=None, description="the path of a file holding the password")
    ca_file: FileBeside | None = Field(default=None, description="the path of a PEM file with the broker's authority")
    protocol: Literal["3.1.1", "5"] = Field(default="3.1.1", description="'3.1.1' or '5'")
    client_id: str | None = Field(
        default=None, min_length=1, max_length=128, pattern=r"^[^\x00-\x1f\x7f]+$", description="1 to 128 characters"
    )
    start: Literal["here", "house"] | None = Field(default=None, description="'here' or 'house'")
    """The daemon starts the bundled example itself, which answers this machine alone or the house's network too."""
    keepalive_s: int = Field(default=60, ge=5, le=3600, description="a whole number of seconds between 5 and 3600")

    @model_validator(mode="before")
    @classmethod
    def _port_of_tls(cls, given: Any) -> Any:
        if isinstance(given, dict) and given.get("tls") is True:
            return {"port": 8883, **given}
        return given

    @model_validator(mode="after")
    def _belongs_together(self) -> BrokerSettings:
        if self.ca_file is not None and not self.tls:
            raise ValueError("tls = true where ca_file is set")
        if self.password_file is not None and self.user is None:
            raise ValueError("a user where password_file is set (MQTT 3.1.1 has no password without one)")
        if self.start is not None and (self.tls or self.user is None or self.password_file is None):
            raise ValueError("user and password_file, and no tls, where start is set (the example lets nobody else in)")
        return self

    def client_id_for(self, store: str) -> str:
        """The id the broker keeps this daemon's session under: as set, else always the same for one store.

        21 letters and digits, since MQTT 3.1.1 binds brokers only to ids of up to 23 of those.
        """
        return self.client_id or "curewatch" + hashlib.sha256(store.encode(errors="surrogateescape")).hexdigest()[:12]

    def password(self) -> SecretStr | None:
        """Read now; SettingsError where the file cannot be."""
        if self.password_file is None:
            return None
        return secret_in(self.password_file, "broker.password_file")


class Accuracy(Table):
    """How far off an instrument may steadily be, as its data sheet or certificate says: taken as one sd."""

    temperature: float = Field(default=0.3, ge=0.01, le=5, description="a number of °C between 0.01 and 5")
    humidity: float = Field(default=2.0, ge=0.1, le=20, description="a number of % points between 0.1 and 20")


class TypedSettings(Table):
    """What people read readings off that they type."""

    accuracy: Accuracy = Field(default=Accuracy(), description="a table with temperature and humidity")


class SensorSettings(Table):
    """One device, or one of the topics of a device that publishes bare numbers."""

    id: SensorId = Field(description="1 to 80 characters on one line, without '/', not 'typed'")
    room: GivenName = Field(description="the room's name: 1 to 80 characters on one line")
    topic: TopicFilter = Field(description="an MQTT topic filter, such as 'shed/loft/air'")
    reads: Literal["json", "temperature", "humidity"] = Field(
        default="json", description="'json', or 'temperature' or 'humidity' for topics that carry one bare number"
    )
    temperature: Pointer = Field(default="/temperature", description="a JSON pointer, such as '/temperature'")
    humidity: Pointer = Field(default="/humidity", description="a JSON pointer, such as '/humidity'")
    time: Pointer | None = Field(default=None, description="a JSON pointer, such as '/time'")
    battery: Pointer | None = Field(default=None, description="a JSON pointer, such as '/battery'")
    unit: Literal["C", "F", "K"] = Field(default="C", description="'C', 'F' or 'K'")
    temperature_offset: float = Field(default=0.0, ge=-20, le=20, description="a number of °C between -20 and 20")
    humidity_offset: float = Field(default=0.0, ge=-30, le=30, description="a number of % points between -30 and 30")
    accuracy: Accuracy = Field(default=Accuracy(), description="a table with temperature and humidity")
    silent_after_min: float = Field(default=60, ge=1, le=10_080, description=MINUTES.format(1, "10080 (a week)"))

    devices_most: int = Field(default=64, ge=1, le=1000, description="a whole number between 1 and 1000")

    @model_validator(mode="after")
    def _fits(self) -> SensorSettings:
        if self.id == "typed":
            raise ValueError("another id than 'typed', which marks readings that people type")
        pointers = self.model_fields_set & {"temperature", "humidity", "time", "battery"}
        if self.reads != "json" and pointers:
            raise ValueError(f"no {sorted(pointers)[0]!r} where reads = {self.reads!r}: a bare number has no parts")
        return self
