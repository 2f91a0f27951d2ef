"""An estimate: one film in one air, without a store; and what it should be read with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from curewatch.language import Message, Number, Percent, Span, Temperature, Thickness, Value, phrase, phrase_n
from curewatch.physics import air, cracking, ensemble
from curewatch.physics.air import ZERO_C, AirSeries, Array, Flags
from curewatch.physics.ensemble import Pouring
from curewatch.physics.evaporation import AIR_SPEED, Balance, film_balance
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.mixture import COALESCENT_MUCH
from curewatch.physics.solver import integrator
from curewatch.physics.supports import BACKINGS
from curewatch.records import Support, ThicknessSource
from curewatch.studio.alarms.conditions import Limits, film_hastes, relative_rate
from curewatch.studio.forecasting.batch import reason_in_words
from curewatch.studio.forecasting.drying import DEFAULT_SIDE_M
from curewatch.studio.wording import weigh

DAY_S = 86_400.0


@dataclass(frozen=True)
class RoomAir:
    """The air from the pour on: knots joined by straight lines, the last held. One knot: it stays as it is."""

    time_s: Array
    """[s from the pour]"""
    temp_c: Array
    rh_pct: Array

    @classmethod
    def constant(cls, temp_c: float, rh_pct: float) -> RoomAir:
        return cls(np.zeros(1), np.array([temp_c]), np.array([rh_pct]))

    @property
    def is_constant(self) -> bool:
        return len(self.time_s) == 1

    def at(self, time_s: Array) -> tuple[Array, Array]:
        """Temperature [°C] and relative humidity [%]."""
        return np.interp(time_s, self.time_s, self.temp_c), np.interp(time_s, self.time_s, self.rh_pct)

    def series(self) -> AirSeries:
        return AirSeries.from_celsius([(self.time_s, self.temp_c, self.rh_pct)])


def film(
    wet_thickness_m: float,
    source: ThicknessSource,
    *,
    solids: float,
    glycol: float,
    side_m: float | None = None,
    air_speed_m_s: float,
    support: Support = Support.CANVAS,
    tilt_rad: float = 0.0,
    coalescent: float = 0.0,
    front: bool = False,
) -> ensemble.Pouring:
    """A film as a person tells it, in the model's terms. `side_m`: its shorter side, where it was told."""
    return ensemble.Pouring(
        wet_thickness=wet_thickness_m,
        thickness_spread=ensemble.THICKNESS_SPREAD[source],
        solids=solids,
        glycol=glycol,
        side=DEFAULT_SIDE_M if side_m is None else side_m,
        air_speed=air_speed_m_s,
        tilts=((0.0, tilt_rad),),
        coalescent=coalescent,
        front=front,
        **vars(BACKINGS[support]),
    )


@dataclass(frozen=True)
class EstimateInput:
    pouring: ensemble.Pouring
    air: RoomAir
    members: int
    days: float


@dataclass(frozen=True)
class Reached:
    """When one milestone is reached by 10, 50 and 90 % of the members [h from the pour], None: not foreseen."""

    hours: tuple[float | None, float | None, float | None]
    reason: Message | None
    """Why one of them is None."""


@dataclass(frozen=True)
class EstimateResult:
    milestones: dict[str, Reached]
    film_temp_c: float
    """In the first minute."""
    crack_odds: float
    """That it cracks as it dries [0-1], over the members, by a rough measure."""

    @property
    def weigh(self) -> Message | None:
        """What to do where ready to varnish is known too roughly to plan on."""
        early, even, safe = self.milestones["varnish_ready"].hours
        return None if early is None else weigh(*(None if h is None else timedelta(hours=h) for h in (even, safe)))

    def hours(self, milestone: str, percent: int) -> float | None:
        return self.milestones[milestone].hours[(10, 50, 90).index(percent)]


@dataclass(frozen=True)
class Curve:
    """The liquid still in the film, as a share of what was poured; 10, 50 and 90 % of the members."""

    hours: Array
    low: Array
    median: Array
    high: Array


