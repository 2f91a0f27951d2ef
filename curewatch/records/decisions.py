"""What follows from facts: forecasts and checkpoints, derived, which may be deleted at any time and are rebuilt; and
decisions, each committed together with the notice it causes.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, field_validator

from curewatch.language import Words
from curewatch.records.facts import Moment, Name, Record


def _sentences(given: Any) -> Any:
    """A table's cell holds sentences as JSON, and text of before as it is."""
    if not (isinstance(given, str) and given.startswith('{"')):
        return given
    try:
        return json.loads(given)
    except ValueError:
        return given


Said = Annotated[Words, BeforeValidator(_sentences)]
"""What people are told: sentences with their values, made into text for each who reads; or text, of before."""


class MilestoneKind(StrEnum):
    """In the order they are reached."""

    SET = "set"
    TOUCH_DRY = "touch_dry"
    HANDLE = "handle"
    VARNISH_READY = "varnish_ready"

    @classmethod
    def _missing_(cls, value: object) -> MilestoneKind | None:
        """What stores, settings and exports of before say."""
        return cls.SET if value == "packed" else None


class Milestone(Record):
    """When one condition of the film begins to hold, as far as is known. A time is None where it is not foreseen."""

    kind: MilestoneKind
    early_at: Moment | None
    """10 % of the members are there."""
    worth_checking_at: Moment | None
    """50 %: even odds."""
    safe_at: Moment | None
    """90 %: safe to assume."""
    reason: Said | None = None
    """Why a time is None."""
    found_at: Moment | None = None
    """When a finger found it reached, where nobody could be sure of it before."""
    not_before: Moment | None = None
    """When a finger last found it not reached yet."""
    held: bool = False
    """A finger last found the piece tacky: there is no safe date before one finds otherwise."""
    never: float = 0.0
    """Share of the members that never get there in this air [0-1]: no odds are better than what is left."""
    likely_at: Moment | None = None
    """While it is held: 90 % by the model, for odds alone."""


class Forecast(Record):
    """What the model says of one piece, derived from facts and `made_at`."""

    piece_id: int
    made_at: Moment
    model_version: str
    fingerprint: str
    """Hash of every input; equal inputs give an equal forecast."""
    milestones: tuple[Milestone, ...] = ()
    reason: Said | None = None
    """Why there are no milestones (no reading of the room yet)."""
    film_temp_c: float | None = None
    """Film temperature at the room's newest reading, central member."""
    volatile_fraction: float | None = None
    """Water and glycol as a share of the film's volume at the newest reading, central member."""
    skin_gap_h: float | None = None
    """Central member: from touch-dry to handle, a skin over a softer core [h]."""
    usual_skin_gap_h: float | None = None
    """The same film's skin gap in still air at 21 °C, 50 % [h]."""
    crack_odds: float | None = None
    """That it cracks as it dries [0-1], by a rough measure."""
    data_until: Moment | None = None
    """The newest reading that went in."""
    readings_used: int = 0
    """How many moments of the room's record had settled by then; a change means that readings came late."""
    room_temp_c: float | None = None
    """Room temperature that the forecast takes to last [°C]."""
    room_rh_pct: float | None = None
    """Relative humidity that the forecast takes to last [%]."""

    def milestone(self, kind: MilestoneKind) -> Milestone | None:
        return next((one for one in self.milestones if one.kind is kind), None)


class Checkpoint(Record):
    """The members of one piece's ensemble as they were when the air up to `until` had gone by."""

    piece_id: int
    until: Moment
    """A whole hour; the record of the room had settled beyond it."""
    fingerprint: str
    """Hash of every fact that the states stand for: the model, the piece, what was learned, the air up to `until`."""
    centre: bytes
    """The state of the central film, as the studio packs it."""
    members: bytes
    """Those of the members, and what was seen of them at the moments of observations."""
    expected_s: tuple[float | None, ...]
    """When the central film was last foreseen to reach each milestone [s from the pour], None: not foreseen."""


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
    told_at: Moment | None = None
    """When people last heard that it is on."""
    at_stake: tuple[int, ...] | None = None
    """The pieces that it is known to put at risk, by number; None: not known."""
    told_harm_h: float = 0.0
    """How much harm it had done then, of all pieces in the room [h]."""
    text: Said = ""
    """Cause, consequence, what to do and by when, as of `raised_at`."""

    @property
    def is_active(self) -> bool:
        """Raised and not yet over (its off-delay included)."""
        return self.state in (AlarmState.ACTIVE, AlarmState.CLEARING)

    def endangers(self, piece_id: int) -> bool:
        """Whether this piece is among those at stake, as far as that is known."""
        return self.at_stake is None or piece_id in self.at_stake

    def is_muted(self, now: datetime) -> bool:
        """Whether nothing is told of it at `now`."""
        return self.muted_until is not None and now < self.muted_until

    @field_validator("at_stake", mode="before")
    @classmethod
    def _from_a_cell(cls, given: Any) -> Any:
        """A table holds the numbers as one text."""
        return given.split() if isinstance(given, str) else given


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
    """COLD: below the film-forming temperature while the film formed. FROST: below freezing while it was wet."""
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
    """`milestone`, `alarm`, `alarm_over`, `reminder`, `foreseen` (an alarm ahead), `battery` (a sensor's), `promise` (a
    date at risk, or no longer), `digest`
    (several at once), `catch_up` (several from before), `morning` (one person's work of the day), `backup` (none could
    be made), `devices` (more send than are heard) or `test`."""
    created_at: Moment
    title: Said
    text: Said
    urgent: bool = False
    expires_at: Moment | None = None
    piece_id: int | None = None
    room: str | None = None
    data: dict[str, Any] = Field(default_factory=dict)

    @property
    def is_withdrawn(self) -> bool:
        """Whether it was not so, or is not so any more: the store has given its key free (see `withdraw` there)."""
        return re.search(r"/withdrawn-\d+$", self.key) is not None


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
