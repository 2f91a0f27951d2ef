"""What may have gone wrong with a piece: each mechanism that is known to do it, held against the piece's own record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from curewatch.language import (
    Joined,
    Length,
    Listed,
    Message,
    Number,
    Percent,
    Temperature,
    TemperatureRange,
    Value,
    Words,
    joined,
    phrase,
    phrase_n,
)
from curewatch.physics.mixture import COALESCENT_MUCH
from curewatch.records.workshop import StepDone, Tilt
from curewatch.studio import wording
from curewatch.studio.care.aftercare import Care, Odds, Step, coat
from curewatch.studio.care.varnish_air import against
from curewatch.studio.diagnosis.drying_history import DRIFTS, EARLY_S, STAYS, PastAir, Trace, drifted, slope_text
from curewatch.studio.forecasting.drying import Drying


class Trouble(StrEnum):
    CRACKED = "cracked"
    CRAZED = "crazed"
    CLOUDY = "cloudy"
    TACKY = "tacky"
    DRIFTED = "drifted"
    FISH_EYES = "fish-eyes"


class Verdict(StrEnum):
    LIKELY = "likely"
    UNLIKELY = "unlikely"
    CANT_TELL = "can't tell"


@dataclass(frozen=True)
class Diagnosis:
    """One mechanism against the record."""

    mechanism: Message
    verdict: Verdict
    figure: Words
    next_time: Message


@dataclass(frozen=True)
class CoatAir:
    """The room's air when a coat was put on; None where it was not read then."""

    step: str
    at: datetime
    air: tuple[float, float] | None
    """Temperature [°C] and relative humidity [%]."""


@dataclass(frozen=True)
class Case:
    """All that bears on what went wrong with a piece."""

    drying: Drying
    trace: Trace | None
    wet_air: PastAir | None
    """From the pour until it could be handled."""
    steps: tuple[StepDone, ...]
    """Those that stand as done."""
    coats: tuple[CoatAir, ...]
    handle: Odds
    water_share: float | None
    """Water added to the paint; None: the recipe's parts are not told."""
    frost_h: float | None
    care: Care
    now: datetime
    tilts: tuple[Tilt, ...] = ()
    """As measured of its support, by time."""
    crack_odds: float | None = None
    """That such a film cracks, by its forecast."""

    @property
    def is_drying(self) -> bool:
        """Whether what is judged still goes on: it is not surely through yet."""
        return self.handle.safe is None or self.handle.safe > self.now

    def done(self, step: str) -> StepDone | None:
        return next((one for one in self.steps if one.step == step), None)


CRACKS_LIKELY, CRACKS_RARE = 0.3, 0.03
"""Odds of cracks from which on that is likely the reason, and below which it is not [cal]."""
THICK_M, COLD_H, FAST_PACE, GAP_GROWS, WATER_SHARE, GLYCOL_MUCH, DAMP_SHARE = 2.5e-3, 2.0, 1.5, 1.3, 0.30, 0.06, 0.25
"""Thick film [m], cold hours that harm, early drying over the usual, skin gap over the usual, added water on the paint,
slow solvent, share of the time that was damp: above these a mechanism is likely [cal]."""


def findings(trouble: Trouble, case: Case) -> list[Diagnosis]:
    """Every mechanism behind a trouble, the likely ones first."""
    judged = [(one, *one.check(case)) for one in MECHANISMS[trouble]]
    found = [
        Diagnosis((one.so_far if case.is_drying else None) or one.what, _VERDICTS[likely], figure, one.next_time)
        for one, likely, figure in judged
    ]
    return sorted(found, key=lambda one: list(_VERDICTS.values()).index(one.verdict))


_VERDICTS = {True: Verdict.LIKELY, None: Verdict.CANT_TELL, False: Verdict.UNLIKELY}
_UNREAD = phrase("the room was not read since the pour")
Judged = tuple[bool | None, Words]
"""Whether the record makes a mechanism likely (None: it cannot tell), and the figure that says so."""


