# By itself: what is sent while every other page is refused.
"""A person's word that this machine's clock, which has leapt, shows the right time."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse

from curewatch.desk.commands.clock_care import confirm
from curewatch.web.site import Acting, Here, Typed

router = APIRouter(include_in_schema=False)


@router.post("/clock")
def is_right(site: Here, desk: Acting, form: Typed) -> RedirectResponse:
    confirm(desk.store, site.clock)
    site.logged()
    return RedirectResponse("/", 303)
