"""What is derived from facts, forecasts and checkpoints: may be deleted at any time, and is rebuilt."""

from __future__ import annotations

from enum import StrEnum

from curewatch.records.facts import Moment, Record


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
    found_at: Moment | None = None
    """When a finger found it reached, where nobody could be sure of it before."""
    not_before: Moment | None = None
    """When a finger last found it not reached yet."""


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