@dataclass(frozen=True)
class Mechanism:
    """One way in which a piece comes out wrong."""

    what: Message
    next_time: Message
    check: Callable[[Case], Judged]
    so_far: Message | None = None
    """`what`, of a piece that is still drying."""


def _by_trace(check: Callable[[Trace, Case], Judged]) -> Callable[[Case], Judged]:
    """A check that needs the piece's way of drying."""
    return lambda case: (None, _UNREAD) if case.trace is None else check(case.trace, case)


def _cold(trace: Trace, case: Case) -> Judged:
    hours, low = Number(trace.cold_h), Temperature(trace.coldest_c, 1)
    if case.is_drying:
        return trace.cold_h >= COLD_H, phrase("{hours} h cold so far, the film down to {temp}", hours=hours, temp=low)
    return trace.cold_h >= COLD_H, phrase("{hours} h cold, the film down to {temp}", hours=hours, temp=low)


def _frost(case: Case) -> Judged:
    if case.frost_h is None:
        return None, _UNREAD
    hours = Number(case.frost_h, 1)
    if case.is_drying:
        return case.frost_h > 0, phrase("{hours} h below freezing while wet so far", hours=hours)
    return case.frost_h > 0, phrase("{hours} h below freezing while wet", hours=hours)


def _fast(trace: Trace, case: Case) -> Judged:
    pace = phrase("{times} times the usual pace in the first {hours} h", times=Number(trace.early_pace, 1), hours=6)
    fan = phrase("; a fan was on it") if case.drying.pour.air_speed_m_s >= 1.0 else None
    young = case.now - case.drying.pour.at < timedelta(seconds=EARLY_S)
    foreseen = phrase(", foreseen from what was read") if young else None
    return trace.early_pace >= FAST_PACE, joined(pace, fan, foreseen, by="")


def _gap(case: Case) -> Judged:
    gap, usual = (None, None) if case.trace is None else (case.trace.gap_h, case.trace.usual_gap_h)
    if gap is None or usual is None or case.is_drying:
        return None, phrase("it is not through yet")
    figure = phrase("{hours} h from touch-dry to through, {usual} h is usual", hours=Number(gap), usual=Number(usual))
    return gap > GAP_GROWS * max(usual, 1.0), figure


def _thick(case: Case) -> Judged:
    return case.drying.pour.wet_thickness_m >= THICK_M, wording.wet_film(case.drying.pour)


def _bears(case: Case) -> Judged:
    odds = case.crack_odds
    if odds is None:
        return None, phrase("it was never forecast")
    figure = phrase("{cracks}, {by}", cracks=wording.cracks(odds), by=wording.CRACKS_BY)
    return (True if odds >= CRACKS_LIKELY else False if odds < CRACKS_RARE else None), figure


def _water(case: Case) -> Judged:
    if case.water_share is None:
        return None, phrase("the recipe's parts are not told")
    figure = phrase("{share} water on the paint", share=Percent(100 * case.water_share))
    return case.water_share > WATER_SHARE, figure


def _coat_early(case: Case) -> Judged:
    if not case.coats:
        return None, _NO_COAT
    coats = {Step.ISOLATION.value, *(coat(number) for number in range(1, case.care.coats + 1))}
    early = [step.step for step in case.steps if step.too_early and step.step in coats]
    if not early:
        return False, phrase("no coat before its safe date")
    return True, phrase("{steps} before the safe date", steps=Joined(tuple(early), ", "))


_NO_COAT = phrase("no coat is written down")


def _coat_air(case: Case) -> Judged:
    read = [(one.step, one.air) for one in case.coats if one.air is not None]
    if not read:
        return None, phrase("the room was not read when it was coated") if case.coats else _NO_COAT
    bad = [
        phrase("{step}: {reasons}", step=step, reasons=Listed(tuple(wrong)))
        for step, air in read
        if (wrong := against(*air, case.care.air))
    ]
    return bool(bad), joined(*bad, by="; ") or phrase("the air was good at every coat")


