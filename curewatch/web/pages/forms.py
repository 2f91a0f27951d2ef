"""What is typed into the fields of forms, understood: pours, numbers with their unit, moments, names."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from types import MappingProxyType

from curewatch.desk import PourOrder
from curewatch.desk.reports.board import CachedBoard
from curewatch.intake.typed import not_future, parse_time
from curewatch.intake.typed.pours import CorrectionWords, PourWords, continued, pour_orders
from curewatch.intake.typed.quantities import LAYERS_M
from curewatch.intake.typed.wet_thickness import as_thick_as
from curewatch.language import Capital, Message, Reader, Speed, Thickness, phrase, reads
from curewatch.language.reader import Measures
from curewatch.records import Support
from curewatch.records.errors import HOW, Field, InputError, NearName
from curewatch.settings.values import AIR_SPEEDS_M_S, AIRS
from curewatch.studio.forecasting.drying import Drying
from curewatch.web.form_units import beside, with_unit
from curewatch.web.texts import SUPPORTS, Words

LABELS: Mapping[str, Message] = {
    Field.AGAIN: phrase("Same again"),
    Field.AIR: phrase("Air"),
    Field.ANYWAY: phrase("tap once more below"),
    Field.AT: phrase("When"),
    Field.BY: phrase("Your name"),
    Field.DAYS: phrase("Days"),
    Field.DUE: phrase("Ready by"),
    Field.FILE: phrase("Photo"),
    Field.FINDING: phrase("What was found"),
    Field.FINGER: phrase("Finger test"),
    Field.GRAMS: phrase("Weight"),
    Field.HOURS: phrase("For"),
    Field.HUMIDITY: phrase("Humidity"),
    Field.KIND: phrase("Alarm"),
    Field.NAME: phrase("Name"),
    Field.NEW: phrase("tap below"),
    Field.OCCASION: phrase("What for"),
    Field.PAINT: phrase("Poured onto all"),
    Field.PAIR: phrase("To compare"),
    Field.PIECE: phrase("Piece"),
    Field.PIECES: phrase("How many pieces"),
    Field.PLACE: phrase("Place"),
    Field.POURED: phrase("Poured"),
    Field.RAN_OFF: phrase("Ran off"),
    Field.READY: phrase("For"),
    Field.RECIPE: phrase("Recipe"),
    Field.RESOLUTION: phrase("The scale's step"),
    Field.ROOM: phrase("Room"),
    Field.SHOWS: phrase("What it shows"),
    Field.SIZE: phrase("Size"),
    Field.STEP: phrase("Step"),
    Field.SUPPORT: phrase("Surface"),
    Field.SURFACE: phrase("Surface temperature"),
    Field.TEMPERATURE: phrase("Temperature"),
    Field.TIMES: phrase("How many"),
    Field.TO: phrase("Another name"),
    Field.WET_THICKNESS: phrase("Wet thickness"),
}
"""What a field is called on a page, where that is not its own name."""


def label_of(field: Field) -> str:
    said = LABELS.get(field)
    return field.replace("_", " ").capitalize() if said is None else reads().read(said)


def refusal(error: InputError) -> str:
    """An error as a page says it."""
    return " ".join(map(_refusal, error.each))


def _refusal(error: InputError) -> str:
    if error.field in HOW and (error.is_empty or error.given is None):
        return reads().read(Capital(HOW[Field(error.field)]))
    return error.in_words(label_of)


def _moment_typed(form: Mapping[str, str], field: str) -> str | None:
    if field == Field.DUE:
        return form.get("due")
    chosen = form.get("when")
    return form.get("start") or (form.get("when_typed") if chosen == "typed" else chosen)


@dataclass(frozen=True)
class Wrong:
    """What of a form cannot be: all of it at once, each to be said at its field."""

    at: Mapping[str, str]
    """By the field, or by nothing where it is the whole that cannot be."""
    is_near: bool = False
    """A name of them may be a slip, or a new one."""

    @classmethod
    def of(cls, error: InputError, typed: Mapping[str, str] = MappingProxyType({})) -> Wrong:
        """`typed`: the form, whose own words for a moment are quoted."""
        told = {one.field: _refusal(one.quoting(_moment_typed(typed, one.field))) for one in error.each}
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
AIR_WORDS = {speed: word for word, speed in AIR_SPEEDS_M_S.items()}
RECENT, SIZES = 30, 5
"""So many of the last pours are looked at for what may come again, and so many sizes of theirs are offered."""


@dataclass(frozen=True)
class Preset:
    """What the last pour was, to be had again with one tap."""

    piece_id: int
    name: str
    room: str
    place: str
    size_m: tuple[float, float] | None
    is_round: bool
    recipe: str
    wet_thickness_m: float
    silicone: bool
    support: Support
    air_speed_m_s: float
    air: str
    """The word for what was said of the air over it; empty: as the room is."""

    @classmethod
    def of(cls, drying: Drying) -> Preset:
        pour = drying.pour
        return cls(
            piece_id=drying.piece.id,
            name=drying.piece.name,
            room=drying.room,
            place=drying.place or "",
            size_m=None if pour.width_m is None or pour.height_m is None else (pour.width_m, pour.height_m),
            is_round=pour.round,
            recipe=pour.recipe,
            wet_thickness_m=pour.wet_thickness_m,
            silicone=pour.silicone,
            support=pour.support,
            air_speed_m_s=drying.air_speed,
            air=AIR_WORDS.get(pour.air_speed_m_s or 0.0, ""),
        )

    def in_words(self, words: Words) -> str:
        """All that another one takes over: `river blend, 1.4 mm assumed alike, 30x40cm on canvas, in Shed, …`."""
        phrase = words.reader.phrase
        called = {AIR_SPEEDS_M_S[word]: said for word, said in AIRS.items()}
        size, support = self.size_typed(words.reader.measures), SUPPORTS[self.support]
        return phrase(
            "{mix}, {thickness} assumed alike, {on}, in {room}, air over it: {air}",
            mix=phrase("{recipe} with silicone", recipe=self.recipe) if self.silicone else self.recipe,
            thickness=Thickness(self.wet_thickness_m),
            on=phrase("{size} on {support}", size=size, support=support)
            if size
            else phrase("on {support}", support=support),
            room=self.room,
            air=called.get(self.air_speed_m_s) or Speed(self.air_speed_m_s),
        )

    def size_typed(self, measures: Measures) -> str:
        """As it is typed into a field; empty where it was not told."""
        return "" if self.size_m is None else _size(*self.size_m, self.is_round, measures)

    def again(self, count: int, taken: Collection[str], at: datetime) -> list[PourOrder]:
        """The same pour once more, or several times. Its place is taken by the last one, so it is left open."""
        return pour_orders(
            continued(self.name, count, taken),
            as_thick_as(self.wet_thickness_m, self.size_typed("metric") or None),
            self.room,
            at,
            recipe=self.recipe,
            silicone=self.silicone,
            support=self.support,
            air_speed_m_s=self.air_speed_m_s,
        )


def _size(width_m: float, height_m: float, is_round: bool, measures: Measures) -> str:
    if measures == "us":
        inches = Reader(measures=measures)
        return f"round {inches.length(width_m)}" if is_round else inches.size(width_m, height_m)
    if is_round:
        return f"round {width_m * 100:.4g}cm"
    return f"{width_m * 100:.4g}x{height_m * 100:.4g}cm"


def moment_of(form: Mapping[str, str], now: datetime, zone: tzinfo) -> datetime:
    """When: one of the choices, or as typed. Raises InputError."""
    now = typed_at(form, now)
    chosen = form.get("when", "now")
    text = form.get("when_typed", "").strip() if chosen == "typed" else chosen
    at = parse_time(text, field=Field.AT, now=now, zone=zone)
    return min(not_future(at, now, field=Field.AT, given=text), now)


def typed_at(form: Mapping[str, str], now: datetime) -> datetime:
    """When the form was filled in: `now`, but for one that a device has kept until the studio answered. InputError."""
    ago = form.get("ago_s", "") or "0"
    if not ago.isascii() or not ago.isdigit() or len(ago) > 9 or int(ago) > KEPT_MOST.total_seconds():
        raise InputError(
            "ago_s", ago, phrase("whole seconds since it was typed, at most those of {days} days", days=KEPT_MOST.days)
        )
    return now - timedelta(seconds=int(ago))


KEPT_MOST = timedelta(days=60)
"""What was typed longer ago than that is typed again: the device's clock may have been set meanwhile."""


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
    way, (film, volume, mass) = form.get("thickness", ""), beside(form)
    if way == "same" and preset is not None:
        return replace(words, as_last_m=preset.wet_thickness_m)
    if way in LAYERS_M:
        return replace(words, layer=way)
    if way == "gauge":
        return replace(words, wet_thickness=with_unit(form.get("gauge", ""), film))
    ran_off = with_unit(form.get("ran_off", ""), volume) or None
    if way == "volume":
        return replace(words, poured=with_unit(form.get("poured", ""), volume), ran_off=ran_off)
    if way == "mass":
        return replace(words, paint=with_unit(form.get("paint", ""), mass), ran_off=ran_off)
    return words


