"""What was logged of a piece by a slip, taken back by its number: an observation, a step."""

from __future__ import annotations

from datetime import datetime

from curewatch.desk.commands import aftercare
from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import FactError
from curewatch.desk.part_desk_naming import nearest
from curewatch.desk.reports.cure_record import history
from curewatch.records.observations import Observation
from curewatch.records.workshop import StepDone


def undo_observation(desk: Desk, name: str, observation_id: int) -> Observation:
    """It was never so; what the piece taught by it is forgotten. FactError: no such observation of a piece here."""
    with desk.store.write() as tx:
        here = {piece.name: piece for piece in tx.pieces()}
        if name not in here:
            raise FactError("piece", name, nearest(name, list(here), "a piece here"))
        known = {one.id: one for one in tx.observations([here[name].id])}
        if observation_id not in known:
            numbers = ", ".join(map(str, known)) or "there is none"
            raise FactError("observation", str(observation_id), f"the number of one of {name}: {numbers}")
        tx.undo_observation(observation_id)
        mark_changed(tx)
    return known[observation_id]


def undo_step(desk: Desk, name: str, step_id: int, now: datetime) -> StepDone:
    """It was not done after all; it stays in the history. FactError unless it is the last that stands as done.

    Only the last: the steps after it were let through because it was done.
    """
    standing = [one for one in history(desk, name, now).steps if one.undone_at is None]
    if not standing or standing[-1].id != step_id:
        last = f"{standing[-1].id} ({standing[-1].step})" if standing else "none stands"
        raise FactError("step", str(step_id), f"the number of the last step of {name} that stands as done: {last}")
    return aftercare.undo(desk, name, now)
