"""Facts: typed, measured or found, never changed once stored; messages that wait until the time is known; and what
every record is built on: frozen, its times aware UTC, its numbers finite, its names one line.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator


def _aware_utc(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError(f"a time needs its zone, got {at.isoformat()!r}")
    return at if at.tzinfo is UTC else at.astimezone(UTC)


Moment = Annotated[datetime, AfterValidator(_aware_utc)]
"""An instant, held as aware UTC whatever zone it came in."""
NAME_MOST = 80
Name = Annotated[str, Field(min_length=1, max_length=NAME_MOST, pattern=r"^[^\x00-\x1f\x7f]+$")]
"""A name people gave: one line, 1-80 characters, no control characters."""
UNSAFE = r"\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069"
"""Within [], what no name that is given now may have: controls of ISO 6429, of which a terminal obeys those of C1 too,
line ends of Unicode, and what makes text run the other way (Unicode TR 36, bidirectional spoofing)."""
GivenName = Annotated[str, Field(min_length=1, max_length=NAME_MOST, pattern=f"^[^{UNSAFE}]+$")]
"""A name as it may be given; one that is stored already may be a Name of before."""
_SHOWN = re.compile(rf"(?![\n\t])[{UNSAFE}]")


def visible(text: str) -> str:
    """Text with what is UNSAFE in it as escapes, but for line ends and tabs: what is stored comes from anywhere.

    >>> visible("Reed\\x9b2J \\u202eknot")
    'Reed\\\\u009b2J \\\\u202eknot'
    """
    return _SHOWN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


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
    removed_at: Moment | None = None
    """Since then it is offered no more; what was read and dried there stays."""


TYPED = "typed"
"""The source of what a person read off and typed."""


class Reading(Record):
    """One measurement of a room's air. A sensor may send temperature and humidity apart, so either may be missing."""

    room: Name
    at: Moment
    temp_c: Annotated[float, Field(ge=TEMP_C_RANGE[0], le=TEMP_C_RANGE[1])] | None = None
    rh_pct: Annotated[float, Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1])] | None = None
    source: str = TYPED
    """`typed`, or the sensor's id from the settings."""
    received_at: Moment
    battery_pct: Annotated[float, Field(ge=0, le=100)] | None = None
    retained: bool = False
    """The broker kept it from earlier: true, but it proves nothing about the sensor being alive now."""
    logged_by: Name | None = None
    """Who says so, as far as it was told."""

    @model_validator(mode="after")
    def _measures_something(self) -> Reading:
        if self.temp_c is None and self.rh_pct is None:
            raise ValueError("a reading needs a temperature, a humidity, or both")
        return self


class Trust(StrEnum):
    """What somebody says is right, who has held a thermometer beside a sensor."""

    SENSOR = "sensor"
    THERMOMETER = "thermometer"
    """The sensor is set aside: what is typed counts."""
    OFFSET = "offset"
    """The sensor goes on, put right by how far the thermometer was from it."""


class SensorTrust(Record):
    """A word on a sensor of a room, from a moment on until the next one. Of one moment the last word counts."""

    room: Name
    source: str
    at: Moment
    trust: Trust
    temp_offset_c: float | None = None
    rh_offset_pct: float | None = None
    logged_at: Moment


class Recipe(Record):
    """What a mix is made of, as volume fractions of the wet paint. The name is the identity."""

    name: Name
    solids: Annotated[float, Field(ge=0.05, le=0.70)] = 0.30
    glycol: Annotated[float, Field(ge=0.0, le=0.15)] = 0.03
    coalescent: Annotated[float, Field(ge=0.0, le=0.15)] = 0.0
    """Slower than glycol: a glycol ether that softens the polymer, as retarders and some media hold it."""
    stated: bool = False
    """False while solids and glycol are the default assumption, not something a person said."""
    removed_at: Moment | None = None
    """Since then it is offered no more; what was poured of it stays."""


class ThicknessSource(StrEnum):
    """How the wet thickness was come by; each has its own spread (model section 6)."""

    GAUGE = "gauge"
    VOLUME = "volume"
    LAYER = "layer"
    """In a word, such as medium, or taken to be as the last one: not measured."""


class Support(StrEnum):
    """What lies behind the film: heat, water and vapour through the back (physics/supports.py)."""

    CANVAS = "canvas"
    """Primed, on stretchers, clear of the table."""
    BOARD = "board"
    """Sealed, lying on the table."""
    PANEL = "panel"
    """Of wood, sealed, clear of the table."""
    RAW_PANEL = "raw-panel"
    """The same unsealed: it soaks up water."""
    TILE = "tile"
    """Glazed, lying on the table."""
    GLASS = "glass"
    """Lying on the table."""
    CRADLED_PANEL = "cradled-panel"
    """Of wood, sealed, on a frame that shuts air in between it and the table."""
    CANVAS_PANEL = "canvas-panel"
    """Primed canvas on card, lying on the table."""
    HARDBOARD = "hardboard"
    """Unsealed, lying on the table: it soaks up water slowly."""
    PAPER = "paper"
    """Heavy and sized, lying on the table: it soaks up water at once."""