def _not_yet(case: Case) -> Judged:
    safe = case.handle.safe
    if safe is None:
        return True, case.handle.reason or phrase("no safe date is foreseen")
    days = round((safe - case.now) / timedelta(days=1))
    if days > 0:
        return True, phrase("safe to assume dry through in {days} d", days=days)
    return safe > case.now, phrase("safe to assume dry through {days} d ago", days=-days)


def _damp(case: Case) -> Judged:
    past = case.wet_air
    if past is None:
        return None, _UNREAD
    whole = (past.ends_at - past.begins_at) / timedelta(hours=1)
    values: dict[str, Value] = {
        "hours": Number(past.damp_h), "whole": Number(whole), "rh": Percent(past.rh_pct.mean)
    }  # fmt: skip
    figure = phrase("{hours} of {whole} h too damp, {rh} on average", **values)
    if case.is_drying:
        figure = phrase("{hours} of {whole} h too damp so far, {rh} on average", **values)
    return past.damp_h / whole > DAMP_SHARE, figure


def _glycol(case: Case) -> Judged:
    recipe = case.drying.recipe
    figure: Words = phrase("{share} of the wet paint", share=Percent(100 * recipe.glycol, 1))
    much = recipe.glycol > GLYCOL_MUCH or recipe.coalescent > COALESCENT_MUCH
    if recipe.coalescent > 0:
        slower = phrase(", and {share} of one that is slower still", share=Percent(100 * recipe.coalescent, 1))
        figure = joined(figure, slower, by="")
    if recipe.stated:
        return much, figure
    return None, joined(figure, phrase(", but the recipe is only assumed"), by="")


def _tilt(trace: Trace, case: Case) -> Judged:
    five, slope = Length(5e-3), slope_text(trace.tilt_for_5mm)
    if not case.tilts:
        return None, phrase(
            "a tilt of {slope} would have moved this film {distance}; its tilt is not known", slope=slope, distance=five
        )
    moved = drifted(trace.film, case.drying.pour.at, case.tilts)
    likely = True if moved >= DRIFTS else False if moved < STAYS else None
    return likely, phrase(
        "a tilt of {slope} would have moved this film {distance}; {tilts} was measured, which moved it about {moved}",
        slope=slope,
        distance=five,
        tilts=joined(*(slope_text(tilt.tilt_rad) for tilt in case.tilts), by=", "),
        moved=Length(moved),
    )


def _unchecked(case: Case) -> Judged:
    step = case.done(Step.LEVEL)
    if step is None:
        return None, phrase("no level check is written down")
    minutes = (step.done_at - case.drying.pour.at) / timedelta(minutes=1)
    return minutes > 45, phrase("the level was checked {minutes} min after the pour", minutes=Number(minutes))


def _moved(case: Case) -> Judged:
    t, poured_at = case.trace, case.drying.pour.at
    packed = None if t is None or t.set_h is None else poured_at + timedelta(hours=t.set_h)
    wet = [stay for stay in case.drying.stays[1:] if packed is None or stay.since < packed]
    if not wet:
        return False, phrase("not moved before it was set")
    return True, phrase_n("moved once before it was set", "moved {n} times before it was set", len(wet))


def _silicone(case: Case) -> Judged:
    if not case.drying.pour.silicone:
        return False, phrase("poured without silicone")
    wash, first = case.done(Step.WASH), case.done(coat(1)) or case.done(Step.ISOLATION)
    if wash is None or (first is not None and wash.done_at > first.done_at):
        return True, phrase("poured with silicone, and no wash before the first coat is written down")
    return False, phrase("washed off first")


