# By itself: a page of its own, as every page is.
"""The alarms: what is wrong now, what is muted, what was told before; and what people do about it."""

from __future__ import annotations

import re
from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.desk.commands import alarm_care
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.undo import undo
from curewatch.language import phrase
from curewatch.records import AlarmKind
from curewatch.records.errors import Field, InputError
from curewatch.web.site import Here, Typed, page, text_of

router = APIRouter(include_in_schema=False)


@router.get("/alarms")
def alarms(request: Request, site: Here) -> HTMLResponse:
    """Active ones first."""
    now = site.clock.now()
    kept = site.boards.look(now)
    found = alarm_care.alarms_now(site.desk, now, kept.board(now))
    return page(request, "alarms.html", now, mark=kept.mark, found=found, rooms=kept.rooms)


@router.post("/alarms")
def care(site: Here, form: Typed) -> Response:
    """Seen, muted for some hours, or told of again."""
    now, room, what = site.clock.now(), text_of(form, "room"), text_of(form, "do")
    kind = kind_of(text_of(form, "kind"))
    if what == "seen":
        alarm_care.acknowledge(site.desk, room, kind, now)
    elif what == "unseen":
        undo(site.desk, LogKind.ACKNOWLEDGE, [room, kind], now)
    elif what == "unmute":
        alarm_care.unmute(site.desk, room, kind, now)
    elif hours := re.fullmatch(r"mute (\d{1,3})", what):
        alarm_care.mute(site.desk, room, kind, timedelta(hours=int(hours[1])), now)
    else:
        raise InputError(Field.DO, what, phrase("seen, unseen, unmute, or mute and a number of hours"))
    site.logged()
    return RedirectResponse("/alarms", 303)


def kind_of(text: str) -> AlarmKind:
    """InputError where it is none."""
    if text not in set(AlarmKind):
        raise InputError(Field.KIND, text, ", ".join(AlarmKind))
    return AlarmKind(text)
