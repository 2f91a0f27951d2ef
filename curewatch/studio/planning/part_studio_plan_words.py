"""A plan and advice in words: whether there is time, and what a change of the room would do."""

from __future__ import annotations

from collections.abc import Sequence

from curewatch.studio import wording
from curewatch.studio.planning.planner import FAN_M_S, Advice, Change, Latest

FELT_H = 0.5
"""A milestone that moves by less is not worth a word [h]."""
FAN_RISK = (
    "A fan cools a wet film, perhaps below its film-forming temperature, which may crack it, and may draw a skin over "
    "a soft core."
)
"""What stands beside a fan where no piece is looked at: `advised` says it of one."""
FAN_CAUTION = "Keep a fan from blowing dust or drips across a wet face, and its lead off the wet floor."


def verdict(latest: Sequence[Latest]) -> str:
    """Whether a pour of now is in time, as the room is and as it could be: `There is time.`"""
    usual, changed = latest[0], latest[1:]
    if usual.safe_at is not None:
        return "There is time."
    best = max(changed, key=lambda one: one.odds_now)
    if usual.even_at is not None:
        said = f"Too late to be sure: poured now, it comes out in time in {usual.odds_now:.0%} of cases"
    else:
        said = f"Too late: poured now, it would be in time in {usual.odds_now:.0%} of cases"
    if best.odds_now > usual.odds_now + 0.05:
        said += f"; {best.change.name}, in {best.odds_now:.0%}"
    return said + "."


def advised(one: Advice) -> str | None:
    """What one change would do to a piece, risk and all; None where it moves nothing that is still ahead."""
    moved = [
        f"{wording.STAGES[kind]} {sooner(h)}" for kind, h in one.hours.items() if h is not None and abs(h) >= FELT_H
    ]
    moved += [f"{wording.STAGES[kind]} is reached at all" for kind in one.reached_only_so]
    if not moved:
        return None
    risks = []
    if one.risks_skin:
        risks.append(f"water leaves {one.rate_ratio:.1f} times as fast, a skin over a soft core; it may craze")
    if one.chills_to_c is not None:
        cold = f"it cools the film to {wording.number(one.chills_to_c, 1)} °C, below its film-forming temperature"
        risks.append(f"{cold}; it may crack")
    return f"{one.change.name}: {', '.join(moved)}{''.join(f'. Risk: {risk}' for risk in risks)}."


PLAN_CAUTION = f"{wording.HEATER_CAUTION} {FAN_RISK} {FAN_CAUTION}"
"""Beside the rooms that a plan offers: a warmer one, and one with a fan."""


def caution(change: Change) -> str | None:
    """The usual caution beside a change that takes a heater or a fan; None where it takes neither."""
    if change.warmer_k > 0:
        return wording.HEATER_CAUTION
    return FAN_CAUTION if change.air_speed == FAN_M_S else None


def sooner(hours: float) -> str:
    """`5 h sooner`, `3 d later`."""
    size = abs(hours)
    amount = f"{size / 24:.0f} d" if size >= 72 else f"{size:.0f} h" if size >= 9.5 else f"{size:.1f} h"
    return f"{amount} {'sooner' if hours < 0 else 'later'}"
