"""What may have gone wrong with a piece: each mechanism that is known to do it, held against the piece's own record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from curewatch.records import ThicknessSource
from curewatch.records.workshop import StepDone, Tilt
from curewatch.studio.care.aftercare import Care, Odds, Step, coat
from curewatch.studio.care.varnish_air import against
from curewatch.studio.diagnosis.drying_history import DRIFTS, STAYS, PastAir, Trace, drifted, slope_text
from curewatch.studio.forecasting.drying import Drying

THICKNESS_FROM = {
    ThicknessSource.GAUGE: "measured with a comb gauge",
    ThicknessSource.VOLUME: "from volume over area",
    ThicknessSource.LAYER: "from a word or as the last",
}


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

    def done(self, step: str) -> StepDone | None:
        return next((one for one in self.steps if one.step == step), None)


THICK_M, COLD_H, FAST_PACE, GAP_GROWS, WATER_SHARE, GLYCOL_MUCH, DAMP_SHARE = 2.5e-3, 2.0, 1.5, 1.3, 0.30, 0.06, 0.25
"""Thick film [m], cold hours that harm, early drying over the usual, skin gap over the usual, added water on the paint,
slow solvent, share of the time that was damp: above these a mechanism is likely [cal]."""


def findings(trouble: Trouble, case: Case) -> list[Diagnosis]:
    """Every mechanism behind a trouble, the likely ones first."""
    found = [check(case) for check in CHECKS[trouble]]
    return sorted(found, key=lambda one: list(Verdict).index(one.verdict) if one.verdict != "unlikely" else 3)


def _judged(likely: bool | None) -> Verdict:
    if likely is None:
        return Verdict.CANT_TELL
    return Verdict.LIKELY if likely else Verdict.UNLIKELY


def _cold(case: Case) -> Diagnosis:
    t = case.trace
    figure = (
        "the room's air was not read" if t is None else f"{t.cold_h:.0f} h cold, the film down to {t.coldest_c:.1f} °C"
    )
    return Diagnosis(
        "the film lay below its film-forming temperature while it should have fused",
        _judged(None if t is None else t.cold_h >= COLD_H),
        figure,
        "keep the room at 15 °C or more until it may be handled: a drying film is colder than its room",
    )


def _frost(case: Case) -> Diagnosis:
    hours = case.frost_h
    return Diagnosis(
        "it froze while it was wet",
        _judged(None if hours is None else hours > 0),
        "the room's air was not read" if hours is None else f"{hours:.1f} h below freezing while wet",
        "bring wet pieces indoors before a night of frost",
    )


def _fast(case: Case) -> Diagnosis:
    t = case.trace
    fan = "; a fan was on it" if case.drying.pour.air_speed_m_s >= 1.0 else ""
    pace = (
        "the room's air was not read" if t is None else f"{t.early_pace:.1f} times the usual pace in the first 6 h{fan}"
    )
    return Diagnosis(
        "it dried too fast on top in its first hours",
        _judged(None if t is None else t.early_pace >= FAST_PACE),
        pace,
        "no fan, heater or sun on it for the first day; cover it loosely in dry air",
    )


def _gap(case: Case) -> Diagnosis:
    t = case.trace
    gap, usual = (None, None) if t is None else (t.gap_h, t.usual_gap_h)
    known = gap is not None and usual is not None
    grown = gap is not None and usual is not None and gap > GAP_GROWS * max(usual, 1.0)
    figure = f"{gap:.0f} h from touch-dry to through, {usual:.0f} h is usual" if known else "it is not through yet"
    return Diagnosis(
        "a skin closed over a core that stayed wet",
        _judged(grown if known else None),
        figure,
        "pour thinner, and keep the air even: neither warmer nor drier than 21 °C and 50 %",
    )


def _thick(case: Case) -> Diagnosis:
    wet = case.drying.pour.wet_thickness_m
    return Diagnosis(
        "the film is thick",
        _judged(wet >= THICK_M),
        f"{wet * 1e3:.1f} mm wet, {THICKNESS_FROM[case.drying.pour.thickness_source]}",
        "two thin pours dry sooner and safer than one thick one; tilt more off, and measure with a comb",
    )


def _water(case: Case) -> Diagnosis:
    share = case.water_share
    return Diagnosis(
        "too much water in the mix leaves a weak film",
        _judged(None if share is None else share > WATER_SHARE),
        "the recipe's parts are not told" if share is None else f"{share:.0%} water on the paint",
        "thin with medium, not with more than 30 % water",
    )


def _coat_early(case: Case) -> Diagnosis:
    early = [step.step for step in case.steps if step.too_early and step.step in _coats(case)]
    coated = [coat.step for coat in case.coats]
    figure = f"{', '.join(early)} before the safe date" if early else "no coat before its safe date"
    return Diagnosis(
        "a coat went on before the film, or the coat below, was dry",
        _judged(bool(early) if coated else None),
        figure if coated else "no coat is written down",
        "wait for the date that is safe to assume, and for the label's recoat time",
    )


def _coat_air(case: Case) -> Diagnosis:
    read = [coat for coat in case.coats if coat.air is not None]
    bad = [
        f"{coat.step}: {' and '.join(wrong)}"
        for coat in read
        if coat.air and (wrong := against(*coat.air, case.care.air))
    ]
    none = "no coat is written down" if not case.coats else "the room was not read when it was coated"
    return Diagnosis(
        "the air was wrong for the coat: damp, cold, or near its dew point",
        _judged(bool(bad) if read else None),
        "; ".join(bad) or ("the air was good at every coat" if read else none),
        "coat in a good spell, as `curewatch steps` foresees it",
    )


def _not_yet(case: Case) -> Diagnosis:
    safe = case.handle.safe
    waits = safe is None or safe > case.now
    figure = "no safe date is foreseen" if safe is None else f"safe to assume dry through {_when(safe, case.now)}"
    return Diagnosis("it is not dry through yet", _judged(waits), figure, "leave it lying; touch an edge now and then")


def _damp(case: Case) -> Diagnosis:
    past = case.wet_air
    if past is None:
        share, figure = None, "the room's air was not read"
    else:
        whole = (past.ends_at - past.begins_at) / timedelta(hours=1)
        share = past.damp_h / whole
        figure = f"{past.damp_h:.0f} of {whole:.0f} h too damp, {past.rh_pct.mean:.0f} % on average"
    return Diagnosis(
        "damp air kept its water in",
        _judged(None if share is None else share > DAMP_SHARE),
        figure,
        "dry the air of the room to 50 %, gently; a dehumidifier does more than heat",
    )


def _glycol(case: Case) -> Diagnosis:
    recipe = case.drying.recipe
    stated = recipe.stated
    return Diagnosis(
        "much slow solvent in the mix leaves the film soft for weeks",
        _judged(recipe.glycol > GLYCOL_MUCH if stated else None),
        f"{recipe.glycol:.1%} of the wet paint" + ("" if stated else ", but the recipe is only assumed"),
        "less flow conditioner and retarder in the mix",
    )


def _tilt(case: Case) -> Diagnosis:
    t, likely = case.trace, None
    figure = "the room's air was not read"
    if t is not None:
        figure = f"a tilt of {slope_text(t.tilt_for_5mm)} would have moved this film 5 mm; "
        if not case.tilts:
            figure += "its tilt is not known"
        else:
            moved = drifted(t.film, case.drying.pour.at, case.tilts)
            tilts = ", then ".join(slope_text(tilt.tilt_rad) for tilt in case.tilts)
            figure += f"{tilts} was measured, which moved it about {moved * 1e3:.2g} mm"
            likely = True if moved >= DRIFTS else False if moved < STAYS else None
    return Diagnosis("the support was not level", _judged(likely), figure, "level it with `curewatch level`, then pour")


def _unchecked(case: Case) -> Diagnosis:
    step = case.done(Step.LEVEL)
    figure = "no level check is written down"
    if step is not None:
        minutes = (step.done_at - case.drying.pour.at) / timedelta(minutes=1)
        figure = f"the level was checked {minutes:.0f} min after the pour"
    return Diagnosis(
        "nobody looked in the first three quarters of an hour, when it moves most",
        _judged(None if step is None else step.done_at - case.drying.pour.at > timedelta(minutes=45)),
        figure,
        "look after 5, 15 and 45 minutes, and shim the low side",
    )


def _moved(case: Case) -> Diagnosis:
    t = case.trace
    moves = [stay.since for stay in case.drying.stays[1:]]
    packed = None if t is None or t.packed_h is None else case.drying.pour.at + timedelta(hours=t.packed_h)
    wet = [at for at in moves if packed is None or at < packed]
    figure = f"moved {len(wet)} times before it was packed" if wet else "not moved before it was packed"
    return Diagnosis(
        "it was carried while it still flowed",
        _judged(bool(wet)),
        figure,
        "leave it where it was poured until it is packed",
    )


def _silicone(case: Case) -> Diagnosis:
    pour, wash, first = case.drying.pour, case.done(Step.WASH), case.done(coat(1)) or case.done(Step.ISOLATION)
    unwashed = pour.silicone and (wash is None or (first is not None and wash.done_at > first.done_at))
    figure = "poured without silicone"
    if pour.silicone:
        figure = (
            "poured with silicone, and no wash before the first coat is written down"
            if unwashed
            else "washed off first"
        )
    return Diagnosis(
        "silicone was left on, and the varnish crawled from it",
        _judged(unwashed),
        figure,
        "wash twice, until water no longer beads, before any coat",
    )


def _other_oil(case: Case) -> Diagnosis:
    return Diagnosis(
        "oil, wax, skin grease or a polished brush on the surface",
        Verdict.CANT_TELL,
        "nothing in the record tells",
        "wipe the dry film with a cloth that is damp with soapy water, then with clean water; keep fingers off",
    )


def _coats(case: Case) -> set[str]:
    return {Step.ISOLATION.value, *(coat(number) for number in range(1, case.care.coats + 1))}


def _when(at: datetime, now: datetime) -> str:
    days = (at - now) / timedelta(days=1)
    return f"in {days:.0f} d" if days > 0 else f"{-days:.0f} d ago"


Check = Callable[[Case], Diagnosis]
CHECKS: dict[Trouble, tuple[Check, ...]] = {
    Trouble.CRACKED: (_cold, _frost, _fast, _gap, _thick, _water),
    Trouble.CRAZED: (_gap, _fast, _thick, _cold),
    Trouble.CLOUDY: (_coat_early, _coat_air, _not_yet, _damp),
    Trouble.TACKY: (_not_yet, _damp, _cold, _glycol, _thick, _coat_early),
    Trouble.DRIFTED: (_tilt, _moved, _unchecked, _thick),
    Trouble.FISH_EYES: (_silicone, _coat_early, _other_oil),
}
