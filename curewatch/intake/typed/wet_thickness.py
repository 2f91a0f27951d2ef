"""The ways to a wet thickness: a comb gauge, volume over area, or a word. Exactly one is to be taken."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal

from curewatch.intake.typed.quantities import LAYERS_M, VOLUME, WET_FILM, parse_shape
from curewatch.physics.film import wet_thickness
from curewatch.records import WET_THICKNESS_RANGE_M, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Paint
from curewatch.studio.mixing import Shape

ONE_WAY = (
    "one way to a thickness: ", Field.WET_THICKNESS,
    ", or ", Field.POURED, " with ", Field.RAN_OFF, " and ", Field.SIZE, ", or ", Field.LAYER,
)  # fmt: skip
RAN_OFF = replace(VOLUME, low=Decimal(0), span="between 0 ml and 50 l", bare_unit=None)


@dataclass(frozen=True)
class Thickness:
    """A wet thickness, how it was come by, and the size of the piece where it was told."""

    metres: float
    source: ThicknessSource
    size_m: tuple[float, float] | None = None
    round: bool = False
    drained: bool = True
    """False where nothing was said of what ran off a poured volume."""
    paint: Paint | None = field(default=None, compare=False)
    """The volume poured, where that was told."""


def thickness_of(
    wet_thickness: str | None, poured: str | None, ran_off: str | None, size: str | None, layer: str | None
) -> Thickness:
    """The thickness these options tell, as typed; InputError for none, for more than one way, and for half a way."""
    ways = {Field.WET_THICKNESS: wet_thickness, Field.POURED: poured, Field.LAYER: layer}
    taken = {field: given for field, given in ways.items() if given is not None}
    if not taken:
        if ran_off is not None:
            raise InputError(Field.POURED, None, ("the volume of which ", Field.RAN_OFF, " ran off"))
        raise InputError(Field.WET_THICKNESS, None, ONE_WAY)
    if len(taken) > 1:
        first, second = list(taken)[:2]
        raise InputError(second, taken[second], ("only ", *ONE_WAY), ("beside ", first))
    if ran_off is not None and poured is None:
        raise InputError(
            Field.RAN_OFF, ran_off, ("how much was poured, too (", Field.POURED, ")"), "which alone tells no thickness"
        )
    shape = None if size is None else parse_shape(size, field=Field.SIZE)
    size_m, is_round = (None, False) if shape is None else (shape[:2], shape[2])
    if wet_thickness is not None:
        return Thickness(WET_FILM.parse(wet_thickness, Field.WET_THICKNESS), ThicknessSource.GAUGE, size_m, is_round)
    if layer is not None:
        return Thickness(_layer(layer), ThicknessSource.LAYER, size_m, is_round)
    assert poured is not None
    if shape is None:
        raise InputError(Field.SIZE, None, "width x height of the piece the volume was poured onto, such as 40x50cm")
    paint = _paint(poured, ran_off)
    metres = _over_area(poured, paint, Shape(*shape))
    return Thickness(metres, ThicknessSource.VOLUME, size_m, is_round, drained=ran_off is not None, paint=paint)


def _layer(word: str) -> float:
    found = LAYERS_M.get(word.strip().casefold())
    if found is None:
        raise InputError(Field.LAYER, word, "thin, medium or thick")
    return found


def _paint(poured: str, ran_off: str | None) -> Paint:
    volume = VOLUME.parse(poured, Field.POURED)
    lost = None if ran_off is None else RAN_OFF.parse(ran_off, Field.RAN_OFF)
    if lost is not None and lost >= volume:
        raise InputError(Field.RAN_OFF, ran_off, f"less than was poured ({poured})")
    return Paint(piece_id=0, poured_m3=volume, ran_off_m3=lost)


def _over_area(poured: str, paint: Paint, shape: Shape) -> float:
    assert paint.poured_m3 is not None
    thickness = wet_thickness(paint.poured_m3, paint.ran_off_m3 or 0.0, shape.area)
    low, high = WET_THICKNESS_RANGE_M
    if not low <= thickness <= high:
        spread = f"which over {shape.in_words} makes {thickness * 1e3:.3g} mm"
        raise InputError(Field.POURED, poured, f"{WET_FILM.what} {WET_FILM.span}", spread)
    return thickness
