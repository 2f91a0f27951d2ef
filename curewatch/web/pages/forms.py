"""What is typed into the fields of forms, understood: pours, numbers with their unit, moments, names."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from decimal import Decimal

from curewatch.desk import PourOrder
from curewatch.desk.reports.board import CachedBoard
from curewatch.intake.typed import not_future, parse_air, parse_time
from curewatch.intake.typed.quantities import (
    LAYERS_M,
    VOLUME,
    WET_FILM,
    parse_shape,
    parse_support,
)
from curewatch.records import NAME_MOST, WET_THICKNESS_RANGE_M, Support, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Paint
from curewatch.settings.values import AIR_SPEEDS_M_S
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.mixing import Shape
from curewatch.web.texts import number

_BARE = re.compile(r"[+\-−]?[0-9]+([.,][0-9]+)?")


def with_unit(text: str, unit: str) -> str:
    """A bare number in the unit that stands beside its field; anything else as it was typed.

    >>> with_unit("18,5", "C"), with_unit("64 F", "C")
    ('18,5C', '64 F')
    """
    return f"{text}{unit}" if _BARE.fullmatch(text) else text


LABELS = {
    Field.AGAIN: "Same again",
    Field.ANYWAY: "“out of turn” ticked",
    Field.AT: "When",
    Field.DUE: "Ready by",
    Field.GRAMS: "Weight",
    Field.HOURS: "For",
    Field.KIND: "Alarm",
    Field.READY: "For",
    Field.RESOLUTION: "The scale's step",
    Field.SUPPORT: "Behind it",
    Field.TIMES: "How many",
}
"""What a field is called on a page, where that is not its own name."""


def label_of(field: Field) -> str:
    return LABELS.get(field, field.replace("_", " ").capitalize())


MOST_AT_ONCE = 12
AGAIN = (1, 2, 4)
"""So many of the last pour once more, with one tap."""
RECENT, SIZES = 30, 5
"""So many of the last pours are looked at for what may come again, and so many sizes of theirs are offered."""
ASSUMED = ThicknessSource.LAYER
"""A film taken to be as thick as the last one: nobody has measured this one, so it is no surer than a word."""
_NUMBERED = re.compile(r"(.*\S) +(\d{1,4})")


@dataclass(frozen=True)
class Preset:
    """What the last pour was, to be had again with one tap."""

    name: str
    room: str
    place: str
    size: str
    recipe: str
    wet_thickness_m: float
    silicone: bool
    support: Support
    air_speed_m_s: float

    @classmethod
    def of(cls, drying: Drying) -> Preset:
        pour = drying.pour
        size = "" if pour.width_m is None or pour.height_m is None else _size(pour.width_m, pour.height_m, pour.round)
        return cls(
            name=drying.piece.name,
            room=drying.room,
            place=drying.place or "",
            size=size,
            recipe=pour.recipe,
            wet_thickness_m=pour.wet_thickness_m,
            silicone=pour.silicone,
            support=pour.support,
            air_speed_m_s=drying.air_speed,
        )

    @property
    def in_words(self) -> str:
        """All that another one takes over: `river blend, 1.4 mm assumed alike, 30x40cm on canvas, in Shed, …`."""
        mix = f"{self.recipe}{' with silicone' if self.silicone else ''}"
        on = f"{self.size} on {self.support}".strip()
        words = {speed: word for word, speed in AIR_SPEEDS_M_S.items()}
        air = words.get(self.air_speed_m_s, f"{self.air_speed_m_s:g} m/s")
        thick = f"{number(self.wet_thickness_m * 1e3, 1)} mm assumed alike"
        return f"{mix}, {thick}, {on}, in {self.room}, air over it: {air}"

    def again(self, name: str, at: datetime) -> PourOrder:
        """The same pour once more. Its place is taken by the last one, so it is left open."""
        shape = parse_shape(self.size, field=Field.SIZE) if self.size else None
        return PourOrder(
            name=name,
            room=self.room,
            at=at,
            wet_thickness_m=self.wet_thickness_m,
            thickness_source=ASSUMED,
            size_m=shape[:2] if shape else None,
            round=shape[2] if shape else False,
            recipe=self.recipe,
            silicone=self.silicone,
            support=self.support,
            air_speed_m_s=self.air_speed_m_s,
        )


def _size(width_m: float, height_m: float, is_round: bool) -> str:
    if is_round:
        return f"round {width_m * 100:.4g}cm"
    return f"{width_m * 100:.4g}x{height_m * 100:.4g}cm"


def numbered(base: str, count: int, taken: Collection[str]) -> list[str]:
    """Names for `count` pieces: the base itself if it is one and free, else the base with the next free numbers.

    >>> numbered("Heron", 2, {"Heron", "Heron 2"})
    ['Heron 3', 'Heron 4']
    """
    if count == 1 and base not in taken:
        return [base]
    found = _NUMBERED.fullmatch(base)
    stem = found[1] if found else base
    used = {int(other[2]) for name in taken if (other := _NUMBERED.fullmatch(name)) and other[1] == stem}
    first = max([*used, 1 if stem in taken else 0]) + 1
    return [f"{stem} {number}" for number in range(first, first + count)]


def count_of(text: str) -> int:
    """How many pieces. Raises InputError."""
    if not re.fullmatch(r"\d{1,2}", text) or not 1 <= int(text) <= MOST_AT_ONCE:
        raise InputError(Field.TIMES, text, f"a whole number between 1 and {MOST_AT_ONCE}")
    return int(text)


def moment_of(form: Mapping[str, str], now: datetime, zone: tzinfo) -> datetime:
    """When: one of the choices, or as typed. Raises InputError."""
    chosen = form.get("when", "now")
    text = form.get("when_typed", "").strip() if chosen == "typed" else chosen
    at = parse_time(text, field=Field.AT, now=now, zone=zone)
    return min(not_future(at, now, field=Field.AT, given=text), now)


def named(text: str, field: Field) -> str:
    """A name as people give it. Raises InputError."""
    if not 1 <= len(text) <= NAME_MOST or any(ord(c) < 32 or ord(c) == 127 or 0xD800 <= ord(c) < 0xE000 for c in text):
        raise InputError(field, text, f"a name of 1 to {NAME_MOST} characters on one line")
    return text


def orders_of(
    form: Mapping[str, str], preset: Preset | None, taken: Collection[str], now: datetime, zone: tzinfo
) -> list[PourOrder]:
    """The pours a filled-in form tells. Raises InputError, naming the field as the form does."""
    shape = _shape(form)
    metres, source, paint = _thickness(form, shape, preset)
    room = form.get("room_typed") or form.get("room", "")
    at = moment_of(form, now, zone)
    return [
        PourOrder(
            name=named(name, Field.NAME),  # its number may have made it too long
            room=named(room, Field.ROOM),
            at=at,
            wet_thickness_m=metres,
            thickness_source=source,
            place=named(form["place"], Field.PLACE) if form.get("place") else None,
            size_m=shape[:2] if shape else None,
            round=shape[2] if shape else False,
            recipe=named(form["recipe"], Field.RECIPE) if form.get("recipe") else None,
            silicone=form.get("silicone") == "yes",
            support=_support(form),
            air_speed_m_s=parse_air(form["air"], field=Field.AIR) if form.get("air") else None,
            paint=paint,
        )
        for name in numbered(named(form.get("name", ""), Field.NAME), count_of(form.get("count", "1")), taken)
    ]


def planned_of(form: Mapping[str, str], preset: Preset | None, now: datetime) -> PourOrder:
    """A pour as it would be, for a plan: its name does not matter. Raises InputError."""
    shape = _shape(form)
    metres, source, _ = _thickness(form, shape, preset)
    return PourOrder(
        name="planned",
        room=named(form.get("room_typed") or form.get("room", ""), Field.ROOM),
        at=now,
        wet_thickness_m=metres,
        thickness_source=source,
        size_m=shape[:2] if shape else None,
        round=shape[2] if shape else False,
        recipe=named(form["recipe"], Field.RECIPE) if form.get("recipe") else None,
        support=_support(form),
    )


def newest_pours(kept: CachedBoard) -> list[Drying]:
    """The pieces here, those that were logged last first."""
    return sorted(kept.snapshot.dryings, key=lambda one: (one.piece.created_at, one.piece.id), reverse=True)


def recent_sizes(presets: Iterable[Preset]) -> list[str]:
    """What the last pieces measured, the newest first."""
    return list(dict.fromkeys(one.size for one in presets if one.size))[:SIZES]


def _shape(form: Mapping[str, str]) -> tuple[float, float, bool] | None:
    return parse_shape(form["size"], field=Field.SIZE) if form.get("size") else None


def _support(form: Mapping[str, str]) -> Support:
    return parse_support(form["support"], field=Field.SUPPORT) if form.get("support") else Support.CANVAS


def _thickness(
    form: Mapping[str, str], shape: tuple[float, float, bool] | None, preset: Preset | None
) -> tuple[float, ThicknessSource, Paint | None]:
    way = form.get("thickness", "")
    if way == "same" and preset is not None:
        return preset.wet_thickness_m, ASSUMED, None
    if way in LAYERS_M:
        return LAYERS_M[way], ThicknessSource.LAYER, None
    if way == "gauge":
        text = form.get("gauge", "")
        plain = re.fullmatch(r"\d+([.,]\d+)?", text)
        return WET_FILM.parse(f"{text}mm" if plain else text, Field.WET_THICKNESS), ThicknessSource.GAUGE, None
    if way == "volume":
        metres, paint = _volume(form, shape)
        return metres, ThicknessSource.VOLUME, paint
    raise InputError(Field.WET_THICKNESS, way, f"{', '.join(LAYERS_M)}, a measured thickness, or a volume")


def _volume(form: Mapping[str, str], shape: tuple[float, float, bool] | None) -> tuple[float, Paint]:
    """Wet thickness [m] of what was poured less what ran off, over the size; and those volumes."""
    if shape is None:
        raise InputError(Field.SIZE, "", "the size that the volume was poured onto, such as 40x50cm")
    poured = VOLUME.parse(_ml(form.get("poured", "")), Field.POURED)
    ran_off = form.get("ran_off", "")
    lost = 0.0 if ran_off in ("", "0") else VOLUME.parse(_ml(ran_off), Field.RAN_OFF)
    thickness = Decimal(repr((poured - lost) / Shape(*shape).area))
    if not WET_THICKNESS_RANGE_M[0] <= thickness <= WET_THICKNESS_RANGE_M[1]:
        why = f"which makes a film of {float(thickness) * 1e3:.3g} mm"
        raise InputError(Field.POURED, form.get("poured", ""), f"{WET_FILM.what} {WET_FILM.span}", why)
    told = None if ran_off == "" else lost
    return float(thickness), Paint(piece_id=0, poured_m3=poured, ran_off_m3=told)


def _ml(text: str) -> str:
    """A bare number of a volume is millilitres: the field says so."""
    return f"{text}ml" if re.fullmatch(r"\d+([.,]\d+)?", text) else text
