"""What people hand in and get back, and the names they type: what is new is made, a near miss is pointed out."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from curewatch.language import Message, phrase, phrase_n
from curewatch.records import Piece, Pour, Recipe, Room, Support, ThicknessSource
from curewatch.records.corrections import CorrectionKind, Naming
from curewatch.records.errors import Field, InputError, NearName
from curewatch.records.names import name_key, near_name, same_name
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.records.workshop import Paint, Promise
from curewatch.store import Transaction


@dataclass(frozen=True)
class PourOrder:
    """A pour as a person tells it, in SI."""

    name: str
    room: str
    at: datetime
    wet_thickness_m: float
    thickness_source: ThicknessSource
    place: str | None = None
    size_m: tuple[float, float] | None = None
    """Width and height [m]; of a round piece its diameter, twice."""
    round: bool = False
    recipe: str | None = None
    silicone: bool = False
    support: Support = Support.CANVAS
    air_speed_m_s: float | None = None
    """None: as the room's air is set."""
    tilt_rad: float | None = None
    """How far from level its support was found to be; None: not measured."""
    paint: Paint | None = None
    """What was poured over it; whose piece that is, the store will say."""
    new: bool = False
    """A room, place or recipe that sounds like a known one is another all the same."""
    series: str | None = None
    """What it is poured as, where it is one of several."""
    promise: Promise | None = None
    """By when it is to be ready; whose that is, the store will say."""

    def pour(self, piece_id: int, room_air_m_s: float) -> Pour:
        """On that piece, in a room whose air is set to that speed [m/s]."""
        width, height = self.size_m or (None, None)
        return Pour(
            piece_id=piece_id,
            at=self.at,
            wet_thickness_m=self.wet_thickness_m,
            thickness_source=self.thickness_source,
            width_m=width,
            height_m=height,
            round=self.round,
            recipe=self.recipe or DEFAULT_RECIPE,
            silicone=self.silicone,
            support=self.support,
            air_speed_m_s=room_air_m_s if self.air_speed_m_s is None else self.air_speed_m_s,
        )


@dataclass(frozen=True)
class Logged:
    """What was stored, and what came of it."""

    piece: Piece | None = None
    room: str | None = None
    """As it is called, where it was named."""
    remarks: tuple[Remark, ...] = ()


DEFAULT_RECIPE = "house mix"
"""What a pour without a recipe is taken to be."""


def met(given: str, known: Iterable[str], field: Field, *, new: bool) -> str | None:
    """The known name that was given, whatever its case and spaces; None: it is a new one.

    NearName where it may be a slip of a known one, unless it is said to be `new`.
    """
    names = list(known)
    if (same := same_name(given, names)) is not None:
        return same
    if not new and (near := near_name(given, names)) is not None:
        raise NearName(field, given, near)
    return None


def meet_room(tx: Transaction, name: str, *, new: bool = False) -> tuple[str, list[Remark]]:
    """The room as it is called, made if it is new. NearName as `met`."""
    rooms = [room.name for room in tx.rooms()]
    if not new and same_name(name, rooms) is None and (to := called_now(tx, Naming.ROOM, name)) is not None:
        raise NearName(Field.ROOM, name, to, renamed=True)
    if (known := met(name, rooms, Field.ROOM, new=new)) is not None:
        return known, []
    tx.add_room(Room(name=name))
    return name, [Remark(RemarkKind.ROOM_NEW, name)]


def called_now(tx: Transaction, naming: Naming, name: str) -> str | None:
    """What a room or recipe is called since it was renamed or merged; None: it was not."""
    to = None
    for one in tx.corrections():
        if one.naming is naming and one.to is not None and name_key(one.name) == name_key(to or name):
            to = one.to
    return to


def meet_recipe(tx: Transaction, name: str | None, *, new: bool = False) -> tuple[str, list[Remark]]:
    """The recipe as it is called (None: the usual one, which nobody need be told of), made if it is new."""
    given = name or DEFAULT_RECIPE
    recipes = [one.name for one in tx.recipes()]
    if name and not new and same_name(name, recipes) is None and (to := called_now(tx, Naming.RECIPE, name)):
        raise NearName(Field.RECIPE, name, to, renamed=True)
    known = met(given, recipes, Field.RECIPE, new=new or name is None)
    if known is not None:
        return known, []
    recipe = Recipe(name=given)
    tx.put_recipe(recipe)
    return given, [] if name is None else [Remark(RemarkKind.RECIPE_NEW, name, recipe=recipe)]