def known_of(drying: Drying, zone: tzinfo, measures: Measures) -> dict[str, str]:
    """What is known of a pour, as the form that corrects it is filled in."""
    preset, stay = Preset.of(drying), drying.stays[0]
    return {
        "name": preset.name,
        "start": f"{drying.pour.at.astimezone(zone):%Y-%m-%d %H:%M}",
        "room": stay.room,
        "place": stay.place or "",
        "size": preset.size_typed(measures),
        "recipe": preset.recipe,
        "support": preset.support.value,
        "silicone": "yes" if preset.silicone else "no",
    }


def correction_words(form: Mapping[str, str], known: Mapping[str, str]) -> CorrectionWords:
    """What a form tells that is not as it is `known`."""
    said = {name: value for name, value in form.items() if value != known.get(name)}
    way, (film, volume, _) = form.get("thickness", ""), beside(form)
    poured, ran_off = (with_unit(form.get(name, ""), volume) for name in ("poured", "ran_off"))
    return CorrectionWords(
        name=said.get("name"),
        room=form.get("room_typed") or said.get("room"),
        place=said.get("place"),
        wet_thickness=with_unit(form.get("gauge", ""), film) if way == "gauge" else None,
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


def recent_sizes(presets: Iterable[Preset], measures: Measures) -> list[str]:
    """What the last pieces measured, the newest first."""
    typed = (one.size_typed(measures) for one in presets)
    return list(dict.fromkeys(one for one in typed if one))[:SIZES]
