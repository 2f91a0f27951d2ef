"""When to pour for a date, in the room as it usually is and as it could be: by the model, and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.language import Joined, Message, Words, joined, phrase
from curewatch.physics.air import Array
from curewatch.physics.ensemble import Pouring
from curewatch.physics.milestones import HOLD_S, MILESTONES
from curewatch.records import Forecast, MilestoneKind
from curewatch.studio import wording
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.simulation import DryingProblem, simulate
from curewatch.studio.inference.posterior import Posterior
from curewatch.studio.outlook.scenarios import RoomScenarios
from curewatch.studio.planning.advice import SOON_S, AtOnce, at_once, cautions, changed, risks

EVEN, SAFE = 0.5, 0.9
MOMENTS = 13
"""Pours tried between now and the due date; between them the odds are taken as linear."""
MEMBERS = 64
AS_IT_IS = Change(phrase("as it usually is"))


@dataclass(frozen=True)
class Latest:
    """When a pour is still in time, in one kind of room."""

    change: Change
    even_at: datetime | None
    """The latest moment at even odds; None: too late already."""
    safe_at: datetime | None
    """The latest moment at 90 %; None: too late already."""
    odds_now: float
    """That a pour of now is in time [0-1]."""
    crack_odds: float
    """That a pour of now cracks [0-1], by a rough measure."""
    at_once: AtOnce = field(default_factory=AtOnce)
    """What the change does to a pour of now within a minute."""


def latest(
    pouring: Pouring, climate: Climate, future: RoomScenarios | None, due: datetime, now: datetime, kind: MilestoneKind,
    could: Sequence[Change], limits: Limits, posterior: Posterior | None = None,
) -> list[Latest]:  # fmt: skip
    """The latest moments to pour so that the milestone is reached by `due`: in the room as it usually is, and as it
    `could` be changed.

    `future` has `MEMBERS` members; without one the room stays as it was last read.
    """
    span = (due - now).total_seconds()
    # closer together towards the due date: there the odds fall
    since = span * (1 - (1 - np.linspace(0.0, 1.0, MOMENTS, endpoint=False)) ** 1.5)
    found, some = [], (AS_IT_IS, *could)
    last = climate.time_s[-1:], climate.temp_c[-1:], climate.rh_pct[-1:]
    fresh = DryingProblem(pouring, now.timestamp(), last, future, SOON_S)
    rooms = [changed(fresh, change, now, MEMBERS, str(change.name)) for change in some]
    soon = at_once(pouring, posterior, rooms, 0.0, some, limits)
    for change, first in zip(some, soon, strict=True):
        odds, cracks = _odds(pouring, climate, future, change, now.timestamp() + since, due, kind, posterior)
        even, safe = (_last(since, odds, at_least) for at_least in (EVEN, SAFE))
        found.append(
            Latest(
                change=change,
                even_at=None if even is None else now + timedelta(seconds=even),
                safe_at=None if safe is None else now + timedelta(seconds=safe),
                odds_now=float(odds[0]),
                crack_odds=cracks,
                at_once=first,
            )
        )
    return found


def _odds(
    pouring: Pouring, climate: Climate, future: RoomScenarios | None, change: Change, poured_s: Array, due: datetime,
    kind: MilestoneKind, posterior: Posterior | None,
) -> tuple[Array, float]:  # fmt: skip
    """That pours at `poured_s` are in time for `due`, and that the first of them cracks [0-1]."""
    row = MILESTONES.index(kind.value)
    pouring = replace(pouring, air_speed=float(change.speed(pouring.air_speed)))
    temp, rh = change.of(climate.temp_c[-1:], climate.rh_pct[-1:])
    ahead = None if future is None else RoomScenarios(future.time_s, *change.of(future.temp_c, future.rh_pct))
    left = due.timestamp() - poured_s
    problems = [
        DryingProblem(
            pouring,
            at,
            (np.array([at]), temp, rh),
            ahead,
            span + HOLD_S[row, 0] + 60.0,
            posterior,
            room=str(change.name),
        )
        for at, span in zip(poured_s.tolist(), left.tolist(), strict=True)
    ]
    found = simulate(problems, MEMBERS)
    return np.asarray((found.reached_s[row, :, 1:] <= left[:, None]).mean(axis=1)), found.cracks(0, None)


def _last(since: Array, odds: Array, at_least: float) -> float | None:
    """The latest time at which the odds are still `at_least`; None: not even at the first."""
    enough = np.flatnonzero(odds >= at_least)
    if not len(enough):
        return None
    i = int(enough[-1])
    if i + 1 == len(since):
        return float(since[i])
    share = (odds[i] - at_least) / max(odds[i] - odds[i + 1], 1e-9)
    return float(since[i] + share * (since[i + 1] - since[i]))


@dataclass(frozen=True)
class Place:
    """A place that a piece lies on, and when it frees: once the piece can be moved."""

    place: str | None
    piece: str
    even_at: datetime | None
    safe_at: datetime | None
    """None: not foreseen."""
    held: bool = False
    """A finger last found the piece tacky: nobody knows when the place is free."""


def places(dryings: Sequence[Drying], forecasts: Mapping[int, Forecast], room: str) -> list[Place]:
    """The room's occupied places, the first to free first."""
    found = []
    for drying in dryings:
        if drying.room == room:
            forecast = forecasts.get(drying.piece.id)
            handle = forecast.milestone(MilestoneKind.HANDLE) if forecast else None
            dates = (handle.worth_checking_at, handle.safe_at) if handle else (None, None)
            held = handle is not None and handle.held
            found.append(Place(drying.place, drying.piece.name, *dates, held=held))
    never = datetime.max.replace(tzinfo=UTC)
    return sorted(found, key=lambda one: (one.safe_at or never, one.even_at or never, one.piece))


