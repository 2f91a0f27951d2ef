"""The vocabulary: what curewatch knows, as frozen records. No record reads a clock, a file or a table.

Facts (typed or measured, never changed once stored): Room, Recipe, Piece, Stay, Pour, Reading.
Derived (may be deleted and is rebuilt): Forecast with its Milestones.
Decisions (each committed together with the notice it causes): Alarm, Notice, Delivery.

Units are in the names: `_c` degrees Celsius, `_pct` percent, `_m` metres, `_h` hours. Times are aware UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator


def _aware_utc(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError(f"a time needs its zone, got {at.isoformat()!r}")
    return at.astimezone(UTC)


Moment = Annotated[datetime, AfterValidator(_aware_utc)]
"""An instant, held as aware UTC whatever zone it came in."""

Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")]
"""A name people gave: one line, 1-80 characters, no control characters."""

TEMP_C_RANGE = (-60.0, 90.0)
"""What a reading's temperature may be at all [°C]; narrower judgements belong to studio.climate."""
RH_PCT_RANGE = (0.0, 100.0)
"""What a reading's relative humidity may be at all [%]."""
WET_THICKNESS_RANGE_M = (20e-6, 10e-3)
"""Wet film the model speaks for [m]: a brushed glaze to a flooded tile."""


class Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Room(Record):
    """Where pieces dry and readings come from. The name is the identity."""

    name: Name


class Reading(Record):
    """One measurement of a room's air. A sensor may send temperature and humidity apart, so either may be missing."""

    room: Name
    at: Moment
    temp_c: Annotated[float, Field(ge=TEMP_C_RANGE[0], le=TEMP_C_RANGE[1])] | None = None
    rh_pct: Annotated[float, Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1])] | None = None
    source: str = "typed"
    """`typed`, or the sensor's id from the settings."""
    received_at: Moment
    battery_pct: Annotated[float, Field(ge=0, le=100)] | None = None
    retained: bool = False
    """The broker kept it from earlier: true, but it proves nothing about the sensor being alive now."""

    @model_validator(mode="after")
    def _measures_something(self) -> Reading:
        if self.temp_c is None and self.rh_pct is None:
            raise ValueError("a reading needs a temperature, a humidity, or both")
        return self


class Recipe(Record):
    """What a mix is made of, as volume fractions of the wet paint. The name is the identity."""

    name: Name
    solids: Annotated[float, Field(ge=0.05, le=0.70)] = 0.30
    glycol: Annotated[float, Field(ge=0.0, le=0.15)] = 0.03
    stated: bool = False
    """False while solids and glycol are the default assumption, not something a person said."""


class ThicknessSource(StrEnum):
    """How the wet thickness was come by; each has its own spread (model section 6)."""

    GAUGE = "gauge"
    VOLUME = "volume"
    LAYER = "layer"


class Support(StrEnum):
    """What lies behind the film: heat through the back, in the model's words."""

    CANVAS = "canvas"
    BOARD = "board"


class Piece(Record):
    """One painting. `id` is given by the store; the name is unique among pieces that are not gone."""

    id: int
    name: Name
    created_at: Moment
    gone_at: Moment | None = None


class Stay(Record):
    """A piece in a room, at a place, from a moment on (until its next stay)."""

    piece_id: int
    room: Name
    place: Name | None = None
    since: Moment


class Pour(Record):
    """Paint on a piece. One per piece: a second layer is a second piece's worth of drying and is logged as such."""

    piece_id: int
    at: Moment
    wet_thickness_m: Annotated[float, Field(ge=WET_THICKNESS_RANGE_M[0], le=WET_THICKNESS_RANGE_M[1])]
    thickness_source: ThicknessSource
    width_m: Annotated[float, Field(ge=0.02, le=5)] | None = None
    height_m: Annotated[float, Field(ge=0.02, le=5)] | None = None
    recipe: Name
    silicone: bool = False
    support: Support = Support.CANVAS
    air_speed_m_s: Annotated[float, Field(ge=0.05, le=5)] = 0.1
    """Air over the piece [m/s]: 0.1 still room, 0.3 draughty, 1.0 fan."""


class MilestoneKind(StrEnum):
    """In the order they are reached."""

    PACKED = "packed"
    TOUCH_DRY = "touch_dry"
    HANDLE = "handle"
    VARNISH_READY = "varnish_ready"


class Milestone(Record):
    """When one condition of the film begins to hold, as far as is known. A time is None where it is not foreseen."""

    kind: MilestoneKind
    early_at: Moment | None
    """10 % of the members are there."""
    worth_checking_at: Moment | None
    """50 %: even odds."""
    safe_at: Moment | None
    """90 %: safe to assume."""
    reason: str | None = None
    """Why a time is None."""


