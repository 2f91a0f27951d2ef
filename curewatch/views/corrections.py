"""Corrections as they are shown: what was and what is, in people's words."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo
from typing import Any

from pydantic import Field

from curewatch.desk.commands.naming import NameUse
from curewatch.language import Length, Mass, Message, Speed, Thickness, Value, Volume, When, Words, joined, phrase
from curewatch.records import Support, ThicknessSource
from curewatch.records.corrections import Change, Correction, CorrectionKind, Naming
from curewatch.studio import wording
from curewatch.views.base import View, local, said


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


Told = tuple[Message, Value | None, Value | None]
"""What was put right, as it was and as it is; None: not told."""


def changed(changes: Sequence[Change], tz: tzinfo) -> list[ChangedOut]:
    """What the changes of one piece's correction come to."""
    return [ChangedOut(what=said(what), was=said(was, tz), now=said(now, tz)) for what, was, now in _told(changes)]


def _told(changes: Sequence[Change]) -> Iterator[Told]:
    for change in changes:
        was, now = (dict(_words(change.table, json.loads(side or "{}"))) for side in (change.was, change.now))
        for what in dict.fromkeys([*was, *now]):
            if was.get(what) != now.get(what):
                yield what, was.get(what), now.get(what)


def _words(table: str, row: Mapping[str, Any]) -> Iterator[tuple[Message, Value | None]]:
    """What stands in the columns of a row that a person may have told."""
    if table == "pieces" and "name" in row:
        yield phrase("name"), row["name"]
    if table == "stays":
        names = (("room", phrase("room")), ("place", phrase("place")))
        yield from ((what, row[name]) for name, what in names if name in row)
    if table == "paints":
        if row.get("poured_m3"):
            yield phrase("poured"), Volume(row["poured_m3"] * 1e6, 4)
        if row.get("ran_off_m3"):
            yield phrase("ran off"), Volume(row["ran_off_m3"] * 1e6, 4)
        if row.get("poured_g"):
            yield phrase("paint"), Mass(row["poured_g"])
    if table == "pours":
        yield from _pour(row)


def _pour(row: Mapping[str, Any]) -> Iterator[tuple[Message, Value | None]]:
    if "at" in row:
        yield phrase("start"), When(datetime.fromisoformat(row["at"]))
    if "wet_thickness_m" in row:
        yield phrase("thickness"), Thickness(row["wet_thickness_m"], 3)
    if "thickness_source" in row:
        yield phrase("thickness known"), wording.THICKNESS_FROM[ThicknessSource(row["thickness_source"])]
    for name, what in (("width_m", phrase("width")), ("height_m", phrase("height"))):
        if name in row:
            yield what, None if row[name] is None else Length(row[name])
    if "round" in row:
        yield phrase("shape"), phrase("round") if row["round"] else phrase("square")
    if "recipe" in row:
        yield phrase("recipe"), row["recipe"]
    if "silicone" in row:
        yield phrase("silicone"), phrase("with") if row["silicone"] else phrase("without")
    if "support" in row:
        yield phrase("on"), wording.SUPPORTS[Support(row["support"])]
    if "air_speed_m_s" in row:
        yield phrase("air over it"), Speed(row["air_speed_m_s"])


_NAMES = {
    (CorrectionKind.REMOVED, Naming.ROOM): phrase("room {name} is offered no more"),
    (CorrectionKind.REMOVED, Naming.PLACE): phrase("place {name} in {room} is offered no more"),
    (CorrectionKind.REMOVED, Naming.RECIPE): phrase("recipe {name} is offered no more"),
    (CorrectionKind.RENAMED, Naming.ROOM): phrase("room {name} is now {to}"),
    (CorrectionKind.RENAMED, Naming.PLACE): phrase("place {name} in {room} is now {to}"),
    (CorrectionKind.RENAMED, Naming.RECIPE): phrase("recipe {name} is now {to}"),
    (CorrectionKind.MERGED, Naming.ROOM): phrase("room {name} is one with {to}"),
    (CorrectionKind.MERGED, Naming.PLACE): phrase("place {name} in {room} is one with {to}"),
    (CorrectionKind.MERGED, Naming.RECIPE): phrase("recipe {name} is one with {to}"),
}


def in_words(one: Correction, changes: Sequence[Change]) -> Words:
    """`thickness 1.4 mm (was 1.2 mm)`, of a piece; `room spare room is now Spare room`, of a name."""
    if one.naming is not None:
        names: dict[str, Value] = {"name": one.name, "room": one.room or "", "to": one.to or ""}
        return replace(_NAMES[one.kind, one.naming], values=tuple(names.items()))
    if one.kind is CorrectionKind.DELETED:
        return phrase("deleted, as never poured")
    unknown = phrase("not told")
    told = _told([change for change in changes if change.correction_id == one.id])
    return joined(
        *(phrase("{what} {now} (was {was})", what=what, now=now or unknown, was=was or unknown)
          for what, was, now in told),
        by=", ",
    )  # fmt: skip
