"""Drift on a tilt, as a page of text."""

from __future__ import annotations

import math
from datetime import timedelta

from curewatch.cli.output import Page, text_of, wrapped
from curewatch.language import Capital, Length, Message, Number, Span, Thickness, Value, Words, joined, phrase, reads
from curewatch.physics import flow
from curewatch.studio.diagnosis.drying_history import STAYS, MeasuredDrift, slope_text
from curewatch.views.estimate import DAYS, DriftOut

_NOTHING_MM = 0.1


def text(found: DriftOut, size_m: tuple[float, float] | None, page: Page) -> str:
    """`size_m`: of the piece, where it was told."""
    lines = [page.bold(text_of(_verdict(found))), ""]
    for paragraph in (_how_it_goes(found), _how_level(found, size_m), _doubt(found)):
        lines += wrapped(paragraph, page.width)
    return "\n".join(lines)


def _verdict(found: DriftOut) -> Words:
    tilt = _angle(found.inputs.tilt_deg)
    if found.drift_mm < _NOTHING_MM:
        return phrase("On a tilt of {tilt} the design drifts less than {length}.", tilt=tilt, length=_far(_NOTHING_MM))
    return phrase("On a tilt of {tilt} the design drifts about {length}.", tilt=tilt, length=_far(found.drift_mm))


def _how_it_goes(found: DriftOut) -> Words:
    thick = Thickness(found.inputs.wet_thickness_mm / 1e3, 3)
    if found.set_h is None:
        end = phrase(
            "a wet film of {thick} does not set within {days} days in this air and keeps creeping.",
            thick=thick,
            days=Number(DAYS),
        )
    else:
        set_at = _span(found.set_h)
        end = phrase("a wet film of {thick} sets after {span}; then nothing flows any more.", thick=thick, span=set_at)
    if found.drift_mm < _NOTHING_MM:
        return Capital(end)  # a mix that holds from the start, or a level table
    return phrase(
        "It begins at {mm} mm an hour. Half of it has happened {half} after the pour, nine tenths after {most}: {end}",
        mm=Number(found.first_speed_mm_h),
        half=_span(found.half_of_it_by_h),
        most=_span(found.most_of_it_by_h),
        end=end,
    )


def _how_level(found: DriftOut, size_m: tuple[float, float] | None) -> Words:
    far = _far(found.inputs.limit_mm)
    if math.radians(found.tilt_for_limit_deg) >= flow.STEEPEST * 0.999:
        return phrase("It stays within {length} whatever the tilt: its yield stress holds it.", length=far)
    tilt = _angle(found.tilt_for_limit_deg)
    allowed = phrase("For at most {length} of drift, level it to within {tilt}.", length=far, tilt=tilt)
    return allowed if found.drift_mm <= found.inputs.limit_mm else joined(allowed, _shim(found.inputs.tilt_deg, size_m))


def _shim(tilt_deg: float, size_m: tuple[float, float] | None) -> Words:
    rise = math.tan(math.radians(tilt_deg))
    if size_m is None:
        said = phrase(
            "Shim the low side now: {mm} mm under each metre brings it level.", mm=Number(rise * 1e3, figures=2)
        )
        return said
    return phrase(
        "Shim the low side now: {mm} mm under the low end of its {side} side.",
        mm=Number(rise * 1e3 * max(size_m), figures=2),
        side=Length(max(size_m)),
    )


def _doubt(found: DriftOut) -> Words:
    return phrase(
        "An estimate for {viscosity} Pa·s at the pour: a mix half as thick drifts twice as far. It takes the mix to "
        "set a little at rest, as common practice has it; one that never does would drift {length}. Deeper paint "
        "moves less than the surface.",
        viscosity=Number(found.inputs.viscosity_pa_s, figures=6),
        length=_far(found.drift_if_it_never_sets_mm),
    )


def _angle(tilt_deg: float) -> Words:
    slope = slope_text(math.radians(tilt_deg))
    return phrase("{degrees}° ({slope})", degrees=Number(tilt_deg, figures=2), slope=slope)


def _far(mm: float) -> str:
    """`8.4 mm`, `0.33 in`, `12 cm`: as finely as it is known."""
    r = reads()
    if r.measures == "us":
        return f"{r.figures(mm / 25.4, 2)} in"
    return f"{r.figures(mm, 2)} mm" if mm < 99.5 else f"{r.number(mm / 10)} cm"


def _span(hours: float) -> Span:
    return Span(timedelta(hours=hours))


def of_a_piece(found: MeasuredDrift) -> Message:
    """What the tilts measured of a piece come to."""
    if found.drift_m is None or found.tilt_for_limit is None:
        return phrase("The air of its room was not read, so how far that moves the design cannot be told.")
    allowed = phrase("{length} takes {slope}", length=_far(found.limit_m * 1e3), slope=slope_text(found.tilt_for_limit))
    values: dict[str, Value] = {"length": _far(found.drift_m * 1e3), "allowed": allowed}
    if found.drift_m < STAYS:
        return phrase("Level enough: until it sets that moves the design about {length}; {allowed}.", **values)
    return phrase(
        "Until it sets that moves the design about {length}; {allowed}. Shim the low side while it flows: the first "
        "three quarters of an hour do most of the moving.",
        **values,
    )
