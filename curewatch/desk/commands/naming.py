"""Rooms, places and recipes by another name: renamed, made one, offered no more. Whatever names them follows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from curewatch.desk.desk import Desk, mark_air_changed, mark_changed
from curewatch.desk.orders import met, nearest, places_of, room_known
from curewatch.desk.retraction import doubt
from curewatch.desk.snapshot.pieces import update_lessons
from curewatch.desk.snapshot.snapshot import keep
from curewatch.desk.snapshot.snapshot import known as low_batteries
from curewatch.language import Message, phrase
from curewatch.records import Room
from curewatch.records.corrections import Correction, CorrectionKind, Naming
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Subject
from curewatch.records.names import name_key, same_name
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio.alarms.alarm_notices import ascii_name

FIELDS = {Naming.ROOM: Field.ROOM, Naming.PLACE: Field.PLACE, Naming.RECIPE: Field.RECIPE}


ONE_WITH_ANOTHER = {
    Naming.ROOM: phrase("the room was one with another"),
    Naming.PLACE: phrase("the place was one with another"),
    Naming.RECIPE: phrase("the recipe was one with another"),
}


@dataclass(frozen=True)
class NameUse:
    """A name, and how many pieces that are here lie there, or were poured of it."""

    naming: Naming
    name: str
    pieces: int
    room: str | None = None
    """Of a place."""


def names_in_use(tx: Transaction) -> list[NameUse]:
    """All rooms with their places, and all recipes."""
    here = [piece.id for piece in tx.pieces()]
    lies = list({stay.piece_id: stay for stay in tx.stays(here)}.values())  # the last counts
    recipes = [pour.recipe for pour in tx.pours(here)]
    found = []
    for room in tx.rooms():
        there = [stay.place for stay in lies if stay.room == room.name]
        found.append(NameUse(Naming.ROOM, room.name, len(there)))
        found += [NameUse(Naming.PLACE, place, there.count(place), room.name) for place in places_of(tx, room.name)]
    return found + [NameUse(Naming.RECIPE, one.name, recipes.count(one.name)) for one in tx.recipes()]


_ONE = {
    Naming.ROOM: phrase("a room"),
    Naming.PLACE: phrase("a place"),
    Naming.RECIPE: phrase("a recipe"),
}
_UNUSED = {
    Naming.ROOM: phrase("a room in which no piece lies ({n} here)"),
    Naming.PLACE: phrase("a place in which no piece lies ({n} here)"),
    Naming.RECIPE: phrase("a recipe that no piece here was poured of ({n} here)"),
}


def put_right(
    desk: Desk,
    kind: CorrectionKind,
    naming: Naming,
    name: str,
    to: str | None,
    now: datetime,
    room: str | None,
    new: bool,
) -> Correction:
    """Whichever of the three it is. InputError for none of them, and where `to` is missing or too much."""
    if kind not in (CorrectionKind.RENAMED, CorrectionKind.MERGED, CorrectionKind.REMOVED):
        raise InputError(Field.DO, kind.value, phrase("renamed, merged or removed"))
    if kind is CorrectionKind.REMOVED:
        if to is not None:
            raise InputError(Field.TO, to, phrase("nothing, of a name that is removed"))
        return remove(desk, naming, name, now, room=room)
    if to is None:
        raise InputError(Field.TO, None, phrase("the other name"))
    if kind is CorrectionKind.MERGED:
        return merge(desk, naming, name, to, now, room=room)
    return rename(desk, naming, name, to, now, room=room, new=new)


def rename(
    desk: Desk, naming: Naming, name: str, to: str, now: datetime, *, room: str | None = None, new: bool = False
) -> Correction:
    """It is called `to` from now on, in all that was logged. InputError: there is none, or one is called that."""
    with desk.store.write() as tx:
        room, known = _known(tx, naming, room)
        name = _one_of(naming, name, known)
        others = [one for one in known if one != name]
        if (taken := met(to, others, Field.TO, new=new)) is not None:
            raise InputError(
                Field.TO,
                to,
                phrase(
                    "a name that is free; to make {name} and {taken} one, merge them",
                    name=repr(name),
                    taken=repr(taken),
                ),
            )
        if to == name:
            raise InputError(Field.TO, to, phrase("another name than it has"))
        if naming is Naming.ROOM and name_key(to) != name_key(name):
            _refuse_set(desk.settings, name, to)
        made = tx.add_correction(_of(CorrectionKind.RENAMED, naming, name, now, room=room, to=to))
        _follow(tx, made, now)
    update_lessons(desk.store, now)
    return made


def merge(desk: Desk, naming: Naming, name: str, into: str, now: datetime, *, room: str | None = None) -> Correction:
    """Both were one: all that named the first names the second. InputError: one of them is not there."""
    with desk.store.write() as tx:
        room, known = _known(tx, naming, room)
        name = _one_of(naming, name, known)
        if same_name(into, known) == name:
            raise InputError(Field.INTO, into, phrase("another one than itself"))
        others = [one for one in known if one != name]
        if not others:
            allowed = phrase("another one, and there is none: to call it otherwise, rename it")
            raise InputError(Field.INTO, into, allowed)
        into = _one_of(naming, into, others, Field.INTO)
        if naming is Naming.ROOM and name_key(name) != name_key(into):
            _refuse_set(desk.settings, name, into)
        made = tx.add_correction(_of(CorrectionKind.MERGED, naming, name, now, room=room, to=into))
        _follow(tx, made, now)
    update_lessons(desk.store, now)
    return made


def remove(desk: Desk, naming: Naming, name: str, now: datetime, *, room: str | None = None) -> Correction:
    """It is offered no more; what lay there or was poured of it keeps it. InputError where something here still does,
    or the settings name it."""
    with desk.store.write() as tx:
        room, known = _known(tx, naming, room)
        name = _one_of(naming, name, known)
        (use,) = [one for one in names_in_use(tx) if (one.naming, one.name, one.room) == (naming, name, room)]
        if use.pieces:
            raise InputError(FIELDS[naming], name, replace(_UNUSED[naming], values=(("n", use.pieces),)))
        if naming is Naming.ROOM:
            _refuse_set(desk.settings, name, None)
        made = tx.add_correction(_of(CorrectionKind.REMOVED, naming, name, now, room=room))
        if naming is not Naming.PLACE:  # of a place the correction itself says so
            tx.change(made.id, f"{naming.value}s", {"name": name}, {"removed_at": now})
        mark_changed(tx)
    return made


def _of(
    kind: CorrectionKind, naming: Naming, name: str, now: datetime, *, room: str | None, to: str | None = None
) -> Correction:
    return Correction(kind=kind, logged_at=now, name=name, naming=naming, room=room, to=to)


def _known(tx: Transaction, naming: Naming, room: str | None) -> tuple[str | None, list[str]]:
    """The room of a place as it is called, and the names that there are of that kind."""
    if naming is not Naming.PLACE:
        if room is not None:
            raise InputError(Field.ROOM, room, phrase("a room for a place alone"))
        return None, [one.name for one in (tx.rooms() if naming is Naming.ROOM else tx.recipes())]
    if room is None:
        raise InputError(Field.ROOM, None, phrase("the room of the place"))
    room = room_known(tx, room)
    return room, places_of(tx, room)


def _one_of(naming: Naming, name: str, known: list[str], field: Field | None = None) -> str:
    if (same := same_name(name, known)) is None:
        raise InputError(field or FIELDS[naming], name, nearest(name, known, _ONE[naming]))
    return same


def _refuse_set(settings: Settings, name: str, to: str | None) -> None:
    """InputError where the settings name a room: a sensor would bring it back at its next word."""
    tables = [f"[rooms.{room!r}]" for room in settings.rooms if name_key(room) == name_key(name)]
    tables += [f"sensor {one.id!r}" for one in settings.sensors if name_key(one.room) == name_key(name)]
    if tables:
        instead = phrase("leave it out there") if to is None else phrase("write {name} there", name=repr(to))
        raise InputError(
            Field.ROOM,
            name,
            phrase(
                "a room that the settings do not name; they do under {names}: {instead} first",
                names=", ".join(tables),
                instead=instead,
            ),
        )


def _follow(tx: Transaction, made: Correction, now: datetime) -> None:
    """All that names the one names the other. Where two were one, what was told of their pieces may not be so."""
    assert made.naming is not None
    assert made.to is not None
    if made.kind is CorrectionKind.MERGED:
        doubt(tx, pieces_of(tx, made), ONE_WITH_ANOTHER[made.naming], now)
    moves = {Naming.ROOM: _move_room, Naming.PLACE: _move_place, Naming.RECIPE: _move_recipe}
    moves[made.naming](tx, made, made.to)
    settle_name(tx, made, now)


def settle_name(tx: Transaction, of: Correction, now: datetime) -> None:
    """What is known of the air of both rooms, or of the pieces that are called otherwise, is another now."""
    mark_changed(tx)
    here = tx.stays([piece.id for piece in tx.pieces()])
    for room in (of.name, of.to) if of.naming is Naming.ROOM else ():
        if room is not None:
            mark_air_changed(tx, room, min((stay.since for stay in here if stay.room == room), default=now))


def rests_on(tx: Transaction, one: Correction) -> Message | None:
    """What a name's correction would have to be to be taken back, where something rests on it; None: nothing does."""
    if one.kind is CorrectionKind.REMOVED and one.naming is Naming.PLACE:
        return None  # it changed no row
    if not tx.stands(one.id):
        return phrase("the last word on that name which stands, said in this store")
    if one.kind is CorrectionKind.RENAMED and tx.is_borne_anew(one):
        return phrase("a name under which nothing was logged since; rename it back instead")
    return None


