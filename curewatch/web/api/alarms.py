"""The API of alarms, of the harm they warn of, and of notices with what became of them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from curewatch.desk.commands import notice_care, observing
from curewatch.desk.commands.alarm_care import AlarmsNow, alarms_now
from curewatch.records import Name
from curewatch.studio import wording
from curewatch.views.alarms import AlarmEventOut, AlarmOut, AlarmsOut, HarmOut
from curewatch.views.logged import LoggedOut
from curewatch.views.notices import AgainOut, NoticeOut
from curewatch.web.api.answers import BASE, REFUSALS, logged, require_room
from curewatch.web.api.requests import ForgetIn, ResendIn
from curewatch.web.site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)
OfRoom = Annotated[Name | None, Query(description="Left out: of every room")]


@router.get("/alarms/now")
def now(site: Here, room: OfRoom = None) -> AlarmsOut:
    """All that stands, is close, muted, harmed or at risk, and what people were told of it: the page of alarms."""
    _known(site, room)
    return AlarmsOut.of(_alarms_now(site, room), site.desk.settings.tz)


@router.get("/alarms/muted")
def muted(site: Here, room: OfRoom = None) -> list[AlarmOut]:
    """Quiet ones that would not be told of if they were raised."""
    _known(site, room)
    tz = site.desk.settings.tz
    return [AlarmOut.of(one, tz) for one in _alarms_now(site, room).muted]


@router.get("/alarms/history")
def history(site: Here, room: OfRoom = None, limit: Annotated[int, Query(ge=1, le=1000)] = 50) -> list[AlarmEventOut]:
    """What happened to alarms lately, the newest first."""
    _known(site, room)
    tz = site.desk.settings.tz
    return [AlarmEventOut.of(one, tz) for one in _alarms_now(site, room, history=limit).history]


@router.get("/harm")
def harm(site: Here, room: OfRoom = None) -> list[HarmOut]:
    """What pieces here may have suffered and nobody has looked over; /pieces/{name}/cleared says that somebody has."""
    _known(site, room)
    tz = site.desk.settings.tz
    harmed = _alarms_now(site, room).harmed
    return [HarmOut.of(one.piece, one.damage, tz) for one in harmed]


def _alarms_now(site: Site, room: str | None, history: int = 0) -> AlarmsNow:
    at = site.clock.now()
    return alarms_now(site.desk, at, site.boards.look(at).board(at), history=history, room=room)


def _known(site: Site, room: str | None) -> None:
    if room is not None:
        require_room(site, room)


@router.get("/notices")
def notices(
    site: Here,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    dead: Annotated[bool, Query(description="Only those that were given up")] = False,
) -> list[NoticeOut]:
    """What people were told, the newest first, and whether it arrived."""
    desk = site.desk
    found = notice_care.dead(desk)[:limit] if dead else notice_care.newest_notices(desk, limit=limit)
    return [NoticeOut.of(one, desk.settings.tz) for one in found]


@router.post("/notices/resend")
def resend(site: Here, which: ResendIn) -> list[AgainOut]:
    """Send again what was given up: it waits for its channels once more. Nothing is told twice that arrived."""
    again = notice_care.send_again(site.desk, which.key, site.clock.now())
    site.logged()
    return [AgainOut(key=one.notice.key, channel=one.channel) for one in again]


@router.post("/learned/forget")
def forget(site: Here, what: ForgetIn) -> LoggedOut:
    """What was observed of this recipe or place so far is to teach nothing more. It cannot be taken back."""
    now = site.clock.now()
    return logged(site, now, None, wording.notes(observing.forget(site.desk, what.name, now).remarks))
