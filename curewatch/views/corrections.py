"""Corrections as they are shown: what was and what is, in people's words."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from pydantic import Field

from curewatch.desk.commands.naming import NameUse
from curewatch.records import Support, ThicknessSource
from curewatch.records.corrections import Change, Correction, CorrectionKind, Naming
from curewatch.studio import wording
from curewatch.views.base import View, local


class ChangedOut(View):
    """One thing that was put right; null: it was, or is, not told."""

    what: str
    was: str | None
    now: str | None


class CorrectionOut(View):
    """A correction, which is a fact itself."""

    logged_at: datetime
    kind: CorrectionKind
    name: str = Field(description="As it was called until then")
    naming: Naming | None = Field(description="null: a piece")
    room: str | None = Field(description="Of a place")
    to: str | None = Field(description="What it is called since then, or a part of which")
    changes: list[ChangedOut]

    @classmethod
    def of(cls, one: Correction, changes: Sequence[Change], tz: tzinfo) -> CorrectionOut:
        mine = [change for change in changes if change.correction_id == one.id] if one.piece_id is not None else []
        told = one.model_dump(include={"kind", "name", "naming", "room", "to"})
        return cls(logged_at=local(one.logged_at, tz), **told, changes=changed(mine, tz))


class NameOut(View):
    """A room, place or recipe."""

    naming: Naming
    name: str
    room: str | None = Field(description="Of a place")
    pieces: int = Field(description="That are here and lie there, or were poured of it")
    id: str | None = Field(description="With `id:` before it, it stands for a room's or recipe's name in a path")

    @classmethod
    def of(cls, one: NameUse) -> NameOut:
        number = None if one.naming is Naming.PLACE else id_of(one.name)
        return cls(naming=one.naming, name=one.name, room=one.room, pieces=one.pieces, id=number)


def id_of(name: str) -> str:
    """A short word for a name of any letters, of which none means anything in a path."""
    return base64.b32encode(hashlib.sha256(name.encode()).digest())[:16].decode().lower()


def changed(changes: Sequence[Change], tz: tzinfo) -> list[ChangedOut]:
    """What the changes of one piece's correction come to."""
    found: list[ChangedOut] = []
    for change in changes:
        was, now = (json.loads(side or "{}") for side in (change.was, change.now))
        words = [dict(_words(change.table, row, tz)) for row in (was, now)]
        for what in dict.fromkeys([*words[0], *words[1]]):
            said = [side.get(what) for side in words]
            if said[0] != said[1]:
                found.append(ChangedOut(what=what, was=said[0], now=said[1]))
    return found


def _words(table: str, row: Mapping[str, Any], tz: tzinfo) -> Iterator[tuple[str, str | None]]:
    """What stands in the columns of a row that a person may have told."""
    if table == "pieces" and "name" in row:
        yield "name", row["name"]
    if table == "stays":
        yield from ((name, row[name]) for name in ("room", "place") if name in row)
    if table == "paints":
        told = {"poured": (row.get("poured_m3"), 1e6, "ml"), "ran off": (row.get("ran_off_m3"), 1e6, "ml"),
                "paint": (row.get("poured_g"), 1, "g")}  # fmt: skip
        yield from ((what, f"{value * scale:.4g} {unit}") for what, (value, scale, unit) in told.items() if value)
    if table == "pours":
        yield from _pour(row, tz)


def _pour(row: Mapping[str, Any], tz: tzinfo) -> Iterator[tuple[str, str | None]]:
    if "at" in row:
        yield "start", f"{datetime.fromisoformat(row['at']).astimezone(tz):%d %b %Y %H:%M}"
    if "wet_thickness_m" in row:
        yield "thickness", f"{row['wet_thickness_m'] * 1e3:.3g} mm"
    if "thickness_source" in row:
        yield "thickness known", str(wording.THICKNESS_FROM[ThicknessSource(row["thickness_source"])])
    for name, what in (("width_m", "width"), ("height_m", "height")):
        if name in row:
            yield what, None if row[name] is None else f"{row[name] * 100:.4g} cm"
    if "round" in row:
        yield "shape", "round" if row["round"] else "square"
    if "recipe" in row:
        yield "recipe", row["recipe"]
    if "silicone" in row:
        yield "silicone", "with" if row["silicone"] else "without"
    if "support" in row:
        yield "on", str(wording.SUPPORTS[Support(row["support"])])
    if "air_speed_m_s" in row:
        yield "air over it", f"{row['air_speed_m_s']:g} m/s"


def in_words(one: Correction, changes: Sequence[Change], tz: tzinfo) -> str:
    """`thickness 1.4 mm (was 1.2 mm)`, of a piece; `room spare room is now Spare room`, of a name."""
    if one.naming is not None:
        where = f" in {one.room}" if one.room else ""
        if one.kind is CorrectionKind.REMOVED:
            return f"{one.naming.value} {one.name}{where} is offered no more"
        now = "is now" if one.kind is CorrectionKind.RENAMED else "is one with"
        return f"{one.naming.value} {one.name}{where} {now} {one.to}"
    if one.kind is CorrectionKind.DELETED:
        return "deleted, as never poured"
    said = changed([change for change in changes if change.correction_id == one.id], tz)
    return ", ".join(f"{c.what} {c.now or 'not told'} (was {c.was or 'not told'})" for c in said)
