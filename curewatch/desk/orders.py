"""What people hand in and get back, and the names they type: what is new is made, a near miss is pointed out."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from datetime import datetime

from curewatch.records import Piece, Pour, Recipe, Room, Support, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.records.workshop import Paint
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
    remarks: tuple[Remark, ...] = ()


DEFAULT_RECIPE = "house mix"
"""What a pour without a recipe is taken to be."""


def meet_room(tx: Transaction, name: str) -> list[Remark]:
    """Make the room if it is new."""
    if tx.room(name) is not None:
        return []
    near = difflib.get_close_matches(name, [room.name for room in tx.rooms()], 1)
    tx.add_room(Room(name=name))
    return [Remark(RemarkKind.ROOM_NEW, name, near[0] if near else None)]


def meet_recipe(tx: Transaction, name: str | None) -> list[Remark]:
    """Make the recipe (None: the usual one, which nobody need be told of) if it is new."""
    if tx.recipe(name or DEFAULT_RECIPE) is not None:
        return []
    recipe = Recipe(name=name or DEFAULT_RECIPE)
    near = difflib.get_close_matches(recipe.name, [known.name for known in tx.recipes()], 1)
    tx.put_recipe(recipe)
    if name is None:
        return []
    return [Remark(RemarkKind.RECIPE_NEW, name, near[0] if near else None, recipe)]


def nearest(given: str, names: list[str], what: str) -> str:
    """What would have done in place of `given`."""
    near = difflib.get_close_matches(given, names, 3, 0.5)
    if near:
        return f"{what}, perhaps {' or '.join(repr(name) for name in near)}"
    return f"{what}: {', '.join(repr(name) for name in names[:8])}" if names else f"{what} (none is logged yet)"


def piece_here(tx: Transaction, name: str) -> Piece:
    pieces = tx.pieces()
    for piece in pieces:
        if piece.name == name:
            return piece
    raise InputError(Field.PIECE, name, nearest(name, [piece.name for piece in pieces], "a piece here"))


def room_known(tx: Transaction, name: str) -> Room:
    rooms = tx.rooms()
    for room in rooms:
        if room.name == name:
            return room
    raise InputError(Field.ROOM, name, nearest(name, [room.name for room in rooms], "a room"))
