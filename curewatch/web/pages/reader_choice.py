# By itself: how somebody reads is chosen apart from all else.
"""The choice of language and units, kept on the device it was made on."""

from __future__ import annotations

from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.language import Reader, languages
from curewatch.web.access.guard import KNOWN_LASTS, cookie
from curewatch.web.reading import CHOSEN, choice_of, chosen, cookie_of
from curewatch.web.site import Here, Typed, page, text_of, visitor_of

router = APIRouter(include_in_schema=False)


@router.get("/language")
def language_form(request: Request, site: Here) -> HTMLResponse:
    now = site.clock.now()
    shown = [(one, Reader(one).own_name) for one in languages()]
    values = {name: str(value or "") for name, value in chosen(request.cookies).model_dump().items()}
    return page(request, "language.html", now, languages=shown, values=values)


@router.post("/language")
def choose(request: Request, form: Typed) -> Response:
    """From now on this device is read so; what is left open goes by profile, studio and browser."""
    choice = cookie_of(choice_of({name: text_of(form, name) for name in form}))
    answer = RedirectResponse("/language", 303)
    lasts = KNOWN_LASTS if choice else timedelta()
    answer.headers["set-cookie"] = cookie(CHOSEN, choice, lasts, secure=visitor_of(request).is_secure)
    return answer
