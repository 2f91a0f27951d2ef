"""The settings as one frozen model, a table each. A field's description completes "expected …" in errors."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, PrivateAttr, model_validator

from curewatch.language import Reader
from curewatch.records import GivenName
from curewatch.records.names import same_name
from curewatch.settings.channels import (
    HeartbeatSettings,
    MailSettings,
    NoticeSettings,
    PersonSettings,
    PublishSettings,
    ReaderSettings,
    ServicesSettings,
    WebhookSettings,
    covers,
)
from curewatch.settings.errors import SettingsError
from curewatch.settings.page import WebSettings
from curewatch.settings.sensors import Accuracy, BrokerSettings, SensorSettings, TypedSettings
from curewatch.settings.values import (
    AIR_SPEEDS_M_S,
    MINUTES,
    AirSpeed,
    FileBeside,
    Table,
    Zone,
)

_HOURS = "a number of hours between 0 and 2000"


class AfterCareSettings(Table):
    """Times that are left out are the generic ones of the varnish's kind; the label on the tin is right, not they."""

    isolation_coat: bool = Field(default=True, description="true or false")
    varnish: Literal["water", "solvent", "none"] = Field(default="water", description="'water', 'solvent' or 'none'")
    """What it is thinned with."""
    applied: Literal["brushed", "sprayed"] = Field(default="brushed", description="'brushed' or 'sprayed'")
    coats: int = Field(default=2, ge=1, le=6, description="a whole number between 1 and 6")
    touch_h: float | None = Field(default=None, ge=0, le=2000, description=_HOURS)
    recoat_h: float | None = Field(default=None, ge=0, le=2000, description=_HOURS)
    cure_d: float | None = Field(default=None, ge=0, le=365, description="a number of days between 0 and 365")
    wash_dry_h: float = Field(default=24, ge=0, le=2000, description=_HOURS)
    isolation_dry_h: float = Field(default=24, ge=0, le=2000, description=_HOURS)
    skins_mm: float = Field(default=0.8, ge=0.02, le=10, description="a number of mm between 0.02 and 10")
    temp_low_c: float = Field(default=18, ge=0, le=40, description="a number of °C between 0 and 40")
    temp_high_c: float = Field(default=24, ge=0, le=50, description="a number of °C between 0 and 50")
    rh_high_pct: float = Field(default=65, ge=20, le=95, description="a number of % between 20 and 95")
    above_dew_point_k: float = Field(default=3, ge=0, le=15, description="a number of K between 0 and 15")

    @model_validator(mode="after")
    def _leaves_room(self) -> AfterCareSettings:
        if self.temp_low_c >= self.temp_high_c:
            raise ValueError(f"temp_low_c ({self.temp_low_c:g}) to lie below temp_high_c ({self.temp_high_c:g})")
        return self


class BackupSettings(Table):
    """Copies of the store that the daemon makes by itself."""

    every_h: float = Field(default=24, ge=0, le=720, description="a number of hours between 0 (never) and 720")
    keep: int = Field(default=7, ge=1, le=1000, description="a whole number between 1 and 1000")
    folder: FileBeside | None = Field(default=None, description="the path of a folder for this studio's backups alone")


class ReadingsSettings(Table):
    """What is kept of sensors' readings."""

    keep_days: int = Field(default=90, ge=7, le=36_500, description="a whole number of days between 7 and 36500")
    """So long every single one is; then the means of five minutes, for good."""


class RoomSettings(Table):
    air: AirSpeed = Field(
        default=AIR_SPEEDS_M_S["still"],
        description="'still', 'draughty', 'fan', or a number of m/s between 0.05 and 5",
    )
    """Air over pieces in this room unless said otherwise [m/s], whichever way it was written."""
    heated: bool = Field(default=True, description="true or false")
    """Whether it can be warmed; else it is advised what can be done there, and once."""


class AlarmSettings(Table):
    """Limits and delays of the alarms, in the terms of ANSI/ISA-18.2."""

    cold_mfft_c: float = Field(default=10, ge=0, le=30, description="a number of °C between 0 and 30")
    frost_c: float = Field(default=2, ge=-5, le=10, description="a number of °C between -5 and 10")
    damp_rh_pct: float = Field(default=75, ge=40, le=100, description="a number of % between 40 and 100")
    damp_rate_fraction: float = Field(default=0.25, gt=0, lt=1, description="a fraction above 0 and below 1")
    fast_temp_c: float = Field(default=30, ge=20, le=60, description="a number of °C between 20 and 60")
    fast_rh_pct: float = Field(default=30, ge=0, le=60, description="a number of % between 0 and 60")
    deadband_c: float = Field(default=0.5, ge=0, le=5, description="a number of °C between 0 and 5")
    deadband_rh_pct: float = Field(default=3, ge=0, le=20, description="a number of % points between 0 and 20")
    on_delay_min: float = Field(default=10, ge=0, le=1440, description=MINUTES.format(0, "1440 (a day)"))
    off_delay_min: float = Field(default=15, ge=0, le=1440, description=MINUTES.format(0, "1440 (a day)"))
    reminder_h: float = Field(default=24, ge=1, le=720, description="a number of hours between 1 and 720 (30 days)")
    stale_after_min: float = Field(default=60, ge=5, le=10_080, description=MINUTES.format(5, "10080 (a week)"))
    typed_stale_after_h: float = Field(default=24, ge=1, le=720, description="a number of hours between 1 and 720")
    battery_low_pct: float = Field(default=15, ge=0, le=50, description="a number of % between 0 and 50")
    battery_deadband_pct: float = Field(default=10, ge=0, le=50, description="a number of % points between 0 and 50")

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


