"""What is typed into the fields of forms, understood: pours, numbers with their unit, moments, names."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from curewatch.desk import PourOrder
from curewatch.desk.reports.board import CachedBoard
from curewatch.intake.typed import not_future, parse_time
from curewatch.intake.typed.pours import CorrectionWords, PourWords, continued, pour_orders
from curewatch.intake.typed.quantities import LAYERS_M
from curewatch.intake.typed.wet_thickness import as_thick_as
from curewatch.records import Support
from curewatch.records.errors import HOW, Field, InputError, NearName
from curewatch.settings.values import AIR_SPEEDS_M_S
from curewatch.studio.forecasting.drying import Drying
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
    Field.ANYWAY: "tap once more below",
    Field.AT: "When",
    Field.BY: "Your name",
    Field.DUE: "Ready by",
    Field.GRAMS: "Weight",
    Field.HOURS: "For",
    Field.KIND: "Alarm",
    Field.READY: "For",
    Field.RESOLUTION: "The scale's step",
    Field.SHOWS: "What it shows",
    Field.SUPPORT: "Surface",
    Field.TIMES: "How many",
}
"""What a field is called on a page, where that is not its own name."""


def label_of(field: Field) -> str:
    return LABELS.get(field, field.replace("_", " ").capitalize())


def refusal(error: InputError) -> str:
    """An error as a page says it."""
    return " ".join(map(_refusal, error.each))


def _refusal(error: InputError) -> str:
    if error.field in HOW and (error.is_empty or error.given is None):
        how = HOW[Field(error.field)]
        return f"{how[0].upper()}{how[1:]}."
    return error.in_words(label_of)


@dataclass(frozen=True)
class Wrong:
    """What of a form cannot be: all of it at once, each to be said at its field."""

    at: Mapping[str, str]
    """By the field, or by nothing where it is the whole that cannot be."""
    is_near: bool = False
    """A name of them may be a slip, or a new one."""

    @classmethod
    def of(cls, error: InputError) -> Wrong:
        told = {one.field: _refusal(one) for one in error.each}
        return cls(told, any(isinstance(one, NearName) for one in error.each))

    def __str__(self) -> str:
        return " ".join(self.at.values())

    @property
    def first(self) -> str:
        """The field that takes the focus."""
        return next(iter(self.at))


MOST_AT_ONCE = 12
AGAIN = (1, 2, 4)
"""So many of the last pour once more, with one tap."""
RECENT, SIZES = 30, 5
"""So many of the last pours are looked at for what may come again, and so many sizes of theirs are offered."""


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

    def again(self, count: int, taken: Collection[str], at: datetime) -> list[PourOrder]:
        """The same pour once more, or several times. Its place is taken by the last one, so it is left open."""
        return pour_orders(
            continued(self.name, count, taken),
            as_thick_as(self.wet_thickness_m, self.size or None),
            self.room,
            at,
            recipe=self.recipe,
            silicone=self.silicone,
            support=self.support,
            air_speed_m_s=self.air_speed_m_s,
        )


def _size(width_m: float, height_m: float, is_round: bool) -> str:
    if is_round:
        return f"round {width_m * 100:.4g}cm"
    return f"{width_m * 100:.4g}x{height_m * 100:.4g}cm"


def moment_of(form: Mapping[str, str], now: datetime, zone: tzinfo) -> datetime:
    """When: one of the choices, or as typed. Raises InputError."""
    chosen = form.get("when", "now")
    text = form.get("when_typed", "").strip() if chosen == "typed" else chosen
    at = parse_time(text, field=Field.AT, now=now, zone=zone)
    return min(not_future(at, now, field=Field.AT, given=text), now)


def pour_words(form: Mapping[str, str], preset: Preset | None) -> PourWords:
    """What a filled-in form tells of a pour, as words."""
    words = PourWords(
        room=form.get("room_typed") or form.get("room", ""),
        size=form.get("size") or None,
        place=form.get("place") or None,
        recipe=form.get("recipe") or None,
        air=form.get("air") or None,
        silicone=form.get("silicone") == "yes",
        pair=form.get("pair") or None,
        support=form.get("support") or Support.CANVAS,
        new=form.get("new") == "yes",
    )
    way = form.get("thickness", "")
    if way == "same" and preset is not None:
        return replace(words, as_last_m=preset.wet_thickness_m)
    if way in LAYERS_M:
        return replace(words, layer=way)
    if way == "gauge":
        return replace(words, wet_thickness=with_unit(form.get("gauge", ""), "mm"))
    ran_off = with_unit(form.get("ran_off", ""), "ml") or None
    if way == "volume":
        return replace(words, poured=with_unit(form.get("poured", ""), "ml"), ran_off=ran_off)
    if way == "mass":
        return replace(words, paint=with_unit(form.get("paint", ""), "g"), ran_off=ran_off)
    return words


def known_of(drying: Drying, zone: tzinfo) -> dict[str, str]:
    """What is known of a pour, as the form that corrects it is filled in."""
    preset, stay = Preset.of(drying), drying.stays[0]
    return {
        "name": preset.name,
        "start": f"{drying.pour.at.astimezone(zone):%Y-%m-%d %H:%M}",
        "room": stay.room,
        "place": stay.place or "",
        "size": preset.size,
        "recipe": preset.recipe,
        "support": preset.support.value,
        "silicone": "yes" if preset.silicone else "no",
        "thick": f"{number(preset.wet_thickness_m * 1e3, 2)} mm",
    }


def correction_words(form: Mapping[str, str], known: Mapping[str, str]) -> CorrectionWords:
    """What a form tells that is not as it is `known`."""
    said = {name: value for name, value in form.items() if value != known.get(name)}
    way = form.get("thickness", "")
    poured, ran_off = (with_unit(form.get(name, ""), "ml") for name in ("poured", "ran_off"))
    return CorrectionWords(
        name=said.get("name"),
        room=form.get("room_typed") or said.get("room"),
        place=said.get("place"),
        wet_thickness=with_unit(form.get("gauge", ""), "mm") if way == "gauge" else None,
        poured=poured if way == "volume" else None,
        ran_off=(ran_off or None) if way == "volume" else None,
        layer=way if way in LAYERS_M else None,
        size=said.get("size") or None,
        recipe=said.get("recipe") or None,
        silicone=said["silicone"] == "yes" if "silicone" in said else None,
        support=said.get("support"),
        new=form.get("new") == "yes",
    )


def newest_pours(kept: CachedBoard) -> list[Drying]:
    """The pieces here, those that were logged last first."""
    return sorted(kept.snapshot.dryings, key=lambda one: (one.piece.created_at, one.piece.id), reverse=True)


def recent_sizes(presets: Iterable[Preset]) -> list[str]:
    """What the last pieces measured, the newest first."""
    return list(dict.fromkeys(one.size for one in presets if one.size))[:SIZES]
