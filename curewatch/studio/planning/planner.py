"""When to pour for a date, and what a warmer, drier or windier room would change: by the model, and in words."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from curewatch.language import Difference, Joined, Message, Number, Percent, Temperature, Words, joined, phrase
from curewatch.physics.air import ZERO_C, AirSeries, Array
from curewatch.physics.ensemble import Pouring, films_at
from curewatch.physics.milestones import HOLD_S, MILESTONES
from curewatch.physics.solver import integrator
from curewatch.records import Forecast, MilestoneKind
from curewatch.studio import wording
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.simulation import DryingProblem, simulate
from curewatch.studio.inference.posterior import Posterior, deviates
from curewatch.studio.outlook.scenarios import RoomScenarios

EVEN, SAFE = 0.5, 0.9
MOMENTS = 13
"""Pours tried between now and the due date; between them the odds are taken as linear."""
MEMBERS = 64
WARMER_K, DRIER_PCT, FAN_M_S = 3.0, 10.0, 1.0
FELT_K = 0.2
"""A film cooled by less is not worth a word [K]."""
ADVICE_DAYS = 240


AS_IT_IS = Change(phrase("as it usually is"))
CHANGES = (
    Change(phrase("{by} warmer", by=Difference(WARMER_K)), warmer_k=WARMER_K),
    Change(phrase("{by} drier", by=Percent(DRIER_PCT, of="%RH")), drier_pct=DRIER_PCT),
    Change(phrase("with a fan on it"), air_speed=FAN_M_S),
)


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


def latest(
    pouring: Pouring, climate: Climate, future: RoomScenarios | None, due: datetime, now: datetime, kind: MilestoneKind,
    posterior: Posterior | None = None,
) -> list[Latest]:  # fmt: skip
    """The latest moments to pour so that the milestone is reached by `due`: in the room as it usually is, and changed.

    `future` has `MEMBERS` members; without one the room stays as it was last read.
    """
    span = (due - now).total_seconds()
    # closer together towards the due date: there the odds fall
    since = span * (1 - (1 - np.linspace(0.0, 1.0, MOMENTS, endpoint=False)) ** 1.5)
    found = []
    for change in (AS_IT_IS, *CHANGES):
        odds, cracks = _odds(pouring, climate, future, change, now.timestamp() + since, due, kind, posterior)
        even, safe = (_last(since, odds, at_least) for at_least in (EVEN, SAFE))
        found.append(
            Latest(
                change=change,
                even_at=None if even is None else now + timedelta(seconds=even),
                safe_at=None if safe is None else now + timedelta(seconds=safe),
                odds_now=float(odds[0]),
                crack_odds=cracks,
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
class Advice:
    """What a change from now on would do to a piece, by its central film."""

    change: Change
    hours: Mapping[MilestoneKind, float | None]
    """Change of each milestone that is still ahead [h], below zero sooner; None: one of the two is not foreseen."""
    reached_only_so: tuple[MilestoneKind, ...]
    """Milestones that are foreseen with the change and not without it."""
    skin_gap_h: float | None
    """A skin over a softer core, with the change [h]."""
    skin_gap_now_h: float | None
    rate_ratio: float
    """How much faster water leaves at once [-]: a strong early rate is what crazes."""
    chills_to_c: float | None = None
    """The wet film's temperature with the change [°C], where the change cools it below its film-forming one."""

    @property
    def risks_skin(self) -> bool:
        """Whether the skin forms markedly earlier before the core, or much faster, than if nothing is done."""
        if self.skin_gap_h is None or self.skin_gap_now_h is None:
            return False
        touch = self.hours.get(MilestoneKind.TOUCH_DRY)
        sooner = touch is not None and touch < -1.0
        return sooner and (self.skin_gap_h > 1.1 * self.skin_gap_now_h + 0.5 or self.rate_ratio > 1.5)


def advice(
    drying: Drying,
    climates: Mapping[str, Climate],
    future: RoomScenarios | None,
    now: datetime,
    could: Sequence[Change] = CHANGES,
) -> list[Advice]:
    """What each change that `could` be made would do to the piece from now on; nothing where its air is not known."""
    air = drying.air(climates)
    if air is None:
        return []
    poured_s = drying.pour.at.timestamp()
    age_s = max(0.0, now.timestamp() - poured_s)
    changes = (AS_IT_IS, *could)
    z = deviates(drying.posterior, 0)
    films = films_at([drying.pouring] * len(changes), z)
    rooms = np.arange(len(changes))
    past = AirSeries.from_celsius([air] * len(changes), poured_s)
    state, _ = integrator.integrate(
        films, past, rooms, age_s, rtol=integrator.FINE[0], atol=integrator.FINE[1], stop_when_ready=False
    )
    as_it_is = float(films.air_speed_at(state.t)[0])
    with_air_speed = films.with_air_speed(np.array([float(c.speed(as_it_is)) for c in changes]))
    ahead = AirSeries([_onwards(c, air, future, poured_s, age_s) for c in changes])
    soon = np.array([age_s + 60.0])
    state.step = np.minimum(state.step, 60.0)  # the air has changed: the step's memory is worth little
    until = age_s + ADVICE_DAYS * 86400.0
    end, samples = integrator.integrate(
        with_air_speed,
        ahead,
        rooms,
        until,
        state=state,
        sample_at=soon,
        rtol=integrator.FINE[0],
        atol=integrator.FINE[1],
    )
    hours, rates = end.reached / 3600, samples["rate"][0]
    reached = drying.standing(now).by
    told = [
        _advice(change, hours[:, [0, i + 1]], age_s / 3600, rates[[0, i + 1]], reached)
        for i, change in enumerate(could)
    ]
    film_k = samples["film_temperature"][0]
    chilled = (film_k < films.mfft) & (film_k < film_k[0] - FELT_K)
    return [
        replace(one, chills_to_c=float(film_k[i]) - ZERO_C)
        if chilled[i] and MilestoneKind.TOUCH_DRY in (*one.hours, *one.reached_only_so)
        else one
        for i, one in enumerate(told, 1)
    ]


