"""The ways to a wet thickness: a comb gauge, volume over area, or a word. Exactly one is to be taken."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from curewatch.cli.errors import Missing
from curewatch.intake.layers import LAYERS_M
from curewatch.intake.quantities import VOLUME, WET_FILM, parse_size, parse_thickness, parse_volume
from curewatch.intake.typed import BadInput
from curewatch.physics.thickness import wet_thickness
from curewatch.records import WET_THICKNESS_RANGE_M, ThicknessSource

ONE_WAY = "one way to a thickness: --wet-thickness, or --poured with --ran-off and --size, or --layer"
RAN_OFF = replace(VOLUME, low=Decimal(0), span="between 0 ml and 50 l", bare_unit=None)


@dataclass(frozen=True)
class Thickness:
    """A wet thickness, how it was come by, and the size of the piece where it was told."""

    metres: float
    source: ThicknessSource
    size_m: tuple[float, float] | None = None
    drained: bool = True
    """False where nothing was said of what ran off a poured volume."""


def thickness_of(
    wet_thickness: str | None, poured: str | None, ran_off: str | None, size: str | None, layer: str | None
) -> Thickness:
    """The thickness these options tell, as typed; BadInput for none, for more than one way, and for half a way."""
    ways = {"--wet-thickness": wet_thickness, "--poured": poured, "--layer": layer}
    taken = {option: given for option, given in ways.items() if given is not None}
    if not taken:
        if ran_off is not None:
            raise Missing("--poured", "the volume of which --ran-off ran off")
        raise Missing("--wet-thickness", ONE_WAY)
    if len(taken) > 1:
        first, second = list(taken)[:2]
        raise BadInput(second, taken[second], f"only {ONE_WAY}", f"beside {first}")
    if ran_off is not None and poured is None:
        raise BadInput("--ran-off", ran_off, "how much was poured, too (--poured)", "which alone tells no thickness")
    size_m = None if size is None else parse_size(size)
    if wet_thickness is not None:
        return Thickness(parse_thickness(wet_thickness), ThicknessSource.GAUGE, size_m)
    if layer is not None:
        return Thickness(_layer(layer), ThicknessSource.LAYER, size_m)
    assert poured is not None
    if size_m is None:
        raise Missing("--size", "width x height of the piece the volume was poured onto, such as 40x50cm")
    return Thickness(
        _volume_over_area(poured, ran_off, size_m), ThicknessSource.VOLUME, size_m, drained=ran_off is not None
    )


def _layer(word: str) -> float:
    found = LAYERS_M.get(word.strip().casefold())
    if found is None:
        raise BadInput("--layer", word, "thin, medium or thick")
    return found


def _volume_over_area(poured: str, ran_off: str | None, size_m: tuple[float, float]) -> float:
    volume = parse_volume(poured)
    lost = 0.0 if ran_off is None else RAN_OFF.parse(ran_off, "--ran-off")
    if lost >= volume:
        raise BadInput("--ran-off", ran_off, f"less than was poured ({poured})")
    thickness = wet_thickness(volume, lost, size_m[0] * size_m[1])
    low, high = WET_THICKNESS_RANGE_M
    if not low <= thickness <= high:
        spread = f"which over {size_m[0] * 100:g} x {size_m[1] * 100:g} cm makes {thickness * 1e3:.3g} mm"
        raise BadInput("--poured", poured, f"{WET_FILM.what} {WET_FILM.span}", spread)
    return thickness