def meet_place(tx: Transaction, room: str, place: str | None, *, new: bool = False) -> str | None:
    """The place of the room as it is called; NearName as `met`."""
    return place and (met(place, places_of(tx, room), Field.PLACE, new=new) or place)


def places_of(tx: Transaction, room: str) -> list[str]:
    """Where something of the room lies or has lain, by name, but for what was removed since."""
    left = {piece.id for piece in (*tx.pieces(), *tx.pieces(gone=True))}
    last: dict[str, datetime] = {}
    for stay in tx.stays():
        if stay.room == room and stay.place is not None and stay.piece_id in left:
            at = stay.since if stay.logged_at is None else stay.logged_at
            last[stay.place] = max(at, last.get(stay.place, at))
    for one in tx.corrections():
        removed = one.kind is CorrectionKind.REMOVED and one.naming is Naming.PLACE and one.room == room
        if removed and last.get(one.name, one.logged_at) < one.logged_at:
            last.pop(one.name, None)
    return sorted(last)


def nearest(given: str, names: list[str], what: Message) -> Message:
    """What would have done in place of `given`."""
    near = difflib.get_close_matches(given, names, 3, 0.5)
    if near:
        return phrase("{what}; did you mean {names}?", what=what, names=" / ".join(map(repr, near)))
    if not names:
        return phrase("{what} (none is logged yet)", what=what)
    return phrase("{what}: {names}", what=what, names=", ".join(map(repr, names[:8])))


def taken(name: str) -> InputError:
    """A piece or a series here is called so already."""
    return InputError(Field.NAME, name, phrase("another name"), phrase("this name is taken"))


def free_of_series(tx: Transaction, name: str) -> None:
    """InputError where a series here is called so: nobody could say which of the two is meant."""
    if any(piece.series == name for piece in tx.pieces()):
        raise taken(name)


def piece_here(tx: Transaction, name: str) -> Piece:
    """InputError, with near names, where there is none; of a series, with the names of its pieces."""
    pieces = tx.pieces()
    for piece in pieces:
        if piece.name == name:
            return piece
    if alike := [piece.name for piece in pieces if piece.series == name]:
        allowed = phrase("one of {names}", names=", ".join(map(repr, alike[:8])))
        raise InputError(
            Field.PIECE,
            name,
            allowed,
            phrase_n("which is a series of {n} piece", "which is a series of {n} pieces", len(alike)),
        )
    raise InputError(Field.PIECE, name, nearest(name, [piece.name for piece in pieces], phrase("a piece here")))


def series_here(tx: Transaction, name: str) -> list[Piece]:
    """The pieces here that were poured as that series, in the order they were."""
    pieces = tx.pieces()
    found = [piece for piece in pieces if piece.series == name]
    if not found:
        known = list(dict.fromkeys(piece.series for piece in pieces if piece.series is not None))
        raise InputError(Field.SERIES, name, nearest(name, known, phrase("a series of pieces here")))
    return found


def pieces_meant(tx: Transaction, name: str) -> list[Piece]:
    """The piece here of that name, else the pieces of that series. InputError: neither is here."""
    pieces = tx.pieces()
    alone = [piece for piece in pieces if piece.name == name]
    return alone or [piece for piece in pieces if piece.series == name] or [piece_here(tx, name)]


def room_known(tx: Transaction, name: str) -> str:
    """The room as it is called, whatever case and spaces were given. InputError: there is none."""
    rooms = [room.name for room in tx.rooms()]
    if (same := same_name(name, rooms)) is None:
        if (to := called_now(tx, Naming.ROOM, name)) is not None:
            raise InputError(Field.ROOM, name, repr(to), phrase("which is called otherwise now"))
        raise InputError(Field.ROOM, name, nearest(name, rooms, phrase("a room")))
    return same
