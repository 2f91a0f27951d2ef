"""Drift on a tilt, as a page of text."""

from __future__ import annotations

import math
import textwrap
from datetime import timedelta

from curewatch.cli.output import Page
from curewatch.physics import flow
from curewatch.studio.diagnosis.drying_history import STAYS, MeasuredDrift, slope_text
from curewatch.studio.wording import span
from curewatch.views.estimate import DAYS, DriftOut

_NOTHING_MM = 0.1


def text(found: DriftOut, size_m: tuple[float, float] | None, page: Page) -> str:
    """`size_m`: of the piece, where it was told."""
    lines = [page.bold(_verdict(found)), ""]
    for paragraph in (_how_it_goes(found), _how_level(found, size_m), _doubt(found)):
        lines += textwrap.wrap(paragraph, page.width, break_on_hyphens=False)
    return "\n".join(lines)


def _verdict(found: DriftOut) -> str:
    much = "less than 0.1 mm" if found.drift_mm < _NOTHING_MM else f"about {_length(found.drift_mm)}"
    return f"On a tilt of {_angle(found.inputs.tilt_deg)} the design drifts {much}."


def _how_it_goes(found: DriftOut) -> str:
    film = f"a wet film of {found.inputs.wet_thickness_mm:.3g} mm"
    if found.set_h is None:
        end = f"{film} does not pack within {DAYS:g} days in this air and keeps creeping."
    else:
        end = f"{film} sets after {_span(found.set_h)}; then nothing flows any more."
    if found.drift_mm < _NOTHING_MM:
        # a mix that holds from the start, or a level table
        return f"{end[0].upper()}{end[1:]}"
    return (
        f"It begins at {found.first_speed_mm_h:.0f} mm an hour. Half of it has happened "
        f"{_span(found.half_of_it_by_h)} after the pour, nine tenths after {_span(found.most_of_it_by_h)}: {end}"
    )


def _how_level(found: DriftOut, size_m: tuple[float, float] | None) -> str:
    far = _length(found.inputs.limit_mm)
    if math.radians(found.tilt_for_limit_deg) >= flow.STEEPEST * 0.999:
        return f"It stays within {far} whatever the tilt: its yield stress holds it."
    allowed = f"For at most {far} of drift, level it to within {_angle(found.tilt_for_limit_deg)}."
    if found.drift_mm <= found.inputs.limit_mm:
        return allowed
    return f"{allowed} Shim the low side now: {_shim(found.inputs.tilt_deg, size_m)}"


def _shim(tilt_deg: float, size_m: tuple[float, float] | None) -> str:
    rise = math.tan(math.radians(tilt_deg)) * 1e3
    if size_m is None:
        return f"{rise:.2g} mm under each metre brings it level."
    return f"{rise * max(size_m):.2g} mm under the low end of its {max(size_m) * 100:.3g} cm side."


def _doubt(found: DriftOut) -> str:
    return (
        f"An estimate for {found.inputs.viscosity_pa_s:g} Pa·s at the pour: a mix half as thick drifts twice as far. "
        "It takes the mix to set a little at rest, as common practice has it; one that never does would drift "
        f"{_length(found.drift_if_it_never_sets_mm)}. Deeper paint moves less than the surface."
    )


def _angle(tilt_deg: float) -> str:
    return f"{tilt_deg:.2g}° ({math.tan(math.radians(tilt_deg)) * 1e3:.2g} mm per metre)"


def _length(mm: float) -> str:
    return f"{mm:.2g} mm" if mm < 99.5 else f"{mm / 10:.0f} cm"


def _span(hours: float) -> str:
    return span(timedelta(hours=hours))


def of_a_piece(found: MeasuredDrift) -> str:
    """What the tilts measured of a piece come to."""
    if found.drift_m is None or found.tilt_for_limit is None:
        return "The air of its room was not read, so how far that moves the design cannot be told."
    allowed = f"{found.limit_m * 1e3:.2g} mm takes {slope_text(found.tilt_for_limit)}"
    if found.drift_m < STAYS:
        return f"Level enough: until it sets that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}."
    return (
        f"Until it sets that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}. Shim the low side while "
        "it flows: the first three quarters of an hour do most of the moving."
    )
