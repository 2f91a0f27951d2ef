"""Drift on a tilt: from what was asked to numbers, as JSON and as a page."""

from __future__ import annotations

import math
import sys
import textwrap
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from curewatch.cli.asked import Asked
from curewatch.cli.estimating import DAY_S
from curewatch.cli.output import Page, say, say_json
from curewatch.intake.level import DRIFT, STIFFENING, TILT, VISCOSITY, YIELD_STRESS
from curewatch.physics import ensemble, flow, march
from curewatch.physics.milestones import MILESTONES
from curewatch.studio.wording import span

POINTS = 4000
"""Moments at which the drift is summed up: it is then within 0.1 % of that with many more."""
SAMPLES = 400
"""Moments at which the film's solids are sampled."""


@dataclass(frozen=True)
class Drifting:
    """What a tilt does to one pour, all in SI."""

    asked: Asked
    mix: flow.Mix
    tilt: float
    limit: float
    packed_s: float | None
    """When nothing flows any more; None: not within the days looked at, which the drift then covers."""
    drift: float
    drift_at_most: float
    """If the mix never sets at rest."""
    tilt_for_limit: float
    half_s: float
    most_s: float
    """When half, and nine tenths, of the drift have happened."""
    first_speed: float
    stress: float
    """At the support, at the pour."""


def mix_of(viscosity: str, yield_stress: str, stiffening: str) -> flow.Mix:
    """How the mix flows, as typed. BadInput for what is not understood."""
    return flow.Mix(
        VISCOSITY.parse(viscosity, "--viscosity"),
        YIELD_STRESS.parse(yield_stress, "--yield-stress"),
        STIFFENING.parse(stiffening, "--stiffening"),
    )


def drifting(asked: Asked, mix: flow.Mix, tilt: str, limit: str) -> Drifting:
    """The answer to a question as typed. BadInput for what is not understood."""
    angle, far = TILT.parse(tilt, "--tilt"), DRIFT.parse(limit, "--limit")
    film, packed_s = _drying(asked)
    moved = flow.drift(film, mix, angle)
    never_sets = flow.drift(film, replace(mix, stiffening=0.0), angle)
    wet, density = film.thickness[0], film.density[0]
    return Drifting(
        asked, mix, angle, far, packed_s,
        drift=float(moved[-1]),
        drift_at_most=float(never_sets[-1]),
        tilt_for_limit=flow.tilt_for(film, mix, far),
        half_s=flow.when(film, moved, 0.5),
        most_s=flow.when(film, moved, 0.9),
        first_speed=float(flow.surface_speed(wet, angle, mix.viscosity, density, mix.yield_stress)),
        stress=float(flow.wall_stress(wet, angle, density)),
    )  # fmt: skip


def _drying(asked: Asked) -> tuple[flow.Drying, float | None]:
    """The central film until it packs, or as far as is looked, and when it packs [s]."""
    question = asked.question
    series, room, days_s = question.air.series(), np.zeros(1, dtype=np.intp), question.days * DAY_S
    outcomes, _ = ensemble.run([question.pouring], series, room, days_s, 1, tolerance=march.FINE)
    packed = float(outcomes[0].reached_s[MILESTONES.index("packed"), 0])
    end = packed if math.isfinite(packed) else days_s
    times = np.linspace(0.0, end, SAMPLES)
    _, samples = ensemble.run([question.pouring], series, room, end, 1, sample_at=times, tolerance=march.FINE)
    volatile = samples["volatile_fraction"][:, 0, 0]
    known = np.isfinite(volatile)
    finely = np.linspace(0.0, times[known][-1], POINTS)
    volatile = np.interp(finely, times[known], volatile[known])
    return flow.Drying.of(finely, question.pouring.wet_thickness, volatile), packed if math.isfinite(packed) else None


def show_json(found: Drifting) -> None:
    say_json(
        "level",
        drift_mm=_digits(found.drift * 1e3),
        drift_if_it_never_sets_mm=_digits(found.drift_at_most * 1e3),
        tilt_for_limit_deg=_digits(math.degrees(found.tilt_for_limit)),
        tilt_for_limit_mm_per_m=_digits(math.tan(found.tilt_for_limit) * 1e3),
        half_of_it_by_h=_digits(found.half_s / 3600),
        most_of_it_by_h=_digits(found.most_s / 3600),
        packed_h=None if found.packed_s is None else _digits(found.packed_s / 3600),
        first_speed_mm_h=_digits(found.first_speed * 3.6e6),
        stress_pa=_digits(found.stress),
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


def show(found: Drifting) -> None:
    page = Page.of(sys.stdout)
    lines = [page.bold(_verdict(found)), ""]
    for paragraph in (_how_it_goes(found), _how_level(found), _doubt(found)):
        lines += textwrap.wrap(paragraph, page.width, break_on_hyphens=False)
    say("\n".join(lines))


def _verdict(found: Drifting) -> str:
    much = "less than 0.1 mm" if found.drift < 1e-4 else f"about {_length(found.drift)}"
    return f"On a tilt of {_angle(found.tilt)} the design drifts {much}."


def _how_it_goes(found: Drifting) -> str:
    film = f"a wet film of {found.asked.question.pouring.wet_thickness * 1e3:.3g} mm"
    if found.packed_s is None:
        end = f"{film} does not pack within {found.asked.question.days:g} days in this air and keeps creeping."
    else:
        end = f"{film} packs after {_span(found.packed_s)}; then nothing flows any more."
    if found.drift < 1e-4:
        # a mix that holds from the start, or a level table
        return f"{end[0].upper()}{end[1:]}"
    return (
        f"It begins at {found.first_speed * 3.6e6:.0f} mm an hour. Half of it has happened {_span(found.half_s)} after "
        f"the pour, nine tenths after {_span(found.most_s)}: {end}"
    )


def _how_level(found: Drifting) -> str:
    far = _length(found.limit)
    if found.tilt_for_limit >= flow.STEEPEST * 0.999:
        return f"It stays within {far} whatever the tilt: its yield stress holds it."
    allowed = f"For at most {far} of drift, level it to within {_angle(found.tilt_for_limit)}."
    return allowed if found.drift <= found.limit else f"{allowed} Shim the low side now: {_shim(found)}"


def _shim(found: Drifting) -> str:
    size = found.asked.thickness.size_m
    if size is None:
        return f"{math.tan(found.tilt) * 1e3:.2g} mm under each metre brings it level."
    return f"{math.tan(found.tilt) * max(size) * 1e3:.2g} mm under the low end of its {max(size) * 100:.3g} cm side."


def _doubt(found: Drifting) -> str:
    return (
        f"An estimate for {found.mix.viscosity:g} Pa·s at the pour: a mix half as thick drifts twice as far. It takes "
        "the mix to set a little at rest, as common practice has it; one that never does would drift "
        f"{_length(found.drift_at_most)}. Deeper paint moves less than the surface."
    )


def _angle(tilt: float) -> str:
    return f"{math.degrees(tilt):.2g}° ({math.tan(tilt) * 1e3:.2g} mm per metre)"


def _length(metres: float) -> str:
    return f"{metres * 1e3:.2g} mm" if metres < 0.0995 else f"{metres * 100:.0f} cm"


def _span(seconds: float) -> str:
    return span(timedelta(seconds=seconds))
