# By itself: what a remedy comes to for a piece is no part of planning a pour, and desk/ is not where films are run.
"""What the one thing to do about a room would change for a piece at stake, and by how much: by the model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from curewatch.records import MilestoneKind
from curewatch.studio import wording
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.scenarios import RoomScenarios
from curewatch.studio.planning import planner
from curewatch.studio.planning.planner import FELT_H, Advice, sooner

CALMER = 0.95
"""A change calms the drying if water leaves less than so many times as fast at once [-]."""
_TOLD = (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)


def sentence(
    change: Change,
    pieces: Sequence[Drying],
    climates: Mapping[str, Climate],
    ahead: RoomScenarios | None,
    now: datetime,
) -> str | None:
    """`By the model, for Heron, fan off: touch-dry 5 h later, water leaves 0.4 times as fast.` None: nothing felt.

    Of the `pieces` at stake it is for the one with the longest way to go, poured last."""
    drying = max(pieces, key=lambda drying: (drying.pour.at, drying.piece.id), default=None)
    if drying is None or drying.unread(climates) is not None:
        return None
    for one in planner.advice(drying, climates, ahead, now, [change]):
        if said := _effect(one):
            return f"By the model, for {drying.piece.name}, {said}."
    return None


def _effect(one: Advice) -> str | None:
    parts = [
        f"{wording.STAGES[kind]} {sooner(hours)}"
        for kind in _TOLD
        if (hours := one.hours.get(kind)) is not None and abs(hours) >= FELT_H
    ]
    parts += [f"{wording.STAGES[kind]} is reached at all" for kind in one.reached_only_so if kind in _TOLD]
    if parts and one.rate_ratio < CALMER:
        parts.append(f"water leaves {one.rate_ratio:.1f} times as fast")
    if one.skin_gap_h is not None and one.skin_gap_now_h is not None:
        wider = one.skin_gap_h - one.skin_gap_now_h
        longer = "longer" if wider > 0 else "less long"
        parts += [f"soft inside {abs(wider):.0f} h {longer}"] if abs(wider) >= 1.0 else []
    return f"{one.change.name}: {', '.join(parts)}" if parts else None
