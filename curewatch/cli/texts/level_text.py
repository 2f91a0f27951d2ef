"""Drift on a tilt: from what was asked to numbers, as JSON and as a page."""

from __future__ import annotations

import math
import sys
import textwrap
from dataclasses import dataclass
from datetime import timedelta

from curewatch.cli.estimate_request import EstimateRequest
from curewatch.cli.output import Page, say, say_json
from curewatch.intake.typed.levelling import DRIFT, STIFFENING, TILT, VISCOSITY, YIELD_STRESS
from curewatch.physics import flow
from curewatch.records.errors import Field
from curewatch.studio.planning.tilt_drift import TiltDrift, drifts
from curewatch.studio.wording import span


@dataclass(frozen=True)
class DriftAnswer:
    """What a tilt does to one pour, all in SI."""

    asked: EstimateRequest
    mix: flow.Rheology
    tilt: float
    limit: float
    drifts: TiltDrift


def mix_of(viscosity: str, yield_stress: str, stiffening: str) -> flow.Rheology:
    """How the mix flows, as typed. InputError for what is not understood."""
    return flow.Rheology(
        VISCOSITY.parse(viscosity, Field.VISCOSITY),
        YIELD_STRESS.parse(yield_stress, Field.YIELD_STRESS),
        STIFFENING.parse(stiffening, Field.STIFFENING),
    )


def drift_answer(asked: EstimateRequest, mix: flow.Rheology, tilt: str, limit: str) -> DriftAnswer:
    """The answer to a question as typed. InputError for what is not understood."""
    angle, far = TILT.parse(tilt, Field.TILT), DRIFT.parse(limit, Field.LIMIT)
    return DriftAnswer(asked, mix, angle, far, drifts(asked.question, mix, angle, far))


def show_json(found: DriftAnswer) -> None:
    say_json(
        "level",
        drift_mm=_digits(found.drifts.drift * 1e3),
        drift_if_it_never_sets_mm=_digits(found.drifts.drift_at_most * 1e3),
        tilt_for_limit_deg=_digits(math.degrees(found.drifts.tilt_for_limit)),
        tilt_for_limit_mm_per_m=_digits(math.tan(found.drifts.tilt_for_limit) * 1e3),
        half_of_it_by_h=_digits(found.drifts.half_s / 3600),
        most_of_it_by_h=_digits(found.drifts.most_s / 3600),
        packed_h=None if found.drifts.packed_s is None else _digits(found.drifts.packed_s / 3600),
        first_speed_mm_h=_digits(found.drifts.first_speed * 3.6e6),
        stress_pa=_digits(found.drifts.stress),
        inputs={
            **found.asked.echo(),
            "tilt_deg": _digits(math.degrees(found.tilt)),
            "viscosity_pa_s": found.mix.viscosity,
            "yield_stress_pa": found.mix.yield_stress,
            "stiffening_pa_h": _digits(found.mix.stiffening * 3600),
            "limit_mm": _digits(found.limit * 1e3),
        },
    )


def _digits(value: float) -> float:
    return float(f"{value:.7g}")


def show(found: DriftAnswer) -> None:
    page = Page.of(sys.stdout)
    lines = [page.bold(_verdict(found)), ""]
    for paragraph in (_how_it_goes(found), _how_level(found), _doubt(found)):
        lines += textwrap.wrap(paragraph, page.width, break_on_hyphens=False)
    say("\n".join(lines))


def _verdict(found: DriftAnswer) -> str:
    much = "less than 0.1 mm" if found.drifts.drift < 1e-4 else f"about {_length(found.drifts.drift)}"
    return f"On a tilt of {_angle(found.tilt)} the design drifts {much}."


def _how_it_goes(found: DriftAnswer) -> str:
    film = f"a wet film of {found.asked.question.pouring.wet_thickness * 1e3:.3g} mm"
    if found.drifts.packed_s is None:
        end = f"{film} does not pack within {found.asked.question.days:g} days in this air and keeps creeping."
    else:
        end = f"{film} packs after {_span(found.drifts.packed_s)}; then nothing flows any more."
    if found.drifts.drift < 1e-4:
        # a mix that holds from the start, or a level table
        return f"{end[0].upper()}{end[1:]}"
    return (
        f"It begins at {found.drifts.first_speed * 3.6e6:.0f} mm an hour. Half of it has happened "
        f"{_span(found.drifts.half_s)} after the pour, nine tenths after {_span(found.drifts.most_s)}: {end}"
    )


def _how_level(found: DriftAnswer) -> str:
    far = _length(found.limit)
    if found.drifts.tilt_for_limit >= flow.STEEPEST * 0.999:
        return f"It stays within {far} whatever the tilt: its yield stress holds it."
    allowed = f"For at most {far} of drift, level it to within {_angle(found.drifts.tilt_for_limit)}."
    return allowed if found.drifts.drift <= found.limit else f"{allowed} Shim the low side now: {_shim(found)}"


def _shim(found: DriftAnswer) -> str:
    size = found.asked.thickness.size_m
    if size is None:
        return f"{math.tan(found.tilt) * 1e3:.2g} mm under each metre brings it level."
    return f"{math.tan(found.tilt) * max(size) * 1e3:.2g} mm under the low end of its {max(size) * 100:.3g} cm side."


def _doubt(found: DriftAnswer) -> str:
    return (
        f"An estimate for {found.mix.viscosity:g} Pa·s at the pour: a mix half as thick drifts twice as far. It takes "
        "the mix to set a little at rest, as common practice has it; one that never does would drift "
        f"{_length(found.drifts.drift_at_most)}. Deeper paint moves less than the surface."
    )


def _angle(tilt: float) -> str:
    return f"{math.degrees(tilt):.2g}° ({math.tan(tilt) * 1e3:.2g} mm per metre)"


def _length(metres: float) -> str:
    return f"{metres * 1e3:.2g} mm" if metres < 0.0995 else f"{metres * 100:.0f} cm"


def _span(seconds: float) -> str:
    return span(timedelta(seconds=seconds))
