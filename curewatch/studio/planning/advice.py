"""What could be done about a room's air, and what each of it would make of a piece there: one computation for the
piece's page, its promise, a plan and the alarms. The changed room is forecast as the room is, with the same members.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import NormalDist

import numpy as np

from curewatch.language import Difference, Joined, Message, Number, Percent, Temperature, When, Words, joined, phrase
from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, AirSeries, Array
from curewatch.physics.ensemble import Outcome, Pouring, films_at
from curewatch.physics.evaporation import Balance
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator
from curewatch.records import AlarmKind, Milestone, MilestoneKind
from curewatch.studio import standing, wording
from curewatch.studio.air.climate import Air, Change, Climate, warmed_to
from curewatch.studio.alarms.conditions import AS_IT_IS, HASTE_ODDS, Limits, film_hastes
from curewatch.studio.forecasting import batch, forecast
from curewatch.studio.forecasting.drying import BLOWN_M_S, Drying
from curewatch.studio.forecasting.simulation import DryingProblem, simulate
from curewatch.studio.inference.posterior import Posterior, deviates
from curewatch.studio.outlook.scenarios import RoomScenarios
from curewatch.studio.wording import STAGES

MEMBERS, DAYS = 64, 120
"""As a forecast has where the settings say nothing."""
WARMER_K, DRIER_PCT, FAN_M_S = 3.0, 10.0, 1.0
FELT_K, FELT_H = 0.2, 0.5
"""A film cooled by less, and a milestone moved by less, is not worth a word."""
CALMER = 0.95
"""A change calms the drying if water leaves less than so many times as fast at once [-]."""
SOON_S = 60.0
FAN = Change(phrase("with a fan on it"), air_speed=FAN_M_S)


def changes(temp_c: float, limits: Limits, *, heated: bool = True, advised: Change | None = None) -> tuple[Change, ...]:
    """What can be done about a room that is at `temp_c`: what its alarms ask for (`advised`), and nothing that would
    undo it; else what is usual. One too cold for paint is warmed to where it is not."""
    found = [] if advised is None else [advised]
    enough = limits.warm_enough_c(AlarmKind.COLD)
    if heated and not (advised and advised.heats):
        by = Difference(WARMER_K)
        cold = temp_c + WARMER_K < enough
        found.append(warmed_to(enough) if cold else Change(phrase("{by} warmer", by=by), warmer_k=WARMER_K))
    if not (advised and (advised.dries or advised.calms)):
        found.append(Change(phrase("{by} drier", by=Percent(DRIER_PCT, of="%RH")), drier_pct=DRIER_PCT))
    if not (advised and advised.calms):
        found.append(FAN)
    return tuple(found)


@dataclass(frozen=True)
class AtOnce:
    """What a change does to a wet film within a minute, by its central one."""

    rate_ratio: float = 1.0
    """How much faster water leaves [-]."""
    too_fast: bool = False
    """It dries from its skin inwards then, by what the alarm of that goes by."""
    chills_to_c: float | None = None
    """Its temperature then [°C], where the change cools it and that is below its film-forming one."""
    cold_already: bool = False
    """It was below that before."""


@dataclass(frozen=True)
class Advice:
    """What a change from now on would do to a piece."""

    change: Change
    hours: Mapping[MilestoneKind, float | None]
    """Change of each milestone that is still ahead [h], at even odds, below zero sooner; None: not foreseen in one of
    the two."""
    reached_only_so: tuple[MilestoneKind, ...]
    """Milestones that are foreseen, at even odds, with the change and not without it."""
    of_ten: Mapping[MilestoneKind, tuple[int, int]]
    """How many of ten such films get there as far as one looks, without and with the change."""
    within_days: Mapping[MilestoneKind, int]
    """How far was looked, where that is what keeps some of them from it."""
    milestones: tuple[Milestone, ...]
    """With the change."""
    skin_gap_h: float | None
    """A skin over a softer core, with the change [h]."""
    skin_gap_now_h: float | None
    at_once: AtOnce

    @property
    def rate_ratio(self) -> float:
        return self.at_once.rate_ratio

    @property
    def chills_to_c(self) -> float | None:
        return self.at_once.chills_to_c

    @property
    def risks_skin(self) -> bool:
        """Whether the film would dry from its skin inwards."""
        return self.at_once.too_fast

    def milestone(self, kind: MilestoneKind) -> Milestone:
        return next(one for one in self.milestones if one.kind is kind)


def advice(
    drying: Drying,
    climates: Mapping[str, Climate],
    future: RoomScenarios | None,
    now: datetime,
    could: Sequence[Change],
    limits: Limits,
    days: int = DAYS,
) -> list[Advice]:
    """What each change that `could` be made would do to the piece from now on; nothing where its air is not known.

    `future`: of its room, whose members are those of the forecast; None: the room stays as it was last read.
    """
    task = forecast.task_of(drying, climates, now, MEMBERS if future is None else len(future.temp_c) - 1, days, future)
    if task is None:
        return []
    some = (AS_IT_IS, *could)
    problems = [changed(task.problem, change, now, task.members, f"{k}") for k, change in enumerate(some)]
    found = simulate(problems, task.members)
    outcomes = [standing.conditioned(found.members(k), task.found, task.poured_at) for k in range(len(some))]
    foreseen = [
        tuple(
            standing.held(batch.milestone(kind, one, task.poured_at, task.days), task.found) for kind in MilestoneKind
        )
        for one in outcomes
    ]
    age_s = max(0.0, (now - drying.pour.at).total_seconds())
    soon = at_once(drying.pouring, drying.posterior, problems, age_s, some, limits)
    return [
        _advice(change, foreseen[0], foreseen[k], outcomes[0], outcomes[k], soon[k], task.days, now)
        for k, change in enumerate(some)
        if k
    ]


def changed(problem: DryingProblem, change: Change, now: datetime, members: int, name: str) -> DryingProblem:
    """The same piece in a room that is another from `now` on."""
    ahead = problem.future
    if ahead is None:
        last = [np.full((1 + members, 1), float(values[-1])) for values in problem.air[1:]]
        ahead = RoomScenarios(problem.air[0][-1:], last[0], last[1])
    at = max(now.timestamp(), float(ahead.time_s[0]), problem.poured_s)
    times = np.union1d(ahead.time_s, [at, at + 1.0])
    temp, rh = (
        np.array([np.interp(times, ahead.time_s, row) for row in rows]) for rows in (ahead.temp_c, ahead.rh_pct)
    )
    warm, left = change.of(temp, rh)
    later = times > at
    future = RoomScenarios(times, np.where(later, warm, temp), np.where(later, left, rh))
    pouring, speed = problem.pouring, float(change.speed(problem.pouring.last_air_speed))
    if speed != pouring.last_air_speed:
        pouring = replace(pouring, turns=(*pouring.turns, (at - problem.poured_s, speed)))
    return replace(problem, pouring=pouring, future=future, room=name, sample_s=None, checkpoint_s=None)


def at_once(
    pouring: Pouring, posterior: Posterior | None, problems: Sequence[DryingProblem], age_s: float,
    some: Sequence[Change], limits: Limits,
) -> list[AtOnce]:  # fmt: skip
    """What each change does within a minute to a film of that age: `problems` are of the rooms so changed, the first
    one as it is."""
    films = films_at([one.pouring for one in problems], np.concatenate([deviates(posterior, 0), _blown(posterior)]))
    soon = np.array([age_s + SOON_S])
    series = AirSeries.from_celsius([_central(one) for one in problems], problems[0].poured_s)
    state, samples = integrator.integrate(
        films, series, np.repeat(np.arange(len(some)), 2), float(soon[0]), sample_at=soon, stop_when_ready=False,
        rtol=integrator.FINE[0], atol=integrator.FINE[1],
    )  # fmt: skip
    split = (len(some), 2)
    rates, film_ks = (samples[name][0].reshape(split) for name in ("rate", "film_temperature"))
    wet = np.isinf(state.reached[MILESTONES.index("touch_dry")]).reshape(split)[:, 0]
    side, h_back = (np.full(split, x) for x in (pouring.side, pouring.h_back))
    hastes = film_hastes(Balance(film_ks, rates, rates, rates), films.solids_m.reshape(split), side, h_back, limits)
    in_draught = [one.pouring.last_air_speed > BLOWN_M_S for one in problems]
    hasty = wet & (np.where(in_draught, hastes[:, 1], hastes[:, 0]) > 1.0)
    rate, film_k, mfft = rates[:, 0], film_ks[:, 0], films.mfft.reshape(split)[:, 0]
    chilled = wet & (film_k < mfft) & (film_k < film_k[0] - FELT_K)
    return [
        AtOnce(
            rate_ratio=float(rate[k] / rate[0]) if rate[0] > 0 else 1.0,
            too_fast=bool(hasty[k] and rate[k] > rate[0]),
            chills_to_c=float(film_k[k]) - ZERO_C if chilled[k] else None,
            cold_already=bool(film_k[0] < mfft[0]),
        )
        for k in range(len(some))
    ]


def _blown(posterior: Posterior | None) -> Array:
    """The central film, where air blows on it as hard as the alarm of too fast allows for."""
    z, column = deviates(posterior, 0).copy(), ensemble.SPREADS.index("air_speed")
    sd = 1.0 if posterior is None else math.sqrt(posterior.belief.cov[column, column])
    z[:, column] += sd * NormalDist().inv_cdf(1.0 - HASTE_ODDS)
    return z


def _central(problem: DryingProblem) -> Air:
    """The air had, and the middle of the air to come."""
    ahead = problem.future
    assert ahead is not None  # it was changed
    later = ahead.time_s > problem.air[0][-1]
    rows = (ahead.time_s, ahead.temp_c[0], ahead.rh_pct[0])
    time, temp, rh = (np.concatenate([had, row[later]]) for had, row in zip(problem.air, rows, strict=True))
    return time, temp, rh


def _advice(
    change: Change, was: Sequence[Milestone], so: Sequence[Milestone], without: Outcome, with_it: Outcome,
    soon: AtOnce, days: int, now: datetime,
) -> Advice:  # fmt: skip
    pairs = [
        (a.kind, a.worth_checking_at, b.worth_checking_at)
        for a, b in zip(was, so, strict=True)
        if a.found_at is None and (a.worth_checking_at is None or a.worth_checking_at > now)
    ]
    late = ("not_yet" in (without.hindrance_of(kind.value), with_it.hindrance_of(kind.value)) for kind, *_ in pairs)
    return Advice(
        change=change,
        hours={kind: None if a is None or b is None else _hours(a, b) for kind, a, b in pairs},
        reached_only_so=tuple(kind for kind, a, b in pairs if a is None and b is not None),
        of_ten={kind: (_of_ten(without, kind), _of_ten(with_it, kind)) for kind, *_ in pairs},
        within_days={kind: days for (kind, *_), is_late in zip(pairs, late, strict=True) if is_late},
        milestones=tuple(so),
        skin_gap_h=_gap_h(with_it),
        skin_gap_now_h=_gap_h(without),
        at_once=soon,
    )


def _hours(one: datetime, other: datetime) -> float:
    return (other - one).total_seconds() / 3600


def _of_ten(outcome: Outcome, kind: MilestoneKind) -> int:
    return 10 - batch.never_of_ten(outcome.never(kind.value))


def _gap_h(outcome: Outcome) -> float | None:
    """From touch-dry to dry through, at even odds [h]."""
    skin, through = (outcome.at(kind.value, (0.5,))[0] for kind in (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE))
    return (through - skin) / 3600 if math.isfinite(skin) and math.isfinite(through) else None


# --- In words ---------------------------------------------------------------------------------------------------------


def advised(one: Advice) -> Words | None:
    """What one change would do to a piece, risk and all; None where it moves nothing that is still ahead."""
    moved = _moved(one, MilestoneKind)
    if not moved:
        return None
    said = phrase("{change}: {effects}", change=one.change.name, effects=Joined(tuple(moved), ", "))
    return joined(*(phrase("{sentence}.", sentence=part) for part in (said, *risks(one.at_once))))


def _moved(one: Advice, kinds: Iterable[MilestoneKind]) -> list[Message]:
    """`touch-dry 5 h sooner`, `dry to handle in 9 of 10 such films, 2 as it is`."""
    found = []
    for kind in kinds:
        hours, (without, with_it) = one.hours.get(kind), one.of_ten.get(kind, (0, 0))
        stage = STAGES[kind]
        if hours is not None and abs(hours) >= FELT_H:
            found.append(phrase("{stage} {sooner}", stage=stage, sooner=sooner(hours)))
        elif hours is None and with_it != without:
            within = one.within_days.get(kind)
            if within is None:
                said = phrase("{stage} in {n} of 10 such films, {m} as it is", stage=stage, n=with_it, m=without)
            else:
                said = phrase("{stage} within {days} days in {n} of 10 such films, {m} as it is", stage=stage,
                              days=within, n=with_it, m=without)  # fmt: skip
            found.append(said)
    return found


def risks(one: AtOnce) -> list[Message]:
    """What a change might do to the film; nothing where it is harmless."""
    found = []
    if one.too_fast:
        ratio = Number(one.rate_ratio, 1)
        found.append(
            phrase("Risk: water leaves {ratio} times as fast, a skin over a soft core; it may craze", ratio=ratio)
        )
    if one.chills_to_c is not None:
        temp = Temperature(one.chills_to_c, 1)
        said = phrase("Risk: it cools the film to {temp}, below its film-forming temperature; it may crack", temp=temp)
        if one.cold_already:
            said = phrase("Risk: the film is too cold as it is, and this cools it to {temp}; it may crack", temp=temp)
        found.append(said)
    return found


FAN_CAUTION = phrase("Keep a fan from blowing dust or drips across a wet face, and its lead off the wet floor.")


def caution(change: Change) -> Message | None:
    """The usual caution beside a change that takes a heater or a fan; None where it takes neither."""
    if change.heats:
        return wording.HEATER_CAUTION
    return FAN_CAUTION if change.blows else None


def cautions(some: Iterable[Change]) -> list[Message]:
    """As `caution`, of several, each once."""
    return list(dict.fromkeys(filter(None, map(caution, some))))


def sooner(hours: float) -> Message:
    """`5 h sooner`, `3 d later`."""
    size = abs(hours)
    amount = phrase("{hours} h", hours=Number(size, 0 if size >= 9.5 else 1))
    if size >= 72:
        amount = phrase("{n} d", n=round(size / 24))
    return phrase("{span} sooner", span=amount) if hours < 0 else phrase("{span} later", span=amount)


# --- For an alarm -----------------------------------------------------------------------------------------------------


def of_longest(pieces: Iterable[Drying]) -> Drying | None:
    """Of the pieces at stake the one with the longest way to go, poured last."""
    return max(pieces, key=lambda drying: (drying.pour.at, drying.piece.id), default=None)


def gain(one: Advice, piece: str, now: datetime) -> Words | None:
    """`By the model, for Heron, fan off from Mon 30 Nov 21:28 on: touch-dry 5 h later, water leaves 0.4 times as
    fast.` None: nothing felt."""
    parts = _moved(one, (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE))
    if parts and one.rate_ratio < CALMER:
        parts.append(phrase("water leaves {ratio} times as fast", ratio=Number(one.rate_ratio, 1)))
    if one.skin_gap_h is not None and one.skin_gap_now_h is not None:
        wider = one.skin_gap_h - one.skin_gap_now_h
        hours = round(abs(wider))
        if wider >= 1.0:
            parts.append(phrase("soft inside {hours} h longer", hours=hours))
        elif wider <= -1.0:
            parts.append(phrase("soft inside {hours} h less long", hours=hours))
    if not parts:
        return None
    return Joined(
        (
            phrase("By the model, for {piece}, {change} from {at} on: {effects}.", piece=piece,
                   change=one.change.name, at=When(now, now), effects=Joined(tuple(parts), ", ")),
        ),
        role="gain",
    )  # fmt: skip