def answer(question: EstimateInput) -> EstimateResult:
    until = question.days * DAY_S
    run = _run(question, until)
    outcome = run.outcome(0)
    first_temp, first_rh = float(question.air.temp_c[0]), float(question.air.rh_pct[0])
    film = ensemble.central_film_temperature(question.pouring, first_temp + ZERO_C, first_rh / 100)
    found = {name: _reached(outcome, name, question.days) for name in MILESTONES}
    return EstimateResult(found, film - ZERO_C, _crack_odds(question, run, until))


def _crack_odds(question: EstimateInput, run: ensemble.EnsembleRun, until_s: float) -> float:
    looks = cracking.looked_at(run.reached_s[:, 0], np.array(until_s))
    temp, rh = question.air.at(looks)
    thicker = cracking.pile(question.pouring, float(looks[0, 0]))
    return float(cracking.odds(run.films, looks, temp + ZERO_C, rh / 100, thicker).mean())


def _run(question: EstimateInput, until_s: float, sample_at: Array | None = None) -> ensemble.EnsembleRun:
    # Only many members in a long record take long enough for the coarser steps to be worth having.
    quick = question.members > 1 and not question.air.is_constant
    tolerance = (integrator.RTOL, integrator.ATOL) if quick else integrator.FINE
    z, series = ensemble.design(question.members), question.air.series()
    return ensemble.run([question.pouring], z, series, until_s, sample_at=sample_at, tolerance=tolerance)


def _reached(outcome: ensemble.Outcome, milestone: str, days: float) -> Reached:
    low, median, high = (s / 3600 if np.isfinite(s) else None for s in outcome.at(milestone))
    return Reached((low, median, high), reason_in_words(outcome, milestone, days) if high is None else None)


def curve(question: EstimateInput, found: EstimateResult, points: int) -> Curve:
    """How the film dries, at `points` times from the pour until it may be handled, or as far as that is foreseen."""
    times = np.linspace(0.0, _worth_showing_s(found, question.days), points)
    volatile = _run(question, float(times[-1]), times).samples["volatile_fraction"][:, 0]
    liquid = volatile / (1 - volatile)  # volume ratio to the solids, which do not change
    left = liquid / liquid[0]
    low, median, high = np.array([ensemble.quantiles(row) for row in left]).T
    return Curve(times / 3600, low, median, high)


def _worth_showing_s(found: EstimateResult, days: float) -> float:
    for milestone, room in (("handle", 1.1), ("touch_dry", 1.4), ("set", 2.0)):
        hours = found.hours(milestone, 90)
        if hours is not None:
            return min(room * hours * 3600, days * DAY_S)
    return min(14.0, days) * DAY_S


SOLIDS_COMMON = (0.20, 0.35)
"""Solids fraction of common pour mixes (common practice, model section 7)."""
GLYCOL_MUCH = 0.10
"""More slow cosolvent than any pour mix is likely to hold [-]; calibration."""
LONG_GAP_S = 6 * 3600.0
LOOK_EVERY_S = 600.0


def cautions(
    question: EstimateInput, source: ThicknessSource, found: EstimateResult, *, drained: bool
) -> list[Message]:
    """Everything worth a warning, what harms the film first.

    `source`: of the wet thickness; `drained`: of a volume, whether what ran off was told.
    """
    limits = Limits()
    return [
        *_of_the_air(question, found, limits),
        *_of_the_pour(question.pouring, source, drained),
        *_of_the_record(question, found),
    ]