class ForecastSettings(Table):
    members: int = Field(default=64, ge=1, le=4096, description="a whole number between 1 and 4096")
    days: int = Field(default=120, ge=1, le=730, description="a whole number of days between 1 and 730")


class Settings(Table):
    """Everything a studio has set. A table that is absent from the file: no broker, no sensors, no webhook."""

    zone: Zone = Field(default_factory=lambda: machine_zone(), description="an IANA time zone")
    reader: ReaderSettings = Field(default=ReaderSettings(), description="a table [reader]")
    by: GivenName | None = Field(default=None, description="a name of 1 to 80 characters on one line")
    """Who logs at this machine's command line, unless --by says otherwise."""
    broker: BrokerSettings | None = Field(default=None, description="a table [broker]")
    sensors: tuple[SensorSettings, ...] = Field(default=(), description="tables [[sensors]]")
    typed: TypedSettings = Field(default=TypedSettings(), description="a table [typed]")
    readings: ReadingsSettings = Field(default=ReadingsSettings(), description="a table [readings]")
    rooms: dict[GivenName, RoomSettings] = Field(default_factory=dict, description='tables [rooms."NAME"]')
    alarms: AlarmSettings = Field(default=AlarmSettings(), description="a table [alarms]")
    webhook: WebhookSettings | None = Field(default=None, description="a table [webhook]")
    mail: MailSettings | None = Field(default=None, description="a table [mail]")
    publish: PublishSettings | None = Field(default=None, description="a table [publish]")
    services: ServicesSettings | None = Field(default=None, description="a table [services]")
    people: tuple[PersonSettings, ...] = Field(default=(), description="tables [[people]]")
    notices: NoticeSettings = Field(default=NoticeSettings(), description="a table [notices]")
    heartbeat: HeartbeatSettings | None = Field(default=None, description="a table [heartbeat]")
    forecast: ForecastSettings = Field(default=ForecastSettings(), description="a table [forecast]")
    aftercare: AfterCareSettings = Field(default=AfterCareSettings(), description="a table [aftercare]")
    web: WebSettings = Field(default=WebSettings(), description="a table [web]")
    backup: BackupSettings = Field(default=BackupSettings(), description="a table [backup]")
    _file: Path | None = PrivateAttr(None)
    _unknown: tuple[str, ...] = PrivateAttr(())

    def model_post_init(self, context: Any, /) -> None:
        self._file = (context or {}).get("file")
        self._unknown = (context or {}).get("unknown", ())

    def __eq__(self, other: object) -> bool:
        """By what is set: where it was read from is no setting."""
        return isinstance(other, Settings) and self.__dict__ == other.__dict__

    @property
    def file(self) -> Path | None:
        """Where all this was read from, for what lies beside it; None: nowhere, it was made by hand."""
        return self._file

    @property
    def unknown(self) -> tuple[str, ...]:
        """What the file has that this version does not know and passes over, a sentence each."""
        return self._unknown

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
                for key, root in self.publish.roots:
                    if covers(sensor.topic, root):
                        raise ValueError(
                            f"publish.{key} outside of what the sensor {sensor.id!r} listens to "
                            f"({sensor.topic[:80]!r}): what is published would come back as readings"
                        )
        return self

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.zone)

    @property
    def studio_reader(self) -> Reader:
        """How what is nobody's in particular is read."""
        return self.reader.reader(Reader(zone=self.tz))

    def reader_of(self, person: PersonSettings | None) -> Reader:
        return self.studio_reader if person is None else person.reader(self.studio_reader)

    def room(self, name: str) -> RoomSettings:
        """What is set for a room; the usual where nothing is."""
        return self.rooms.get(same_name(name, self.rooms) or name, RoomSettings())

    def accuracy_of(self, source: str) -> tuple[float, float]:
        """Of what is read under this name [°C, %]; behind a wildcard each topic is as good as its sensor."""
        if source == "typed":
            known = [self.typed.accuracy]
        else:
            known = [one.accuracy for one in self.sensors if source == one.id or source.startswith(f"{one.id}/")]
        # the two topics of one device may each state their own
        temp = [one.temperature for one in known if "temperature" in one.model_fields_set]
        rh = [one.humidity for one in known if "humidity" in one.model_fields_set]
        usual = Accuracy()
        return (temp or [usual.temperature])[0], (rh or [usual.humidity])[0]

    def air_in(self, room: str) -> float:
        """Air over a piece in `room` unless said otherwise [m/s]."""
        return self.room(room).air


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