def pieces_of(tx: Transaction, of: Correction) -> list[int]:
    """The pieces here that lie or have lain in the rooms or places, or are of the recipes, that a correction names."""
    here, names = [piece.id for piece in tx.pieces()], (of.name, of.to)
    if of.naming is Naming.RECIPE:
        return [pour.piece_id for pour in tx.pours(here) if pour.recipe in names]
    stays = [
        (stay.piece_id, stay.room) if of.naming is Naming.ROOM else (stay.piece_id, stay.place)
        for stay in tx.stays(here)
    ]
    return sorted({piece for piece, name in stays if name in names})


def _move_room(tx: Transaction, of: Correction, to: str) -> None:
    before = {"room": of.name}
    if tx.room(to) is None:
        tx.add_room(Room(name=to, removed_at=of.logged_at))  # and so it is again, where this is taken back
        tx.change(of.id, "rooms", {"name": to}, {"removed_at": None})
    for one in tx.forgettings():
        if one.subject is Subject.PLACE and (one.name == of.name or one.name.startswith(f"{of.name}, ")):
            _move_forgetting(tx, of.id, Subject.PLACE, one.name, to + one.name[len(of.name) :])
    for kind in {alarm.kind for alarm in tx.alarms() if alarm.room == to}:
        tx.change(of.id, "alarms", before | {"kind": kind}, None)
    for notice in tx.notices_of_room(of.name):
        key = _key(notice.key, of.name, to)
        if key != notice.key and not tx.known_keys([key]):
            tx.change(of.id, "notices", {"key": notice.key}, {"key": key})
    for table in ("stays", "sensor_trusts", "alarms", "alarm_events", "notices"):
        tx.change(of.id, table, before, {"room": to})
    tx.change(of.id, "sources", before, {"room": to, "merged_by": of.id})
    low = [one.model_copy(update={"room": to}) if one.room == of.name else one for one in low_batteries(tx)]
    keep(tx, low)
    tx.change(of.id, "rooms", {"name": of.name}, {"removed_at": of.logged_at})


