"""What may have gone wrong with a piece: each mechanism that is known to do it, held against the piece's own record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

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

    mechanism: str
    verdict: Verdict
    figure: str
    next_time: str


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
        Diagnosis((one.so_far if case.is_drying else "") or one.what, _VERDICTS[likely], figure, one.next_time)
        for one, likely, figure in judged
    ]
    return sorted(found, key=lambda one: list(_VERDICTS.values()).index(one.verdict))


_VERDICTS = {True: Verdict.LIKELY, None: Verdict.CANT_TELL, False: Verdict.UNLIKELY}
_UNREAD = "the room was not read since the pour"
Judged = tuple[bool | None, str]
"""Whether the record makes a mechanism likely (None: it cannot tell), and the figure that says so."""


@dataclass(frozen=True)
class Mechanism:
    """One way in which a piece comes out wrong."""

    what: str
    next_time: str
    check: Callable[[Case], Judged]
    so_far: str = ""
    """`what`, of a piece that is still drying."""


def _by_trace(check: Callable[[Trace, Case], Judged]) -> Callable[[Case], Judged]:
    """A check that needs the piece's way of drying."""
    return lambda case: (None, _UNREAD) if case.trace is None else check(case.trace, case)


def _so_far(case: Case) -> str:
    return " so far" if case.is_drying else ""


def _cold(trace: Trace, case: Case) -> Judged:
    figure = f"{trace.cold_h:.0f} h cold{_so_far(case)}, the film down to {trace.coldest_c:.1f} °C"
    return trace.cold_h >= COLD_H, figure


def _fast(trace: Trace, case: Case) -> Judged:
    fan = "; a fan was on it" if case.drying.pour.air_speed_m_s >= 1.0 else ""
    young = case.now - case.drying.pour.at < timedelta(seconds=EARLY_S)
    foreseen = ", foreseen from what was read" if young else ""
    return trace.early_pace >= FAST_PACE, f"{trace.early_pace:.1f} times the usual pace in the first 6 h{fan}{foreseen}"


def _gap(case: Case) -> Judged:
    gap, usual = (None, None) if case.trace is None else (case.trace.gap_h, case.trace.usual_gap_h)
    if gap is None or usual is None or case.is_drying:
        return None, "it is not through yet"
    return gap > GAP_GROWS * max(usual, 1.0), f"{gap:.0f} h from touch-dry to through, {usual:.0f} h is usual"


def _thick(case: Case) -> Judged:
    wet, source = case.drying.pour.wet_thickness_m, case.drying.pour.thickness_source
    return wet >= THICK_M, f"{wet * 1e3:.1f} mm wet, {wording.THICKNESS_FROM[source]}"


def _bears(case: Case) -> Judged:
    odds = case.crack_odds
    if odds is None:
        return None, "it was never forecast"
    figure = f"{wording.cracks(odds)}, {wording.CRACKS_BY}"
    return (True if odds >= CRACKS_LIKELY else False if odds < CRACKS_RARE else None), figure


def _water(case: Case) -> Judged:
    if case.water_share is None:
        return None, "the recipe's parts are not told"
    return case.water_share > WATER_SHARE, f"{case.water_share:.0%} water on the paint"


def _coat_early(case: Case) -> Judged:
    if not case.coats:
        return None, "no coat is written down"
    coats = {Step.ISOLATION.value, *(coat(number) for number in range(1, case.care.coats + 1))}
    early = [step.step for step in case.steps if step.too_early and step.step in coats]
    return bool(early), f"{', '.join(early)} before the safe date" if early else "no coat before its safe date"


def _coat_air(case: Case) -> Judged:
    read = [(one.step, one.air) for one in case.coats if one.air is not None]
    if not read:
        return None, "the room was not read when it was coated" if case.coats else "no coat is written down"
    bad = [f"{step}: {' and '.join(map(str, wrong))}" for step, air in read if (wrong := against(*air, case.care.air))]
    return bool(bad), "; ".join(bad) or "the air was good at every coat"


def _not_yet(case: Case) -> Judged:
    safe = case.handle.safe
    if safe is None:
        return True, str(case.handle.reason or "no safe date is foreseen")
    days = (safe - case.now) / timedelta(days=1)
    when = f"in {days:.0f} d" if days > 0 else f"{-days:.0f} d ago"
    return safe > case.now, f"safe to assume dry through {when}"


def _damp(case: Case) -> Judged:
    past = case.wet_air
    if past is None:
        return None, _UNREAD
    whole = (past.ends_at - past.begins_at) / timedelta(hours=1)
    figure = f"{past.damp_h:.0f} of {whole:.0f} h too damp{_so_far(case)}, {past.rh_pct.mean:.0f} % on average"
    return past.damp_h / whole > DAMP_SHARE, figure


def _glycol(case: Case) -> Judged:
    recipe = case.drying.recipe
    figure = f"{recipe.glycol:.1%} of the wet paint"
    much = recipe.glycol > GLYCOL_MUCH or recipe.coalescent > COALESCENT_MUCH
    if recipe.coalescent > 0:
        figure += f", and {recipe.coalescent:.1%} of one that is slower still"
    return (much, figure) if recipe.stated else (None, f"{figure}, but the recipe is only assumed")