def _of_the_air(question: EstimateInput, found: EstimateResult, limits: Limits) -> Iterator[Message]:
    window = _Window(question, found)
    temp, rh = window.temp_c, window.rh_pct
    film_c = window.film_temperature(question.pouring, found)
    if (cold := film_c < limits.cold_mfft_c).any():
        yield phrase(
            "cold: the film comes down to {temp}, below the {mfft} at which its particles can fuse, {when}; it may dry "
            "to a film that cracks. An evaporating film is cooler than its room.",
            temp=Temperature(float(film_c.min()), 1),
            mfft=Temperature(limits.cold_mfft_c),
            when=window.when(cold),
        )
    if (frost := temp <= limits.frost_c).any():
        yield phrase(
            "frost: the room comes down to {temp}, {when}; frozen wet paint is lost.",
            temp=Temperature(float(temp.min()), 1),
            when=window.when(frost),
        )
    if (damp := rh > limits.damp_rh_pct).any():
        yield phrase(
            "damp: the air comes up to {rh}, above {limit}, {when}.",
            rh=Percent(float(rh.max()), of="%RH"),
            limit=Percent(limits.damp_rh_pct),
            when=window.when(damp),
        )
    elif (slow := (rate := relative_rate(temp, rh)) < limits.damp_rate_fraction).any():
        yield phrase(
            "damp: water leaves at {share} of its rate at {temp} and {rh}, {when}.",
            share=Percent(100 * max(0.0, float(rate.min()))),
            temp=Temperature(21),
            rh=Percent(50, of="%RH"),
            when=window.when(slow),
        )
    yield from _haste(question.pouring, window, found, limits)


def _haste(pouring: Pouring, window: _Window, found: EstimateResult, limits: Limits) -> Iterator[Message]:
    solids = np.array(pouring.wet_thickness * pouring.solids)
    film = window.balance(pouring, found)
    hasty = film_hastes(film, solids, np.array(pouring.side), np.array(pouring.h_back), limits) > 1.0
    if hasty.any():
        when = window.when(hasty)
        if pouring.air_speed > AIR_SPEED["still"]:
            yield phrase(
                "fast: in moving air water leaves the surface faster than the core can send it up, {when}; the skin "
                "may close over a wet core and craze. Leave it still.",
                when=when,
            )
        else:
            yield phrase(
                "fast: in dry air water leaves the surface faster than the core can send it up, {when}; the skin "
                "may close over a wet core and craze. Cover it loosely.",
                when=when,
            )


class _Window:
    """The air while the film is wet: until it is safe to handle, or as far as the estimate looks."""

    def __init__(self, question: EstimateInput, found: EstimateResult) -> None:
        hours = found.hours("handle", 90)
        self._open = hours is None
        self._end_s = question.days * DAY_S if hours is None else hours * 3600
        if question.air.is_constant and self._open:
            self.time_s = np.array([0.0, self._end_s])
        else:
            self.time_s = np.linspace(0.0, self._end_s, max(2, int(self._end_s / LOOK_EVERY_S)))
        self.temp_c, self.rh_pct = question.air.at(self.time_s)

    def balance(self, pouring: Pouring, found: EstimateResult) -> Balance:
        """Of the central film as water: wet until set, then falling to the room's humidity by touch-dry."""
        return film_balance(*self._surface(found), pouring.air_speed, pouring.side, pouring.h_back)

    def _surface(self, found: EstimateResult) -> tuple[Array, Array, Array]:
        """Room [K], its vapour [Pa], and the activity of the surface."""
        packed, touch = (found.hours(name, 50) for name in ("set", "touch_dry"))
        wetness = np.ones_like(self.time_s)
        if packed is not None and touch is not None:
            wetness = np.clip((touch - self.time_s / 3600) / max(touch - packed, 0.01), 0.0, 1.0)
        t_air, rh = self.temp_c + air.ZERO_C, self.rh_pct / 100
        p_air = air.vapour_pressure(t_air, rh)
        return t_air, p_air, rh + (1 - rh) * wetness

    def film_temperature(self, pouring: Pouring, found: EstimateResult) -> Array:
        """Of the central film [°C]."""
        as_water = self.balance(pouring, found).t_film - air.ZERO_C
        # the pour's glycol keeps it a little warmer than water would be: by as much as in the first minute
        rh, activity = self.rh_pct / 100, self._surface(found)[2]
        wetness = np.divide(activity - rh, 1 - rh, out=np.ones_like(rh), where=rh < 1)
        return np.asarray(as_water + (found.film_temp_c - as_water[0]) * wetness)

    def when(self, flags: Flags) -> Message:
        """How long the flagged moments last, and when they begin."""
        whole = phrase("the time until it may be handled")
        if self._open:
            whole = phrase("the {days} days looked at", days=round(self._end_s / DAY_S))
        if flags.all():
            return phrase("for all of {time}", time=whole)
        lasting = _length(float(flags.mean()) * self._end_s)
        if str(lasting) == str(_length(self._end_s)):
            return phrase("for nearly all of {time}", time=whole)
        begins = float(self.time_s[int(np.argmax(flags))])
        if begins == 0:
            return phrase("for {span} of {time}, from the pour on", span=lasting, time=whole)
        return phrase(
            "for {span} of {time}, first {begin} after the pour", span=lasting, time=whole, begin=_length(begins)
        )


