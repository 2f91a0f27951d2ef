# By itself: pictures come in and go out by ways of their own.
"""Photos of a piece: taken with a phone's camera from its page, and shown wherever the piece is."""

from __future__ import annotations

from functools import cache, partial

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.observing import keep_photo
from curewatch.intake.files.photo import Picture, parse_photo_kind, picture_of
from curewatch.language import phrase
from curewatch.records.errors import Field, InputError, understood
from curewatch.web.pages.forms import moment_of
from curewatch.web.pages.logged import shown_at
from curewatch.web.pages.piece import refused
from curewatch.web.site import Here, Sending, Site, Typed, text_of

LASTING = {"cache-control": "private, max-age=86400"}
"""What lies under a number never changes; but who may see it may."""


router = APIRouter(include_in_schema=False)


@router.get("/photo/{photo_id}.jpg")
def photo(site: Here, photo_id: int) -> Response:
    return picture(site, photo_id)


def picture(site: Site, photo_id: int) -> Response:
    """404 where there is no such photo, or its file is lost."""
    with site.desk.store.read() as tx:
        found = tx.photo(photo_id) if abs(photo_id) < 2**63 else None  # no database has a larger number
    jpeg = None if found is None else site.desk.store.photos.get(found.sha256)
    if jpeg is None:
        raise HTTPException(404)
    return Response(jpeg, media_type="image/jpeg", headers=LASTING)


@router.post("/piece/{name:path}/photo")
def take(request: Request, site: Here, desk: Sending, form: Typed, name: str) -> Response:
    """Keep a photo; what is none stores nothing."""
    now = site.clock.now()
    values = {field: text_of(form, field) for field in form if field != "file"}
    sent = form.get("file")

    @cache
    def photo() -> Picture:
        if not isinstance(sent, UploadFile) or not sent.size:
            raise InputError(Field.FILE, "nothing", phrase("a photo"))
        return picture_of(sent.file.read(), sent.filename or "the file")

    try:
        when = partial(moment_of, values, now, site.desk.settings.tz)
        understood(photo, lambda: parse_photo_kind(values.get("kind", "")), when)
        made, kind, at = photo(), parse_photo_kind(values.get("kind", "")), when()
        kept = keep_photo(desk, name, made.jpeg, (made.width_px, made.height_px), kind, at, now)
    except InputError as error:
        return refused(request, site, name, now, error, "photo", values)
    site.changed(now)
    return shown_at(LogKind.PHOTO, [name, kept.photo.id])