def _tilt(trace: Trace, case: Case) -> Judged:
    figure = f"a tilt of {slope_text(trace.tilt_for_5mm)} would have moved this film 5 mm; "
    if not case.tilts:
        return None, f"{figure}its tilt is not known"
    moved = drifted(trace.film, case.drying.pour.at, case.tilts)
    tilts = ", then ".join(slope_text(tilt.tilt_rad) for tilt in case.tilts)
    likely = True if moved >= DRIFTS else False if moved < STAYS else None
    return likely, f"{figure}{tilts} was measured, which moved it about {moved * 1e3:.2g} mm"


def _unchecked(case: Case) -> Judged:
    step = case.done(Step.LEVEL)
    if step is None:
        return None, "no level check is written down"
    minutes = (step.done_at - case.drying.pour.at) / timedelta(minutes=1)
    return minutes > 45, f"the level was checked {minutes:.0f} min after the pour"


def _moved(case: Case) -> Judged:
    t, poured_at = case.trace, case.drying.pour.at
    packed = None if t is None or t.set_h is None else poured_at + timedelta(hours=t.set_h)
    wet = [stay for stay in case.drying.stays[1:] if packed is None or stay.since < packed]
    return bool(wet), f"moved {len(wet)} times before it was set" if wet else "not moved before it was set"


def _silicone(case: Case) -> Judged:
    if not case.drying.pour.silicone:
        return False, "poured without silicone"
    wash, first = case.done(Step.WASH), case.done(coat(1)) or case.done(Step.ISOLATION)
    if wash is None or (first is not None and wash.done_at > first.done_at):
        return True, "poured with silicone, and no wash before the first coat is written down"
    return False, "washed off first"


COLD = Mechanism(
    "the film lay below its film-forming temperature while it should have fused",
    "keep the room at 15 °C or more until it may be handled: a drying film is colder than its room",
    _by_trace(_cold),
    "the film lies below its film-forming temperature while it should fuse",
)
FROST = Mechanism(
    "it froze while it was wet",
    "bring wet pieces indoors before a night of frost",
    lambda case: (
        (None, _UNREAD)
        if case.frost_h is None
        else (case.frost_h > 0, f"{case.frost_h:.1f} h below freezing while wet{_so_far(case)}")
    ),
    "it has frozen while wet",
)
FAST = Mechanism(
    "it dried too fast on top in its first hours",
    "no fan, heater or sun on it for the first day; cover it loosely in dry air",
    _by_trace(_fast),
    "it dries too fast on top in its first hours",
)
GAP = Mechanism(
    "a skin closed over a core that stayed wet",
    "pour thinner, and keep the air even: neither warmer nor drier than 21 °C and 50 %",
    _gap,
    "a skin closes over a core that stays wet",
)
THICK = Mechanism(
    "the film is thick",
    "two thin pours dry sooner and safer than one thick one; tilt more off, and measure with a comb",
    _thick,
)
BEARS = Mechanism(
    "all told, such a film does not bear its own shrinking",
    "pour thinner, level, in still air of 18 to 24 °C; `curewatch estimate` tells the odds beforehand",
    _bears,
)
WATER = Mechanism(
    "too much water in the mix leaves a weak film", "thin with medium, not with more than 30 % water", _water
)
COAT_EARLY = Mechanism(
    "a coat went on before the film, or the coat below, was dry",
    "wait for the date that is safe to assume, and for the label's recoat time",
    _coat_early,
)
COAT_AIR = Mechanism(
    "the air was wrong for the coat: damp, cold, or near its dew point",
    "coat in a good spell, as `curewatch steps` foresees it",
    _coat_air,
)
NOT_YET = Mechanism("it is not dry through yet", "leave it lying; touch an edge now and then", _not_yet)
DAMP = Mechanism(
    "damp air kept its water in",
    "dry the air of the room to 50 %, gently; a dehumidifier does more than heat",
    _damp,
    "damp air keeps its water in",
)
GLYCOL = Mechanism(
    "much slow solvent in the mix leaves the film soft for weeks",
    "less flow conditioner and retarder in the mix",
    _glycol,
)
TILT = Mechanism("the support was not level", "level it with `curewatch level`, then pour", _by_trace(_tilt))
UNCHECKED = Mechanism(
    "nobody looked in the first three quarters of an hour, when it moves most",
    "look after 5, 15 and 45 minutes, and shim the low side",
    _unchecked,
)
MOVED = Mechanism("it was carried while it still flowed", "leave it where it was poured until it is set", _moved)
SILICONE = Mechanism(
    "silicone was left on, and the varnish crawled from it",
    "wash twice, until water no longer beads, before any coat",
    _silicone,
)
OTHER_OIL = Mechanism(
    "oil, wax, skin grease or a polished brush on the surface",
    "wipe the dry film with a cloth that is damp with soapy water, then with clean water; keep fingers off",
    lambda _: (None, "nothing in the record tells"),
)
MECHANISMS: dict[Trouble, tuple[Mechanism, ...]] = {
    Trouble.CRACKED: (BEARS, COLD, FROST, FAST, GAP, THICK, WATER),
    Trouble.CRAZED: (BEARS, GAP, FAST, THICK, COLD),
    Trouble.CLOUDY: (COAT_EARLY, COAT_AIR, NOT_YET, DAMP),
    Trouble.TACKY: (NOT_YET, DAMP, COLD, GLYCOL, THICK, COAT_EARLY),
    Trouble.DRIFTED: (TILT, MOVED, UNCHECKED, THICK),
    Trouble.FISH_EYES: (SILICONE, COAT_EARLY, OTHER_OIL),
}
