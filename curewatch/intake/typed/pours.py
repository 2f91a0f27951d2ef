"""A pour understood, in words or in numbers, for command, page and API alike; and how a series is named."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from curewatch.desk import PourOrder
from curewatch.desk.commands.correcting import PourChange
from curewatch.desk.orders import DEFAULT_RECIPE
from curewatch.intake.typed.levelling import TILT
from curewatch.intake.typed.names import named
from curewatch.intake.typed.numbers import whole_number
from curewatch.intake.typed.quantities import MASS, parse_air, parse_support
from curewatch.intake.typed.times import parse_due
from curewatch.intake.typed.wet_thickness import (
    Density,
    Thickness,
    as_thick_as,
    of_mass,
    paint_of,
    parse_ran_off,
    shape_of,
    thickness_of,
)
from curewatch.language import phrase
from curewatch.records import MilestoneKind, Support, ThicknessSource
from curewatch.records.errors import Field, InputError, understood
from curewatch.records.workshop import Paint, Promise

MOST_ALIKE = 100
"""Pieces of one series."""
PLANNED = "planned"
"""The name of a pour that nobody has made yet."""
_NUMBERED = re.compile(r"(.*\S) +(\d{1,4})")


@dataclass(frozen=True, kw_only=True)
class PourWords:
    """A pour as people type it; None: not said."""

    room: str
    name: str = PLANNED
    times: str = "1"
    wet_thickness: str | None = None
    poured: str | None = None
    ran_off: str | None = None
    layer: str | None = None
    as_last_m: float | None = None
    """Instead of those: taken to be as thick as the last one [m]."""
    size: str | None = None
    place: str | None = None
    recipe: str | None = None
    silicone: bool = False
    support: str = "canvas"
    air: str | None = None
    tilt: str | None = None
    paint: str | None = None
    """By the scale, for all of the series together."""
    new: bool = False
    """A room, place or recipe that sounds like a known one is another."""
    pair: str | None = None
    """What half of the pieces differ in, to be compared: `silicone`, or another recipe."""

    def orders(self, at: datetime, density: Density | None = None, most: int = MOST_ALIKE) -> list[PourOrder]:
        """One for each piece of the series. InputError for whatever is not understood.

        `density`: of recipes, where the paint's mass may tell the thickness.
        """
        understood(
            lambda: named(self.name, Field.NAME),
            lambda: self._names(most),
            lambda: named(self.room, Field.ROOM),
            lambda: self._thickness(self._paint_kg(most), density),
            lambda: shape_of(self.size),
            lambda: self.place is None or named(self.place, Field.PLACE),
            lambda: self.recipe is None or named(self.recipe, Field.RECIPE),
            lambda: parse_support(self.support, field=Field.SUPPORT),
            lambda: self.air is None or parse_air(self.air, field=Field.AIR),
            lambda: self.tilt is None or TILT.parse(self.tilt, Field.TILT),
            lambda: self.pair is None or named(self.pair, Field.PAIR),
        )
        names, paint_kg = self._names(most), self._paint_kg(most)
        thickness = self._thickness(paint_kg, density)
        orders = pour_orders(
            names,
            thickness,
            named(self.room, Field.ROOM),
            at,
            place=None if self.place is None else named(self.place, Field.PLACE),
            recipe=None if self.recipe is None else named(self.recipe, Field.RECIPE),
            silicone=self.silicone,
            support=parse_support(self.support, field=Field.SUPPORT),
            air_speed_m_s=None if self.air is None else parse_air(self.air, field=Field.AIR),
            tilt_rad=None if self.tilt is None else TILT.parse(self.tilt, Field.TILT),
            paint_g=None if paint_kg is None else 1e3 * paint_kg,
            new=self.new,
        )
        return orders if self.pair is None else paired(orders, named(self.pair, Field.RECIPE))

    def _names(self, most: int) -> list[str]:
        count = whole_number(self.times, most, Field.TIMES)
        return series(self.name.strip(), count if self.pair is None else 2 * count)

    def _paint_kg(self, most: int) -> float | None:
        """For one piece."""
        return None if self.paint is None else MASS.parse(self.paint, Field.PAINT) / len(self._names(most))

    def _thickness(self, paint_kg: float | None, density: Density | None) -> Thickness:
        if self.as_last_m is not None:
            return as_thick_as(self.as_last_m, self.size)
        ways = (self.wet_thickness, self.poured, self.layer)
        if paint_kg is not None and density is not None and ways == (None, None, None):
            recipe = None if self.recipe is None else named(self.recipe, Field.RECIPE)
            lost, shape = parse_ran_off(self.ran_off), None if self.size is None else shape_of(self.size)
            return of_mass(paint_kg, recipe, density, lost, shape, self.paint or "")
        return thickness_of(self.wet_thickness, self.poured, self.ran_off, self.size, self.layer)


@dataclass(frozen=True, kw_only=True)
class CorrectionWords:
    """What was otherwise of a pour, as people type it; None: it was as it is known."""

    name: str | None = None
    room: str | None = None
    place: str | None = None
    """Empty: at none in particular."""
    wet_thickness: str | None = None
    poured: str | None = None
    ran_off: str | None = None
    layer: str | None = None
    size: str | None = None
    recipe: str | None = None
    silicone: bool | None = None
    support: str | None = None
    air: str | None = None
    new: bool = False

    def change(self, at: datetime | None) -> PourChange:
        """In SI. InputError for whatever is not understood."""
        understood(
            lambda: self.name is None or named(self.name, Field.TO),
            lambda: self.room is None or named(self.room, Field.ROOM),
            lambda: self.place and named(self.place, Field.PLACE),
            self._thickness,
            lambda: shape_of(self.size),
            lambda: self.recipe is None or named(self.recipe, Field.RECIPE),
            lambda: self.support is None or parse_support(self.support, field=Field.SUPPORT),
            lambda: self.air is None or parse_air(self.air, field=Field.AIR),
        )
        metres, source, paint = self._thickness()
        shape = None if self.size is None else shape_of(self.size)
        return PourChange(
            name=None if self.name is None else named(self.name, Field.TO),
            at=at,
            room=None if self.room is None else named(self.room, Field.ROOM),
            place=self.place and named(self.place, Field.PLACE),
            wet_thickness_m=metres,
            thickness_source=source,
            paint=paint,
            size_m=None if shape is None else (shape.width, shape.height),
            round=shape is not None and shape.round,
            recipe=None if self.recipe is None else named(self.recipe, Field.RECIPE),
            silicone=self.silicone,
            support=None if self.support is None else parse_support(self.support, field=Field.SUPPORT),
            air_speed_m_s=None if self.air is None else parse_air(self.air, field=Field.AIR),
            new=self.new,
        )

    def _thickness(self) -> tuple[float | None, ThicknessSource, Paint | None]:
        """As it was told, and how; or the paint, whose face the piece says."""
        if self.poured is not None and self.wet_thickness is None and self.layer is None:
            return None, ThicknessSource.GAUGE, paint_of(self.poured, self.ran_off)
        if any(one is not None for one in (self.wet_thickness, self.layer, self.ran_off)):
            told = thickness_of(self.wet_thickness, self.poured, self.ran_off, self.size, self.layer)
            return told.metres, told.source, None
        return None, ThicknessSource.GAUGE, None


def pour_orders(
    names: Sequence[str],
    thickness: Thickness,
    room: str,
    at: datetime,
    *,
    place: str | None = None,
    recipe: str | None = None,
    silicone: bool = False,
    support: Support = Support.CANVAS,
    air_speed_m_s: float | None = None,
    tilt_rad: float | None = None,
    paint_g: float | None = None,
    new: bool = False,
) -> list[PourOrder]:
    """Alike pours of these names, in SI. InputError for a name that cannot be one: its number may make it too long.

    `paint_g`: what each piece took by the scale [g]; None: the volume poured, where the thickness was told by one.
    """
    paint = thickness.paint if paint_g is None else Paint(piece_id=0, poured_g=round(paint_g, 3))
    order = PourOrder(
        name=PLANNED, room=room, at=at, place=place, recipe=recipe, silicone=silicone, support=support,
        wet_thickness_m=thickness.metres, thickness_source=thickness.source, size_m=thickness.size_m,
        round=thickness.round, air_speed_m_s=air_speed_m_s, tilt_rad=tilt_rad, paint=paint, new=new,
    )  # fmt: skip
    stem = series_name(names)
    return [replace(order, name=named(name, Field.NAME), series=stem) for name in names]


READY_FOR = (MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY)
"""What a piece may be promised as."""


def promise_told(
    due: str | datetime | None, occasion: str | None, ready: str | None, now: datetime, zone: tzinfo
) -> Promise | None:
    """By when a piece is to be ready, and for what; None where nothing was said of it. Raises InputError."""
    if due is None:
        for field, given in ((Field.OCCASION, occasion), (Field.READY, ready)):
            if given is not None:
                raise InputError(
                    field,
                    given,
                    phrase("{due}, by when it is to be ready", due=Field.DUE),
                    phrase("which alone is no date"),
                )
        return None
    at = parse_due(due, now=now, zone=zone) if isinstance(due, str) else due
    if at <= now:
        raise InputError(Field.DUE, str(due), phrase("a day or time to come"))
    kind = (ready or READY_FOR[0].value).strip().casefold().replace("-", "_").replace(" ", "_")
    if kind not in READY_FOR:
        raise InputError(Field.READY, ready, " or ".join(one.value.replace("_", "-") for one in READY_FOR))
    what = None if occasion is None else named(occasion, Field.OCCASION)
    return Promise(piece_id=0, due_at=at, ready=MilestoneKind(kind), occasion=what, logged_at=now)


SILICONE = "silicone"


def paired(orders: list[PourOrder], differs: str) -> list[PourOrder]:
    """The second half of them otherwise: without the silicone of the first or with it, or of another recipe."""
    half = len(orders) // 2
    if differs.casefold() == SILICONE:
        others = [replace(order, silicone=not order.silicone) for order in orders[half:]]
    elif differs == (orders[0].recipe or DEFAULT_RECIPE):
        raise InputError(Field.PAIR, differs, phrase("silicone, or the name of another recipe than the first is of"))
    else:
        others = [replace(order, recipe=differs) for order in orders[half:]]
    return orders[:half] + others


def series_name(names: Sequence[str]) -> str | None:
    """What several numbered pieces are together; None of one, or where they have no name in common.

    >>> series_name(["Heron 3", "Heron 4"]), series_name(["Heron"])
    ('Heron', None)
    """
    stems = {found[1] if (found := _NUMBERED.fullmatch(name)) else None for name in names}
    return stems.pop() if len(names) > 1 and len(stems) == 1 else None


def series(name: str, count: int, first: int = 1) -> list[str]:
    """The names of so many alike pieces: one bears the name itself, several are numbered.

    >>> series("Heron", 1), series("Heron", 2)
    (['Heron'], ['Heron 1', 'Heron 2'])
    """
    if count == first == 1:
        return [name]
    return [f"{name} {number}" for number in range(first, first + count)]


def continued(last: str, count: int, taken: Collection[str]) -> list[str]:
    """Names to offer for `count` more pieces like `last`: it alone if it is free, else the next free numbers.

    >>> continued("Heron", 2, {"Heron", "Heron 2"})
    ['Heron 3', 'Heron 4']
    """
    if count == 1 and last not in taken:
        return [last]
    found = _NUMBERED.fullmatch(last)
    stem = found[1] if found else last
    used = {int(other[2]) for name in taken if (other := _NUMBERED.fullmatch(name)) and other[1] == stem}
    return series(stem, count, max([*used, 1 if stem in taken else 0]) + 1)