def verdict(latest: Sequence[Latest]) -> Words:
    """Whether a pour of now is in time, as the room is and as it could be: `There is time.`"""
    usual, changed = latest[0], latest[1:]
    if usual.safe_at is not None:
        return phrase("There is time.")
    in_time = sorted((one for one in changed if one.safe_at is not None), key=lambda one: one.crack_odds)
    best = max(changed, key=lambda one: one.odds_now)
    odds = wording.percent(usual.odds_now)
    said = phrase("Too late as the room usually is: poured now, it is in time in {odds} of cases.", odds=odds)
    if usual.even_at is not None:
        said = phrase(
            "Too late to be sure as the room usually is: poured now, it is in time in {odds} of cases.", odds=odds
        )
    named = Joined(tuple(_named(one, usual) for one in in_time or [best]), "; ")
    if in_time:
        return joined(said, phrase("In time: {changes}.", changes=named))
    return joined(said, phrase("Better: {changes}.", changes=named)) if best.odds_now > usual.odds_now + 0.05 else said


def _named(one: Latest, usual: Latest) -> Message:
    """`3 °C warmer, 94 %`, and where it cracks more than as the room usually is, that too."""
    cracks, usually = wording.percent(one.crack_odds), wording.percent(usual.crack_odds)
    if one.crack_odds > usual.crack_odds and cracks != usually:
        return phrase(
            "{change}, {odds}, but it cracks in {cracks} of cases, {usually} as the room usually is",
            change=one.change.name,
            odds=wording.percent(one.odds_now),
            cracks=cracks,
            usually=usually,
        )
    return phrase("{change}, {odds}", change=one.change.name, odds=wording.percent(one.odds_now))


def to_come(*, days_known: bool) -> Message:
    """What a plan takes the room's air to be from its last reading on."""
    if days_known:
        return phrase("what is to come is taken from its usual days")
    return phrase("its usual days are not known yet, so what is to come is guessed from less than a day of readings")


def weigh(kind: MilestoneKind, usual: Latest, due: datetime) -> Message | None:
    """What to do where it is not known nearly enough when the pieces of a plan will be ready for varnish."""
    if kind is not MilestoneKind.VARNISH_READY or usual.even_at is None:
        return None
    return wording.weigh(due - usual.even_at, None if usual.safe_at is None else due - usual.safe_at)


def warnings(latest: Sequence[Latest]) -> Words:
    """What each change in a plan does to the film, and the usual caution beside it: nothing of what does no harm."""
    harm = [
        phrase("{change}: {risks}.", change=one.change.name, risks=Joined(tuple(found), "; "))
        for one in latest
        if (found := risks(one.at_once))
    ]
    return joined(*harm, *cautions(one.change for one in latest))
