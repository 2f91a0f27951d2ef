"""The shape of the settings: a frozen model for each table. A field's description completes "expected …" in errors.

No secret is held here. A table names the file (or variable) a secret is in; `password` and `secret` read it when
asked, so that commands which need no secret also run for people who may not read it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, PrivateAttr, SecretStr, model_validator

from curewatch.records import MilestoneKind, Name
from curewatch.settings.channels import MailSettings, PersonSettings, PublishSettings, ServicesSettings, covers
from curewatch.settings.errors import SettingsError
from curewatch.settings.part_settings_backup import BackupSettings
from curewatch.settings.part_settings_heartbeat import HeartbeatSettings
from curewatch.settings.part_settings_kinds import (
    AIR_SPEEDS_M_S,
    AirSpeed,
    EnvironName,
    FileBeside,
    Pointer,
    SensorId,
    TopicFilter,
    WebAddress,
    Zone,
)
from curewatch.settings.part_settings_page import WebSettings
from curewatch.settings.settings import AfterCareSettings
from curewatch.settings.values import Table, secret_from, secret_in

MINUTES = "a number of minutes between {} and {}"


class BrokerSettings(Table):
    """The MQTT broker that sensors publish to."""

    host: str = Field(min_length=1, max_length=253, description="the broker's host name or address")
    tls: bool = Field(False, description="true or false")
    port: int = Field(1883, ge=1, le=65_535, description="a whole number between 1 and 65535")
    user: str | None = Field(None, min_length=1, description="a user name")
    password_file: FileBeside | None = Field(None, description="the path of a file holding the password")
    ca_file: FileBeside | None = Field(None, description="the path of a PEM file with the broker's authority")
    protocol: Literal["3.1.1", "5"] = Field("3.1.1", description="'3.1.1' or '5'")
    client_id: str | None = Field(
        None, min_length=1, max_length=128, pattern=r"^[^\x00-\x1f\x7f]+$", description="1 to 128 characters"
    )
    keepalive_s: int = Field(60, ge=5, le=3600, description="a whole number of seconds between 5 and 3600")

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


class SensorSettings(Table):
    """One device, or one of the topics of a device that publishes bare numbers."""

    id: SensorId = Field(description="1 to 80 characters on one line, without '/', not 'typed'")
    room: Name = Field(description="the room's name: 1 to 80 characters on one line")
    topic: TopicFilter = Field(description="an MQTT topic filter, such as 'shed/loft/air'")
    reads: Literal["json", "temperature", "humidity"] = Field(
        "json", description="'json', or 'temperature' or 'humidity' for topics that carry one bare number"
    )
    temperature: Pointer = Field("/temperature", description="a JSON pointer, such as '/temperature'")
    humidity: Pointer = Field("/humidity", description="a JSON pointer, such as '/humidity'")
    time: Pointer | None = Field(None, description="a JSON pointer, such as '/time'")
    battery: Pointer | None = Field(None, description="a JSON pointer, such as '/battery'")
    unit: Literal["C", "F", "K"] = Field("C", description="'C', 'F' or 'K'")
    temperature_offset: float = Field(0.0, ge=-20, le=20, description="a number of °C between -20 and 20")
    humidity_offset: float = Field(0.0, ge=-30, le=30, description="a number of % points between -30 and 30")
    silent_after_min: float = Field(60, ge=1, le=10_080, description=MINUTES.format(1, "10080 (a week)"))

    @model_validator(mode="after")
    def _fits(self) -> SensorSettings:
        if self.id == "typed":
            raise ValueError("another id than 'typed', which marks readings that people type")
        pointers = self.model_fields_set & {"temperature", "humidity", "time", "battery"}
        if self.reads != "json" and pointers:
            raise ValueError(f"no {sorted(pointers)[0]!r} where reads = {self.reads!r}: a bare number has no parts")
        return self


class RoomSettings(Table):
    air: AirSpeed = Field(
        AIR_SPEEDS_M_S["still"],
        description="'still', 'draughty', 'fan', or a number of m/s between 0.05 and 5",
    )
    """Air over pieces in this room unless said otherwise [m/s], whichever way it was written."""


class AlarmSettings(Table):
    """Limits and delays of the alarms, in the terms of ANSI/ISA-18.2."""

    cold_mfft_c: float = Field(10, ge=0, le=30, description="a number of °C between 0 and 30")
    frost_c: float = Field(2, ge=-5, le=10, description="a number of °C between -5 and 10")
    damp_rh_pct: float = Field(75, ge=40, le=100, description="a number of % between 40 and 100")
    damp_rate_fraction: float = Field(0.25, gt=0, lt=1, description="a fraction above 0 and below 1")
    fast_temp_c: float = Field(30, ge=20, le=60, description="a number of °C between 20 and 60")
    fast_rh_pct: float = Field(30, ge=0, le=60, description="a number of % between 0 and 60")
    deadband_c: float = Field(0.5, ge=0, le=5, description="a number of °C between 0 and 5")
    deadband_rh_pct: float = Field(3, ge=0, le=20, description="a number of % points between 0 and 20")
    on_delay_min: float = Field(10, ge=0, le=1440, description=MINUTES.format(0, "1440 (a day)"))
    off_delay_min: float = Field(15, ge=0, le=1440, description=MINUTES.format(0, "1440 (a day)"))
    reminder_h: float = Field(24, ge=1, le=720, description="a number of hours between 1 and 720 (30 days)")
    stale_after_min: float = Field(60, ge=5, le=10_080, description=MINUTES.format(5, "10080 (a week)"))
    typed_stale_after_h: float = Field(24, ge=1, le=720, description="a number of hours between 1 and 720")
    battery_low_pct: float = Field(15, ge=0, le=50, description="a number of % between 0 and 50")
    battery_deadband_pct: float = Field(10, ge=0, le=50, description="a number of % points between 0 and 50")

    @model_validator(mode="after")
    def _limits_leave_room(self) -> AlarmSettings:
        if self.frost_c >= self.cold_mfft_c:
            raise ValueError(f"frost_c ({self.frost_c:g}) to lie below cold_mfft_c ({self.cold_mfft_c:g})")
        if self.fast_rh_pct + self.deadband_rh_pct >= self.damp_rh_pct - self.deadband_rh_pct:
            raise ValueError(
                f"fast_rh_pct ({self.fast_rh_pct:g}) to lie more than two deadbands below "
                f"damp_rh_pct ({self.damp_rh_pct:g})"
            )
        return self


class WebhookSettings(Table):
    """Where notices are posted, signed by the Standard Webhooks specification."""

    url: WebAddress = Field(description="an http:// or https:// address")
    secret_file: FileBeside | None = Field(None, description="the path of a file holding the secret")
    secret_env: EnvironName | None = Field(None, description="the name of an environment variable")
    timeout_s: float = Field(10, ge=1, le=120, description="a number of seconds between 1 and 120")
    give_up_after_h: float = Field(72, ge=1, le=720, description="a number of hours between 1 and 720")
    catch_up: bool = Field(False, description="true or false")
    """Whether what came about while the daemon was off is posted as one notice."""

    @model_validator(mode="after")
    def _at_most_one_secret(self) -> WebhookSettings:
        if self.secret_file is not None and self.secret_env is not None:
            raise ValueError("secret_file or secret_env, not both")
        return self

    def secret(self, environ: Mapping[str, str]) -> SecretStr | None:
        """Read now; None where none is set, SettingsError where the one that is set cannot be had."""
        return secret_from(self.secret_file, self.secret_env, environ, "webhook.secret")


class NoticeSettings(Table):
    milestones: tuple[MilestoneKind, ...] = Field(
        (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY),
        description=f"an array of {', '.join(repr(str(kind)) for kind in MilestoneKind)}",
    )


class ForecastSettings(Table):
    members: int = Field(64, ge=1, le=4096, description="a whole number between 1 and 4096")
    days: int = Field(120, ge=1, le=730, description="a whole number of days between 1 and 730")


class Settings(Table):
    """Everything a studio has set. A table that is absent from the file: no broker, no sensors, no webhook."""

    zone: Zone = Field(default_factory=lambda: machine_zone(), description="an IANA time zone")
    broker: BrokerSettings | None = Field(None, description="a table [broker]")
    sensors: tuple[SensorSettings, ...] = Field((), description="tables [[sensors]]")
    rooms: dict[Name, RoomSettings] = Field(default_factory=dict, description='tables [rooms."NAME"]')
    alarms: AlarmSettings = Field(AlarmSettings(), description="a table [alarms]")
    webhook: WebhookSettings | None = Field(None, description="a table [webhook]")
    mail: MailSettings | None = Field(None, description="a table [mail]")
    publish: PublishSettings | None = Field(None, description="a table [publish]")
    services: ServicesSettings | None = Field(None, description="a table [services]")
    people: tuple[PersonSettings, ...] = Field((), description="tables [[people]]")
    notices: NoticeSettings = Field(NoticeSettings(), description="a table [notices]")
    heartbeat: HeartbeatSettings | None = Field(None, description="a table [heartbeat]")
    forecast: ForecastSettings = Field(ForecastSettings(), description="a table [forecast]")
    aftercare: AfterCareSettings = Field(AfterCareSettings(), description="a table [aftercare]")
    web: WebSettings = Field(WebSettings(), description="a table [web]")
    backup: BackupSettings = Field(BackupSettings(), description="a table [backup]")
    _file: Path | None = PrivateAttr(None)

    def model_post_init(self, context: Any, /) -> None:
        self._file = (context or {}).get("file")

    def __eq__(self, other: object) -> bool:
        """By what is set: where it was read from is no setting."""
        return isinstance(other, Settings) and self.__dict__ == other.__dict__

    @property
    def file(self) -> Path | None:
        """Where all this was read from, for what lies beside it; None: nowhere, it was made by hand."""
        return self._file

    @model_validator(mode="after")
    def _ids_are_sources(self) -> Settings:
        """Two entries may share an id only as the two bare-number topics of one device."""
        for index, sensor in enumerate(self.sensors):
            for other in self.sensors[:index]:
                halves = {sensor.reads, other.reads} == {"temperature", "humidity"}
                if sensor.id == other.id and not (halves and sensor.room == other.room):
                    raise ValueError(
                        f"another id for sensors[{index + 1}] than {sensor.id!r}: only one temperature and one "
                        "humidity topic of the same room may share one"
                    )
        return self

    @model_validator(mode="after")
    def _ways_to_tell(self) -> Settings:
        for index, person in enumerate(self.people):
            if any(person.name == other.name for other in self.people[:index]):
                raise ValueError(f"another name for people[{index + 1}] than {person.name!r}: it is taken")
            if person.mail is not None and self.mail is None:
                raise ValueError(f"a table [mail] where people[{index + 1}] has mail")
        if self.publish is not None:
            if self.broker is None:
                raise ValueError("a table [broker] where [publish] is set: it says where to publish")
            for sensor in self.sensors:
                if covers(sensor.topic, self.publish.root):
                    raise ValueError(
                        f"publish.root outside of what the sensor {sensor.id!r} listens to ({sensor.topic[:80]!r}): "
                        "what is published would come back as readings"
                    )
        return self

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.zone)

    def air_in(self, room: str) -> float:
        """Air over a piece in `room` unless said otherwise [m/s]."""
        return self.rooms.get(room, RoomSettings()).air


def machine_zone() -> str:
    """The IANA name of this machine's zone, UTC on a machine that has none set."""
    import warnings

    from tzlocal import get_localzone_name

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # "no timezone configuration, defaulting to UTC": said above
            name = get_localzone_name()
        ZoneInfo(name)
    except Exception as error:  # tzlocal documents none of what it raises on contradictory configuration
        raise SettingsError(
            [f'zone: this machine\'s time zone is unclear ({error}), expected zone = "Area/City" in the settings']
        ) from error
    return name