COLD = Mechanism(
    phrase("the film lay below its film-forming temperature while it should have fused"),
    phrase(
        "keep the room at {temp} or more until it may be handled: a drying film is colder than its room",
        temp=Temperature(15),
    ),
    _by_trace(_cold),
    phrase("the film lies below its film-forming temperature while it should fuse"),
)
FROST = Mechanism(
    phrase("it froze while it was wet"),
    phrase("bring wet pieces indoors before a night of frost"),
    _frost,
    phrase("it has frozen while wet"),
)
FAST = Mechanism(
    phrase("it dried too fast on top in its first hours"),
    phrase("no fan, heater or sun on it for the first day; cover it loosely in dry air"),
    _by_trace(_fast),
    phrase("it dries too fast on top in its first hours"),
)
GAP = Mechanism(
    phrase("a skin closed over a core that stayed wet"),
    phrase(
        "pour thinner, and keep the air even: neither warmer nor drier than {temp} and {rh}",
        temp=Temperature(21),
        rh=Percent(50),
    ),
    _gap,
    phrase("a skin closes over a core that stays wet"),
)
THICK = Mechanism(
    phrase("the film is thick"),
    phrase("two thin pours dry sooner and safer than one thick one; tilt more off, and measure with a comb"),
    _thick,
)
BEARS = Mechanism(
    phrase("all told, such a film does not bear its own shrinking"),
    phrase(
        "pour thinner, level, in still air of {temps}; an estimate tells the odds beforehand",
        temps=TemperatureRange(18, 24),
    ),
    _bears,
)
WATER = Mechanism(
    phrase("too much water in the mix leaves a weak film"),
    phrase("thin with medium, not with more than {share} water", share=Percent(30)),
    _water,
)
COAT_EARLY = Mechanism(
    phrase("a coat went on before the film, or the coat below, was dry"),
    phrase("wait for the date that is safe to assume, and for the label's recoat time"),
    _coat_early,
)
COAT_AIR = Mechanism(
    phrase("the air was wrong for the coat: damp, cold, or near its dew point"),
    phrase("coat in a good spell, as its steps foresee it"),
    _coat_air,
)
NOT_YET = Mechanism(phrase("it is not dry through yet"), phrase("leave it lying; touch an edge now and then"), _not_yet)
DAMP = Mechanism(
    phrase("damp air kept its water in"),
    phrase("dry the air of the room to {rh}, gently; a dehumidifier does more than heat", rh=Percent(50)),
    _damp,
    phrase("damp air keeps its water in"),
)
GLYCOL = Mechanism(
    phrase("much slow solvent in the mix leaves the film soft for weeks"),
    phrase("less flow conditioner and retarder in the mix"),
    _glycol,
)
TILT = Mechanism(phrase("the support was not level"), phrase("level it, then pour"), _by_trace(_tilt))
UNCHECKED = Mechanism(
    phrase("nobody looked in the first three quarters of an hour, when it moves most"),
    phrase("look after 5, 15 and 45 minutes, and shim the low side"),
    _unchecked,
)
MOVED = Mechanism(
    phrase("it was carried while it still flowed"), phrase("leave it where it was poured until it is set"), _moved
)
SILICONE = Mechanism(
    phrase("silicone was left on, and the varnish crawled from it"),
    phrase("wash twice, until water no longer beads, before any coat"),
    _silicone,
)
OTHER_OIL = Mechanism(
    phrase("oil, wax, skin grease or a polished brush on the surface"),
    phrase("wipe the dry film with a cloth that is damp with soapy water, then with clean water; keep fingers off"),
    lambda _: (None, phrase("nothing in the record tells")),
)
MECHANISMS: dict[Trouble, tuple[Mechanism, ...]] = {
    Trouble.CRACKED: (BEARS, COLD, FROST, FAST, GAP, THICK, WATER),
    Trouble.CRAZED: (BEARS, GAP, FAST, THICK, COLD),
    Trouble.CLOUDY: (COAT_EARLY, COAT_AIR, NOT_YET, DAMP),
    Trouble.TACKY: (NOT_YET, DAMP, COLD, GLYCOL, THICK, COAT_EARLY),
    Trouble.DRIFTED: (TILT, MOVED, UNCHECKED, THICK),
    Trouble.FISH_EYES: (SILICONE, COAT_EARLY, OTHER_OIL),
}