def _key(key: str, room: str, to: str) -> str:
    """The idempotency key of a room's notice, by the room's other name: it is not told twice for that."""
    names = {room: to, ascii_name(room): ascii_name(to)}
    return "/".join(names.get(part, part) for part in key.split("/"))


def _move_place(tx: Transaction, of: Correction, to: str) -> None:
    tx.change(of.id, "stays", {"room": of.room, "place": of.name}, {"place": to})
    _move_forgetting(tx, of.id, Subject.PLACE, f"{of.room}, {of.name}", f"{of.room}, {to}")


def _move_recipe(tx: Transaction, of: Correction, to: str) -> None:
    was = tx.recipe(of.name)
    assert was is not None  # it is among those known
    if tx.recipe(to) is None:
        tx.put_recipe(was.model_copy(update={"name": to, "removed_at": of.logged_at}))
        tx.change(of.id, "recipes", {"name": to}, {"removed_at": None})
        if tx.mix_of(of.name) is not None:
            tx.change(of.id, "mixes", {"recipe": to}, None)
            tx.change(of.id, "mixes", {"recipe": of.name}, {"recipe": to})
    tx.change(of.id, "pours", {"recipe": of.name}, {"recipe": to})
    _move_forgetting(tx, of.id, Subject.RECIPE, of.name, to)
    tx.change(of.id, "recipes", {"name": of.name}, {"removed_at": of.logged_at})


def _move_forgetting(tx: Transaction, of: int, subject: Subject, name: str, to: str) -> None:
    """What was to be forgotten of the one; of two the later word counts."""
    at = {one.name: one.at for one in tx.forgettings() if one.subject is subject}
    if name not in at:
        return
    if to in at:
        tx.change(of, "forgettings", {"subject": subject, "name": to}, {"at": max(at[to], at[name])})
        tx.change(of, "forgettings", {"subject": subject, "name": name}, None)
    else:
        tx.change(of, "forgettings", {"subject": subject, "name": name}, {"name": to})
