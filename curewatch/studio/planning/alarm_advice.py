# By itself: what a remedy comes to for a piece is no part of planning a pour, and desk/ is not where films are run.
"""What the one thing to do about a room would change for a piece at stake, and by how much: by the model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from curewatch.language import Joined, Message, Number, Words, phrase
from curewatch.records import MilestoneKind
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.scenarios import RoomScenarios
from curewatch.studio.planning import planner
from curewatch.studio.planning.planner import FELT_H, Advice, sooner
from curewatch.studio.wording import STAGES

CALMER = 0.95
"""A change calms the drying if water leaves less than so many times as fast at once [-]."""
_TOLD = (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)


def sentence(
    change: Change,
    pieces: Sequence[Drying],
    climates: Mapping[str, Climate],
    ahead: RoomScenarios | None,
    now: datetime,
) -> Words | None:
    """`By the model, for Heron, fan off: touch-dry 5 h later, water leaves 0.4 times as fast.` None: nothing felt.

    Of the `pieces` at stake it is for the one with the longest way to go, poured last."""
    drying = max(pieces, key=lambda drying: (drying.pour.at, drying.piece.id), default=None)
    if drying is None or drying.unread(climates) is not None:
        return None
    for one in planner.advice(drying, climates, ahead, now, [change]):
        if said := _effect(one):
            gain = phrase("By the model, for {piece}, {effect}.", piece=drying.piece.name, effect=said)
            return Joined((gain,), role="gain")
    return None


def _effect(one: Advice) -> Message | None:
    parts = [
        phrase("{stage} {sooner}", stage=STAGES[kind], sooner=sooner(hours))
        for kind in _TOLD
        if (hours := one.hours.get(kind)) is not None and abs(hours) >= FELT_H
    ]
    parts += [phrase("{stage} is reached at all", stage=STAGES[kind]) for kind in one.reached_only_so if kind in _TOLD]
    if parts and one.rate_ratio < CALMER:
        parts.append(phrase("water leaves {ratio} times as fast", ratio=Number(one.rate_ratio, 1)))
    if one.skin_gap_h is not None and one.skin_gap_now_h is not None:
        wider = one.skin_gap_h - one.skin_gap_now_h
        hours = round(abs(wider))
        if wider >= 1.0:
            parts.append(phrase("soft inside {hours} h longer", hours=hours))
        elif wider <= -1.0:
            parts.append(phrase("soft inside {hours} h less long", hours=hours))
    return phrase("{change}: {effects}", change=one.change.name, effects=Joined(tuple(parts), ", ")) if parts else None