class Piece(Record):
    """One painting. `id` is given by the store; the name is unique among pieces that are not gone."""

    id: int
    name: Name
    created_at: Moment
    gone_at: Moment | None = None
    gone_logged_at: Moment | None = None
    """When that was logged; None: it is here, or that is not known."""
    series: Name | None = None
    """What it was poured as, together with others; among the pieces here one series bears a name."""


class Stay(Record):
    """A piece in a room, at a place, from a moment on (until its next stay)."""

    piece_id: int
    room: Name
    place: Name | None = None
    since: Moment
    air_speed_m_s: Annotated[float, Field(ge=0.05, le=5)] | None = None
    """Air over it there [m/s]; None: as before, of its first stay as the pour says."""
    logged_at: Moment | None = None
    """None: not known."""


class Pour(Record):
    """Paint on a piece. One per piece: a second layer is a second piece's worth of drying and is logged as such."""

    piece_id: int
    at: Moment
    wet_thickness_m: Annotated[float, Field(ge=WET_THICKNESS_RANGE_M[0], le=WET_THICKNESS_RANGE_M[1])]
    thickness_source: ThicknessSource
    width_m: Annotated[float, Field(ge=0.02, le=5)] | None = None
    height_m: Annotated[float, Field(ge=0.02, le=5)] | None = None
    round: bool = False
    """A round piece: its diameter is both its width and its height."""
    recipe: Name
    silicone: bool = False
    support: Support = Support.CANVAS
    air_speed_m_s: Annotated[float, Field(ge=0.05, le=5)] = 0.1
    """Air over the piece where it was poured [m/s]: 0.1 still room, 0.3 draughty, 1.0 fan."""
    logged_by: Name | None = None
    """Who poured, as far as it was told."""

    @property
    def face_m2(self) -> float | None:
        """Area of the face [m2]; None where nobody told the size."""
        if self.width_m is None or self.height_m is None:
            return None
        return self.width_m * self.height_m * (math.pi / 4 if self.round else 1.0)


class PendingMessage(Record):
    """A sensor's message as it came, to be dated once the clock can be believed.

    It bears no date. When it came is known on the clock that counts seconds since the machine started, which nobody
    sets, and which means nothing after the next start.
    """

    topic: str
    payload: bytes
    retained: bool
    boot: str | None
    """Which start of the machine `boottime_s` counts from; None where the system does not say."""
    boottime_s: float
    """When it came [s since that start]."""
    late_s: float | None
    """How long the broker may have kept it before [s]; None: since the last contact of an earlier run."""
    id: int | None = None
    """The store's number; None before it is stored."""


GRAMS_RANGE = (0.1, 100_000.0)
"""What a piece may weigh with its support [g]."""
SURFACE_C_RANGE = (-30.0, 60.0)
"""What a film's surface may read [°C]."""


class ObservationKind(StrEnum):
    FINGER = "finger"
    WEIGHING = "weighing"
    SURFACE = "surface"


class Spot(StrEnum):
    """Where on a piece a finger was put."""

    EDGE = "edge"
    MIDDLE = "middle"


class Finger(StrEnum):
    """What a finger says, from wet to dry."""

    TACKY = "tacky"
    TOUCH_DRY = "touch-dry"
    DRY_THROUGH = "dry-through"


class Observation(Record):
    """One finger test, weighing or surface temperature of a piece. `id` is given by the store (0: not stored yet)."""

    id: int = 0
    piece_id: int
    at: Moment
    kind: ObservationKind
    finger: Finger | None = None
    spot: Spot = Spot.EDGE
    """Where the finger was: an inconspicuous edge unless it was said otherwise, and dry there sooner."""
    odds: Annotated[float, Field(ge=0, le=1)] | None = None
    """How likely a finger was to find this, by the dates that were shown when it was logged; None: not known."""
    grams: Annotated[float, Field(ge=GRAMS_RANGE[0], le=GRAMS_RANGE[1])] | None = None
    """The piece with its support, whatever lies on the scale each time alike [g]."""
    resolution_g: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The scale's smallest step [g]: it counts as noise."""
    surface_c: Annotated[float, Field(ge=SURFACE_C_RANGE[0], le=SURFACE_C_RANGE[1])] | None = None
    """Temperature of the film's surface [°C]."""
    logged_at: Moment | None = None
    """None: not known."""
    logged_by: Name | None = None
    """Who says so, as far as it was told."""

    @model_validator(mode="after")
    def _holds_what_its_kind_is_about(self) -> Observation:
        held = {
            ObservationKind.FINGER: (self.finger,),
            ObservationKind.WEIGHING: (self.grams, self.resolution_g),
            ObservationKind.SURFACE: (self.surface_c,),
        }
        if any((value is not None) != (kind is self.kind) for kind, values in held.items() for value in values):
            raise ValueError(f"an observation of kind {self.kind.value!r} holds that and nothing else")
        return self


class Subject(StrEnum):
    """What is learned about and carries over to the next pour."""

    RECIPE = "recipe"
    PLACE = "place"


class Forgetting(Record):
    """A person's word that what was observed before `at` is to teach nothing more about a recipe or place."""

    subject: Subject
    name: Name
    at: Moment
