# By itself: page, command and API keep photos alike.
"""Photos of a piece, kept beside the store: wet, settled, dry, or of a flaw."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.orders import piece_here
from curewatch.desk.reports.piece import piece_report
from curewatch.records import MilestoneKind, Piece
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Photo, PhotoKind

SHOWS = {None: PhotoKind.WET, MilestoneKind.PACKED: PhotoKind.SETTLED}
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
        raise InputError(Field.AT, at.isoformat(timespec="seconds"), "a moment that has passed")
    if kind is None:
        kind = SHOWS.get(piece_report(desk, name, at).line.stage, PhotoKind.DRY)
    with desk.store.read() as tx:
        piece_here(tx, name)
    sha256 = desk.store.photos.put(jpeg)
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        width, height = size_px
        photo = Photo(
            piece_id=piece.id, kind=kind, at=at, sha256=sha256, width_px=width, height_px=height, logged_at=now
        )
        return PhotoKept(piece, tx.add_photo(photo))


def drop_unnamed(desk: Desk, files: Collection[str]) -> None:
    """These files go, unless another photo is the same."""
    if files:
        with desk.store.read() as tx:
            named = {photo.sha256 for photo in tx.photos()}
        desk.store.photos.drop(set(files) - named)