class Forecast(Record):
    """What the model says of one piece, derived from facts and `made_at`."""

    piece_id: int
    made_at: Moment
    model_version: str
    fingerprint: str
    """Hash of every input; equal inputs give an equal forecast."""
    milestones: tuple[Milestone, ...] = ()
    reason: str | None = None
    """Why there are no milestones (no reading of the room yet)."""
    film_temp_c: float | None = None
    """Film temperature at the room's newest reading, central member."""
    volatile_fraction: float | None = None
    """Water and glycol as a share of the film's volume at the newest reading, central member."""
    skin_gap_h: float | None = None
    """Central member: from touch-dry to handle, a skin over a softer core [h]."""
    usual_skin_gap_h: float | None = None
    """The same film's skin gap in still air at 21 °C, 50 % [h]."""
    data_until: Moment | None = None
    """The newest reading that went in."""
    readings_used: int = 0
    """How many moments of the room's record had settled by then; a change means that readings came late."""
    room_temp_c: float | None = None
    """Room temperature that the forecast takes to last [°C]."""
    room_rh_pct: float | None = None
    """Relative humidity that the forecast takes to last [%]."""


class AlarmKind(StrEnum):
    COLD = "cold"
    FROST = "frost"
    DAMP = "damp"
    TOO_FAST = "too_fast"
    NO_FRESH_DATA = "no_fresh_data"


class AlarmState(StrEnum):
    """ANSI/ISA-18.2's life of one alarm, with its two waiting states."""

    NORMAL = "normal"
    PENDING = "pending"
    """The condition holds, the on-delay has not passed."""
    ACTIVE = "active"
    CLEARING = "clearing"
    """The condition is gone, the off-delay has not passed."""


class Alarm(Record):
    """The state of one alarm of one subject: a room, or a piece in it."""

    kind: AlarmKind
    room: Name
    piece_id: int | None = None
    state: AlarmState
    since: Moment
    """When this state began."""
    raised_at: Moment | None = None
    """When it last became active."""
    evaluated_at: Moment
    """Data time up to which the condition has been judged."""
    acknowledged_at: Moment | None = None
    muted_until: Moment | None = None
    reminded_at: Moment | None = None
    text: str = ""
    """Cause, consequence, what to do and by when, as of `raised_at`."""


class AlarmHappening(StrEnum):
    """What can happen to an alarm, as its history tells it."""

    RAISED = "raised"
    OVER = "over"
    REMINDED = "reminded"
    MUTE_ENDED = "mute_ended"
    ASLEEP = "asleep"
    """Nothing wet is left in the room: suppressed by design from then on."""
    ACKNOWLEDGED = "acknowledged"
    MUTED = "muted"
    UNMUTED = "unmuted"
    """By a person, before its time."""


class AlarmEvent(Record):
    """One line of an alarm's history."""

    kind: AlarmKind
    room: Name
    happening: AlarmHappening
    at: Moment
    """In the data's own time."""
    recorded_at: Moment
    muted_until: Moment | None = None


class Damage(Record):
    """Harm that a film may have taken while it was wet. Latched: it stays with the piece until a person clears it."""

    piece_id: int
    kind: AlarmKind
    """COLD: below the film-forming temperature while it was setting. FROST: below freezing while it was wet."""
    hours: Annotated[float, Field(ge=0)]
    worst_c: float
    """Lowest film temperature in that time [°C]."""
    began_at: Moment
    counted_until: Moment
    """Data time up to which `hours` has been counted."""
    cleared_at: Moment | None = None


class Notice(Record):
    """Something a person is told once. `key` is unique: the idempotency key and the Message-ID."""

    key: str
    kind: str
    """`milestone`, `alarm`, `alarm_over`, `reminder`, `foreseen` (an alarm ahead), `digest` (several at once),
    `catch_up` (several from before), `morning` (one person's work of the day) or `test`."""
    created_at: Moment
    title: str
    text: str
    urgent: bool = False
    expires_at: Moment | None = None
    piece_id: int | None = None
    room: str | None = None
    data: dict[str, Any] = Field(default_factory=dict)


class DeliveryState(StrEnum):
    WAITING = "waiting"
    DELIVERED = "delivered"
    EXPIRED = "expired"
    DEAD = "dead"


class Delivery(Record):
    """One notice on its way through one channel."""

    id: int
    notice: Notice
    channel: str
    state: DeliveryState
    attempts: int
    next_try_at: Moment
    last_error: str | None = None
    delivered_at: Moment | None = None
    told_in: str | None = None
    """The key of the notice that told this one too."""