def _length(seconds: float) -> Span:
    return Span(timedelta(seconds=max(seconds, 60.0)))


def _of_the_pour(pouring: Pouring, source: ThicknessSource, drained: bool) -> Iterator[Message]:
    low, high = SOLIDS_COMMON
    if not low <= pouring.solids <= high:
        yield phrase(
            "mix: {share} solids is outside the common {low} to {high} of pour mixes.",
            share=_share(pouring.solids),
            low=Number(100 * low),
            high=Percent(100 * high),
        )
    if pouring.glycol > GLYCOL_MUCH:
        yield phrase(
            "mix: {share} glycol is more than a pour mix commonly holds; it may stay soft long.",
            share=_share(pouring.glycol),
        )
    if pouring.coalescent > COALESCENT_MUCH:
        yield phrase(
            "mix: {share} coalescent is more than helps a film to form; it may keep it from fusing for months.",
            share=_share(pouring.coalescent),
        )
    if source is ThicknessSource.LAYER:
        yield phrase(
            "rough: a thickness from a word, here {thick}, may be off by a third or more; a comb gauge narrows the "
            "dates.",
            thick=Thickness(pouring.wet_thickness),
        )
    if not drained:
        yield phrase(
            "rough: nothing was said of paint that ran off (--ran-off), so all that was poured is taken to lie there."
        )


def _share(part: float) -> Percent:
    return Percent(100 * part, 0 if round(100 * part, 1).is_integer() else 1)


def _of_the_record(question: EstimateInput, found: EstimateResult) -> Iterator[Message]:
    if question.air.is_constant:
        return
    ready = found.hours("varnish_ready", 90)
    end_s = question.days * DAY_S if ready is None else ready * 3600
    yield from _gaps(question.air, end_s)
    last_s = float(question.air.time_s[-1])
    if last_s < end_s:
        yield phrase(
            "short: the room's record ends {span} after the pour, before it is dry; its last values, {temp} and {rh}, "
            "are held from there on.",
            span=Span(timedelta(seconds=last_s)),
            temp=Temperature(float(question.air.temp_c[-1]), 1),
            rh=Percent(float(question.air.rh_pct[-1]), of="%RH"),
        )


def _gaps(record: RoomAir, end_s: float) -> Iterator[Message]:
    gaps = np.diff(record.time_s)[record.time_s[:-1] < end_s]
    long = gaps > LONG_GAP_S
    if not long.any():
        return
    worst = int(np.argmax(gaps))
    values: dict[str, Value] = {
        "span": Span(timedelta(seconds=float(gaps[worst]))),
        "since": Span(timedelta(seconds=float(record.time_s[worst]))),
    }
    yield phrase_n(
        "gap: the room's record is silent for {span} from {since} after the pour on; the air is taken to have changed "
        "evenly in between.",
        "gap: the room's record is silent for {span} from {since} after the pour on (the longest of {n} gaps); the air "
        "is taken to have changed evenly in between.",
        int(long.sum()),
        **values,
    )
