"""What a finger, a scale, a thermometer or a camera found of a piece: logged, taken back and forgotten."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.commands.log import LogKind
from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import Logged, nearest, piece_here
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.retraction import retract_refuted
from curewatch.desk.snapshot.pieces import dryings_of, lesson_of, update_lessons, what_was_learned, within_findings
from curewatch.language import When, phrase
from curewatch.records import MilestoneKind, Piece
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger, Forgetting, Observation, ObservationKind, Spot, Subject
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.records.workshop import Photo, PhotoKind
from curewatch.store import Transaction
from curewatch.studio.learning.texts import finding, remarks_of
from curewatch.studio.standing import PRESSED, contradicted, odds_of


@dataclass(frozen=True)
class Observed:
    """An observation as stored."""

    piece: Piece
    observation: Observation
    remarks: tuple[Remark, ...] = ()
    """That it is questioned, or teaches nothing, and why."""


def feel(desk: Desk, name: str, says: Finger, at: datetime, now: datetime, spot: Spot = Spot.EDGE) -> Observed:
    """A finger test of a piece that is here. InputError: no such piece, or before its pour."""
    return _log(desk, name, now, at=at, kind=ObservationKind.FINGER, finger=says, spot=spot)


def weigh(desk: Desk, name: str, grams: float, resolution_g: float, at: datetime, now: datetime) -> Observed:
    """A weighing; one before the pour is the bare support. InputError: no such piece."""
    return _log(desk, name, now, at=at, kind=ObservationKind.WEIGHING, grams=grams, resolution_g=resolution_g)


def surface(desk: Desk, name: str, surface_c: float, at: datetime, now: datetime) -> Observed:
    """The temperature of a film's surface. InputError: no such piece, or before its pour."""
    return _log(desk, name, now, at=at, kind=ObservationKind.SURFACE, surface_c=surface_c)


def _log(desk: Desk, name: str, now: datetime, *, at: datetime, kind: ObservationKind, **found: object) -> Observed:
    with desk.logging() as tx:
        piece = piece_here(tx, name)
        (pour,) = tx.pours([piece.id])
        if at <= pour.at and kind is not ObservationKind.WEIGHING:
            raise InputError(Field.AT, desk.dated(at), phrase("a moment after the pour, {date}", date=When(pour.at)))
        given = Observation.model_validate(
            {"piece_id": piece.id, "at": at, "kind": kind, "logged_at": now, "logged_by": desk.by, **found}
        )
        stored, remarks = (
            (tx.add_observation(given), ()) if given.finger is None else _felt(desk, tx, piece, given, now)
        )
        mark_changed(tx)
        desk.note_sent(tx, now, LogKind.FOUND, (name, stored.id))
    update_lessons(desk.store, now)  # for what there is to say of it; the dates follow at the next look
    with desk.store.read() as tx:
        return Observed(piece, stored, (*remarks_of(stored, lesson_of(tx, piece.id)), *remarks))


def _felt(
    desk: Desk, tx: Transaction, piece: Piece, test: Observation, now: datetime
) -> tuple[Observation, tuple[Remark, ...]]:
    """Store a finger test, with how likely it was by the dates shown until now; what still waits to be told against it
    is withdrawn."""
    assert test.finger is not None
    (drying,) = dryings_of(tx, [piece])
    believed = within_findings(tx.forecasts([piece.id]), [drying], now).get(piece.id)
    odds, through = (odds_of(believed, one, test.at, drying.pour.at) for one in (test.finger, Finger.DRY_THROUGH))
    stored = tx.add_observation(test.model_copy(update={"odds": odds}))
    last = drying.standing(now).latest
    (drying,) = dryings_of(tx, [piece])
    retract_refuted(tx, desk.settings, piece.id, drying.standing(now), now)
    soft = test.finger is Finger.TOUCH_DRY and through is not None and through > PRESSED
    remarks = [Remark(RemarkKind.PRESS)] if soft else []
    if last is not None and last.id in contradicted(drying.findings, drying.pour.at, now):
        remarks.append(Remark(RemarkKind.OTHERWISE, finding(last)))
    return stored, tuple(remarks)


def forget(desk: Desk, name: str, now: datetime) -> Logged:
    """What was observed of this recipe or place so far is to teach nothing more. InputError: nothing was learned."""
    known = what_was_learned(desk)
    subjects = [one.subject for one in known if one.name == name]
    if not subjects:
        what = phrase("a recipe or place that something was learned about")
        raise InputError(Field.FORGET, name, nearest(name, [one.name for one in known], what))
    with desk.store.write() as tx:
        for subject in subjects:
            tx.put_forgetting(Forgetting(subject=Subject(subject), name=name, at=now))
        mark_changed(tx)
    update_lessons(desk.store, now)
    return Logged(remarks=tuple(Remark(RemarkKind.FORGOTTEN, name, subject=subject.value) for subject in subjects))


SHOWS = {None: PhotoKind.WET, MilestoneKind.SET: PhotoKind.SETTLED}
"""What a photo shows of a piece at that stage, unless somebody says otherwise; later on it is dry."""


@dataclass(frozen=True)
class PhotoKept:
    piece: Piece
    photo: Photo


def keep_photo(
    desk: Desk, name: str, jpeg: bytes, size_px: tuple[int, int], kind: PhotoKind | None, at: datetime, now: datetime
) -> PhotoKept:
    """Of the piece called `name`, which is here; `kind`: None, as its stage has it. InputError: no such piece, or a
    moment to come."""
    if at > now:
        raise InputError(Field.AT, desk.dated(at), phrase("a moment that has passed"))
    if kind is None:
        kind = SHOWS.get(piece_report(desk, name, at).line.stage, PhotoKind.DRY)
    with desk.store.read() as tx:
        piece_here(tx, name)
    sha256 = desk.store.photos.put(jpeg)
    with desk.logging() as tx:
        piece = piece_here(tx, name)
        width, height = size_px
        photo = Photo(
            piece_id=piece.id, kind=kind, at=at, sha256=sha256, width_px=width, height_px=height, logged_at=now
        )
        photo = tx.add_photo(photo)
        desk.note_sent(tx, now, LogKind.PHOTO, (name, photo.id))
        return PhotoKept(piece, photo)


def drop_unnamed(desk: Desk, files: Collection[str]) -> None:
    """These files go, unless another photo is the same."""
    if files:
        with desk.store.read() as tx:
            named = {photo.sha256 for photo in tx.photos()}
        desk.store.photos.drop(set(files) - named)
