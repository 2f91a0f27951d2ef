"""The ways to a wet thickness: a comb gauge, volume over area, or a word. Exactly one is to be taken."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal

from curewatch.intake.typed.quantities import LAYERS_M, VOLUME, WET_FILM, parse_shape
from curewatch.language import Thickness as Film
from curewatch.language import Volume, phrase
from curewatch.physics.film import wet_thickness
from curewatch.records import WET_THICKNESS_RANGE_M, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Paint
from curewatch.studio.mixing import Shape

ONE_WAY = phrase(
    "one way to a thickness: {gauge}, or {poured} with {ran_off} and {size}, or {paint} of a recipe whose parts are "
    "told, with {size}, or {layer}",
    gauge=Field.WET_THICKNESS, poured=Field.POURED, ran_off=Field.RAN_OFF, size=Field.SIZE, paint=Field.PAINT,
    layer=Field.LAYER,
)  # fmt: skip
_ONLY = phrase(
    "only one way to a thickness: {gauge}, or {poured} with {ran_off} and {size}, or {paint} of a recipe whose parts "
    "are told, with {size}, or {layer}"
)
RAN_OFF = replace(VOLUME, low=Decimal(0), span=phrase("between 0 ml and 50 l"), bare_unit=None)


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
            raise InputError(Field.POURED, None, phrase("the volume of which {ran_off} ran off", ran_off=Field.RAN_OFF))
        raise InputError(Field.WET_THICKNESS, None, ONE_WAY)
    if len(taken) > 1:
        first, second = list(taken)[:2]
        raise InputError(
            second, taken[second], replace(ONE_WAY, text=_ONLY.text), phrase("beside {first}", first=first)
        )
    if ran_off is not None and poured is None:
        raise InputError(
            Field.RAN_OFF,
            ran_off,
            phrase("how much was poured, too ({poured})", poured=Field.POURED),
            phrase("which alone tells no thickness"),
        )
    if wet_thickness is not None:
        return of_metres(WET_FILM.parse(wet_thickness, Field.WET_THICKNESS), ThicknessSource.GAUGE, shape_of(size))
    if layer is not None:
        return of_metres(_layer(layer), ThicknessSource.LAYER, shape_of(size))
    assert poured is not None
    return of_volume(paint_of(poured, ran_off), shape_of(size), poured)


def as_thick_as(metres: float, size: str | None) -> Thickness:
    """A film taken to be as thick as the last one: nobody has measured this one, so it is no surer than a word."""
    return of_metres(metres, ThicknessSource.LAYER, shape_of(size))


def of_metres(
    metres: float, source: ThicknessSource, shape: Shape | None = None, paint: Paint | None = None
) -> Thickness:
    """A thickness told as a number [m], at the ends of the range whatever rounding did; and what was poured."""
    low, high = WET_THICKNESS_RANGE_M
    is_round = shape is not None and shape.round
    size_m = None if shape is None else (shape.width, shape.height)
    return Thickness(min(max(metres, low), high), source, size_m, is_round, paint=paint)


def of_volume(paint: Paint, shape: Shape | None, poured: str, field: Field = Field.POURED) -> Thickness:
    """Of a volume less what ran off, over the face. InputError for no face, or no film; `poured`: as it was told."""
    if shape is None:
        raise InputError(
            Field.SIZE, None, phrase("width x height of the piece the volume was poured onto, such as 40x50cm")
        )
    assert paint.poured_m3 is not None
    metres = wet_thickness(paint.poured_m3, paint.ran_off_m3 or 0.0, shape.area)
    low, high = WET_THICKNESS_RANGE_M
    if not low <= metres <= high:
        spread = phrase("which over {shape} makes {film}", shape=shape.in_words, film=Film(metres, 3))
        allowed = phrase("{what} {span}", what=WET_FILM.what, span=WET_FILM.span)
        raise InputError(field, poured, allowed, spread)
    return replace(of_metres(metres, ThicknessSource.VOLUME, shape, paint), drained=paint.ran_off_m3 is not None)


Density = Callable[[str | None], float]
"""Of a recipe's wet mix [kg/m3]; InputError where its parts are not known."""


def of_mass(
    kg: float, recipe: str | None, density: Density, lost_m3: float | None, shape: Shape | None, poured: str
) -> Thickness:
    """As `of_volume`, of paint that was weighed."""
    volume = kg / density(recipe)
    if lost_m3 is not None and lost_m3 >= volume:
        raise InputError(
            Field.RAN_OFF,
            f"{lost_m3 * 1e6:g} ml",
            phrase("less than was poured ({poured}, {volume})", poured=poured, volume=Volume(volume * 1e6)),
        )
    return of_volume(Paint(piece_id=0, poured_m3=volume, ran_off_m3=lost_m3), shape, poured, Field.PAINT)


def sides(width_cm: float | None, height_cm: float | None, is_round: bool) -> Shape | None:
    """A size told as numbers; None where it was not. InputError for half of one, and for an oval."""
    if (width_cm is None) != (height_cm is None):
        raise InputError(Field.SIZE, "one of them", phrase("both, or neither"))
    if width_cm is None or height_cm is None:
        return None
    if is_round and width_cm != height_cm:
        raise InputError(
            Field.ROUND, f"{width_cm} x {height_cm}", phrase("{size} that are both the diameter", size=Field.SIZE)
        )
    return Shape(width_cm / 100, height_cm / 100, is_round)


def shape_of(size: str | None) -> Shape | None:
    return None if size is None else Shape(*parse_shape(size, field=Field.SIZE))


def _layer(word: str) -> float:
    found = LAYERS_M.get(word.strip().casefold())
    if found is None:
        raise InputError(Field.LAYER, word, phrase("thin, medium or thick"))
    return found


def parse_ran_off(text: str | None) -> float | None:
    """A volume [m3]."""
    return None if text is None else RAN_OFF.parse(text, Field.RAN_OFF)


def paint_of(poured: str, ran_off: str | None) -> Paint:
    """The volume poured, and what of it ran off. InputError for what is not understood."""
    volume, lost = VOLUME.parse(poured, Field.POURED), parse_ran_off(ran_off)
    if lost is not None and lost >= volume:
        raise InputError(Field.RAN_OFF, ran_off, phrase("less than was poured ({poured})", poured=poured))
    return Paint(piece_id=0, poured_m3=volume, ran_off_m3=lost)
