"""What is kept of a piece's march through the air it has had: derived, may be dropped at any time, and is rebuilt."""

from __future__ import annotations

from curewatch.records.base import Moment, Record


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
