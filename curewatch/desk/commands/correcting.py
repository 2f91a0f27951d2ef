"""A pour that was logged wrong, put right: what was and what is are kept, and all that follows from it follows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from curewatch.desk.desk import Desk, mark_changed, rejudge_from
from curewatch.desk.orders import free_of_series, meet_place, meet_recipe, meet_room, piece_here, taken
from curewatch.desk.retraction import doubt, retract
from curewatch.desk.snapshot.pieces import update_lessons
from curewatch.language import Message, Thickness, When, phrase
from curewatch.records import WET_THICKNESS_RANGE_M, Piece, Pour, Stay, Support, ThicknessSource
from curewatch.records.corrections import Correction, CorrectionKind
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import ObservationKind
from curewatch.records.remarks import Remark
from curewatch.records.workshop import Paint
from curewatch.store import Transaction
from curewatch.studio.alarms import damage

WITHDRAWN, DELETED = phrase("the pour was corrected"), phrase("it was never poured")


@dataclass(frozen=True)
class PourChange:
    """What was otherwise than it was logged, in SI; None: it was as it is known."""

    name: str | None = None
    at: datetime | None = None
    room: str | None = None
    place: str | None = None
    """Empty: at none in particular."""
    wet_thickness_m: float | None = None
    thickness_source: ThicknessSource = ThicknessSource.GAUGE
    paint: Paint | None = None
    """The volume poured: with the size it is the thickness."""
    size_m: tuple[float, float] | None = None
    round: bool = False
    recipe: str | None = None
    silicone: bool | None = None
    support: Support | None = None
    air_speed_m_s: float | None = None
    new: bool = False
    """A room, place or recipe that sounds like a known one is another all the same."""


@dataclass(frozen=True)
class Corrected:
    """A correction, and what came of it."""

    piece: Piece
    correction: Correction
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True)
class _Known:
    """All that a correction may change of a piece."""

    piece: Piece
    pour: Pour
    poured_in: Stay
    paint: Paint | None


def correct(desk: Desk, name: str, change: PourChange, now: datetime) -> Corrected:
    """Put right what was logged of the pour of a piece that is here; tests, weighings and steps stay with it.

    Of a piece that was moved, room and place are those it was poured in. InputError where it cannot have been so, or
    where nothing is different.
    """
    with desk.store.write() as tx:
        known = _known(tx, piece_here(tx, name))
        wanted, remarks = _wanted(tx, desk, known, change)
        _check(tx, desk, known, wanted, now)
        of = Correction(kind=CorrectionKind.POUR, logged_at=now, name=name, piece_id=known.piece.id)
        made = tx.add_correction(of)
        if not _write(tx, made.id, known, wanted):
            allowed = phrase(
                "something that was otherwise of {name} than it is known; nothing different was said", name=name
            )
            raise InputError(Field.CORRECTION, None, allowed)
        settle(tx, known.piece.id, known.poured_in.room, WITHDRAWN, now)
    update_lessons(desk.store, now)
    return Corrected(wanted.piece, made, tuple(remarks))


def delete(desk: Desk, name: str, now: datetime) -> Corrected:
    """A piece that is here was never poured: a slip. What was found of it teaches nothing. InputError: none is here."""
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        (pour,), stays = tx.pours([piece.id]), tx.stays([piece.id])
        of = Correction(kind=CorrectionKind.DELETED, logged_at=now, name=name, piece_id=piece.id)
        made = tx.add_correction(of)
        tx.change(made.id, "pieces", {"id": piece.id}, {"gone_at": now, "gone_logged_at": now})
        retract(tx, desk.settings, tx.milestones_told([piece.id]), DELETED, now)
        rejudge_from(tx, dict.fromkeys((stay.room for stay in stays), pour.at))
        mark_changed(tx)
    update_lessons(desk.store, now)
    return Corrected(piece, made)


def settle(tx: Transaction, piece_id: int, was_in: str, why: Message, now: datetime) -> None:
    """What follows from the pour of a piece is to be made anew: dates, alarms, harm, and what people were told."""
    (pour,), rooms = tx.pours([piece_id]), {was_in, *(stay.room for stay in tx.stays([piece_id]))}
    doubt(tx, [piece_id], why, now)
    tx.drop_forecasts([piece_id])
    tx.put_damages(damage.recounted(one, pour.at) for one in tx.damages([piece_id]) if one.cleared_at is None)
    rejudge_from(tx, dict.fromkeys(rooms, pour.at))
    mark_changed(tx)


def _known(tx: Transaction, piece: Piece) -> _Known:
    (pour,), stays = tx.pours([piece.id]), tx.stays([piece.id])
    return _Known(piece, pour, stays[0], next((one for one in tx.paints() if one.piece_id == piece.id), None))


def _wanted(tx: Transaction, desk: Desk, known: _Known, change: PourChange) -> tuple[_Known, list[Remark]]:
    pour, stay = dict(known.pour), dict(known.poured_in)
    remarks: list[Remark] = []
    if change.room is not None:
        stay["room"], remarks = meet_room(tx, change.room, new=change.new)
    if change.place is not None:
        stay["place"] = meet_place(tx, stay["room"], change.place or None, new=change.new)
    elif stay["room"] != known.poured_in.room:
        stay["place"] = meet_place(tx, stay["room"], stay["place"], new=True)
    if change.recipe is not None:
        pour["recipe"], more = meet_recipe(tx, change.recipe, new=change.new)
        remarks += more
    if change.at is not None:
        pour["at"] = stay["since"] = change.at
    told = {"silicone": change.silicone, "support": change.support, "air_speed_m_s": change.air_speed_m_s}
    usual = desk.settings.air_in(known.poured_in.room)
    if told["air_speed_m_s"] is None and pour["air_speed_m_s"] == usual:  # nobody said otherwise of the other room
        told["air_speed_m_s"] = desk.settings.air_in(stay["room"])
    pour |= {name: value for name, value in told.items() if value is not None}
    if change.size_m is not None:
        pour |= {"width_m": change.size_m[0], "height_m": change.size_m[1], "round": change.round}
    piece = known.piece.model_copy(update={} if change.name is None else {"name": change.name})
    paint = known.paint if change.paint is None else change.paint.model_copy(update={"piece_id": piece.id})
    pour |= _thickness(known.pour, Pour(**pour), change)
    return _Known(piece, Pour(**pour), Stay(**stay), paint), remarks


def _thickness(was: Pour, pour: Pour, change: PourChange) -> dict[str, Any]:
    """As it was told; of a volume or mass it goes by the face. InputError for no face, or no film."""
    if change.wet_thickness_m is not None:
        return {"wet_thickness_m": change.wet_thickness_m, "thickness_source": change.thickness_source}
    face, paint = pour.face_m2, change.paint
    if paint is not None and paint.poured_m3 is not None:
        if face is None:
            raise InputError(Field.SIZE, None, phrase("the size of the piece that was poured onto, such as 40x50cm"))
        metres = (paint.poured_m3 - (paint.ran_off_m3 or 0.0)) / face
    elif pour.thickness_source is ThicknessSource.VOLUME and face and was.face_m2 and face != was.face_m2:
        metres = pour.wet_thickness_m * was.face_m2 / face
    else:
        return {}
    low, high = WET_THICKNESS_RANGE_M
    if not low <= metres <= high:
        allowed = phrase("a film of {low} to {high}, or another size", low=Thickness(low), high=Thickness(high))
        raise InputError(Field.POURED if paint else Field.SIZE, f"{metres * 1e3:.3g} mm", allowed)
    return {"wet_thickness_m": metres, "thickness_source": ThicknessSource.VOLUME}


def _check(tx: Transaction, desk: Desk, known: _Known, wanted: _Known, now: datetime) -> None:
    """InputError where a name is taken, or the start cannot have been then."""
    piece, at = wanted.piece, wanted.pour.at
    if piece.name != known.piece.name:
        if any(one.name == piece.name for one in tx.pieces()):
            raise taken(piece.name)
        free_of_series(tx, piece.name)
    if at == known.pour.at:
        return
    given = desk.dated(at)
    if at > now:
        raise InputError(Field.AT, given, phrase("a moment that has passed"))
    for since, what in sorted(later_than_pour(tx, known.piece.id, known.pour.at)):
        if at >= since:
            raise InputError(Field.AT, given, phrase("a moment before {date}, {what}", date=When(since), what=what))


def later_than_pour(tx: Transaction, piece_id: int, poured_at: datetime) -> Iterator[tuple[datetime, Message]]:
    """What can only have been after the pour, with its moment."""
    for stay in tx.stays([piece_id])[1:]:
        yield stay.since, phrase("when it was moved")
    for seen in tx.observations([piece_id]):
        if seen.kind is not ObservationKind.WEIGHING and seen.at > poured_at:
            yield seen.at, phrase("when something was found of it")
    for step in tx.steps([piece_id]):
        if step.undone_at is None:
            yield step.done_at, phrase("when {step} was done", step=step.step)
    for tilt in tx.tilts([piece_id]):
        if tilt.measured_at > poured_at:
            yield tilt.measured_at, phrase("when its tilt was measured")


def back_too_late(tx: Transaction, correction: Correction) -> Message | None:
    """What a correction would have to be to be taken back, where something is known of a time before the old start."""
    assert correction.piece_id is not None
    (pour,) = tx.pours([correction.piece_id])
    later = [at for at, _ in later_than_pour(tx, correction.piece_id, pour.at)]
    for change in tx.changes([correction.id]):
        start = json.loads(change.was or "{}").get("at") if change.table == "pours" else None
        if start is not None and later and min(later) <= datetime.fromisoformat(start):
            return phrase("a start before which nothing was found or done since")
    return None


def _write(tx: Transaction, of: int, known: _Known, wanted: _Known) -> int:
    """Store what is different, with how it was; how many rows that were."""
    here, number = {"piece_id": known.piece.id}, 0
    if wanted.piece.name != known.piece.name:
        number += tx.change(of, "pieces", {"id": known.piece.id}, {"name": wanted.piece.name})
    if different := _different(known.pour, wanted.pour):
        number += tx.change(of, "pours", here, different)
    if different := _different(known.poured_in, wanted.poured_in):
        number += tx.change(of, "stays", here | {"since": known.poured_in.since}, different)
    if wanted.pour.at != known.pour.at:  # how level it lay was told with the pour
        tx.change(of, "tilts", here | {"measured_at": known.pour.at}, {"measured_at": wanted.pour.at})
    if wanted.paint is not None and known.paint is None:
        tx.add_row(of, "paints", wanted.paint.model_dump())
        number += 1
    elif wanted.paint is not None and known.paint is not None and (different := _different(known.paint, wanted.paint)):
        number += tx.change(of, "paints", here, different)
    return number


def _different(one: Pour | Stay | Paint, other: Pour | Stay | Paint) -> dict[str, Any]:
    before = dict(one)
    return {name: value for name, value in dict(other).items() if value != before[name]}