def _onwards(
    change: Change, air: tuple[Array, Array, Array], future: RoomScenarios | None, poured_s: float, age_s: float
) -> tuple[Any, Any, Any]:
    """The changed room from now on, in the model's terms: the middle of its future, or as last read."""
    if future is None:
        times, temp, rh = np.array([age_s]), air[1][-1:], air[2][-1:]
    else:
        times, temp, rh = future.time_s - poured_s, future.temp_c[0], future.rh_pct[0]
    warm, left = change.of(temp, rh)
    return times, warm + ZERO_C, left / 100


def _advice(change: Change, hours: Array, age_h: float, rates: Array, reached: Collection[MilestoneKind]) -> Advice:
    """`hours`: (4, 2) [h], without and with the change; `rates`: of water leaving, likewise; `reached`: as found."""
    ahead = [
        (kind, *hours[i]) for i, kind in enumerate(MilestoneKind) if not hours[i, 0] <= age_h and kind not in reached
    ]
    skin, through = hours[MILESTONES.index("touch_dry")], hours[MILESTONES.index("handle")]
    gap_now, gap = (
        float(end - begin) if math.isfinite(begin) and math.isfinite(end) else None
        for begin, end in zip(skin, through, strict=True)
    )
    return Advice(
        change=change,
        hours={k: float(b - a) if math.isfinite(a) and math.isfinite(b) else None for k, a, b in ahead},
        reached_only_so=tuple(k for k, a, b in ahead if math.isinf(a) and math.isfinite(b)),
        skin_gap_h=gap,
        skin_gap_now_h=gap_now,
        rate_ratio=float(rates[1] / rates[0]) if rates[0] > 0 else 1.0,
    )


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


FELT_H = 0.5
"""A milestone that moves by less is not worth a word [h]."""
FAN_RISK = phrase(
    "A fan cools a wet film, maybe below its film-forming temperature, which may crack it, and may draw a skin over "
    "a soft core."
)
"""What stands beside a fan where no piece is looked at: `advised` says it of one."""
FAN_CAUTION = phrase("Keep a fan from blowing dust or drips across a wet face, and its lead off the wet floor.")


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


def advised(one: Advice) -> Words | None:
    """What one change would do to a piece, risk and all; None where it moves nothing that is still ahead."""
    moved = [
        phrase("{stage} {sooner}", stage=wording.STAGES[kind], sooner=sooner(h))
        for kind, h in one.hours.items()
        if h is not None and abs(h) >= FELT_H
    ]
    moved += [phrase("{stage} is reached at all", stage=wording.STAGES[kind]) for kind in one.reached_only_so]
    if not moved:
        return None
    said = phrase("{change}: {effects}", change=one.change.name, effects=Joined(tuple(moved), ", "))
    return joined(*(phrase("{sentence}.", sentence=part) for part in (said, *risks(one))))


def risks(one: Advice) -> list[Message]:
    """What a change might do to the film; nothing where it is harmless."""
    found = []
    if one.risks_skin:
        ratio = Number(one.rate_ratio, 1)
        found.append(
            phrase("Risk: water leaves {ratio} times as fast, a skin over a soft core; it may craze", ratio=ratio)
        )
    if one.chills_to_c is not None:
        temp = Temperature(one.chills_to_c, 1)
        found.append(
            phrase("Risk: it cools the film to {temp}, below its film-forming temperature; it may crack", temp=temp)
        )
    return found


PLAN_CAUTION = joined(wording.HEATER_CAUTION, FAN_RISK, FAN_CAUTION)
"""Beside the rooms that a plan offers: a warmer one, and one with a fan."""


def caution(change: Change) -> Message | None:
    """The usual caution beside a change that takes a heater or a fan; None where it takes neither."""
    if change.warmer_k > 0:
        return wording.HEATER_CAUTION
    return FAN_CAUTION if change.air_speed == FAN_M_S else None


def sooner(hours: float) -> Message:
    """`5 h sooner`, `3 d later`."""
    size = abs(hours)
    amount = phrase("{hours} h", hours=Number(size, 0 if size >= 9.5 else 1))
    if size >= 72:
        amount = phrase("{n} d", n=round(size / 24))
    return phrase("{span} sooner", span=amount) if hours < 0 else phrase("{span} later", span=amount)
