"""The API of alarms beside those that are on: muted ones, what happened to them, and the harm that they warn of."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query

from curewatch.desk.commands.alarm_care import alarms_now
from curewatch.records import AlarmEvent, AlarmHappening, AlarmKind, Name
from curewatch.views.board import AlarmOut, View, local
from curewatch.views.record import HarmOut
from curewatch.web.api.answers import BASE, REFUSALS, require_room
from curewatch.web.part_web_site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)

OfRoom = Annotated[Name | None, Query(description="Left out: of every room")]


class AlarmEventOut(View):
    """One line of an alarm's history; `at` is the data's own time."""

    alarm: AlarmKind
    room: str
    happening: AlarmHappening
    at: datetime
    recorded_at: datetime
    muted_until: datetime | None

    @classmethod
    def of(cls, one: AlarmEvent, tz: ZoneInfo) -> AlarmEventOut:
        return cls(
            alarm=one.kind,
            room=one.room,
            happening=one.happening,
            at=one.at.astimezone(tz),
            recorded_at=one.recorded_at.astimezone(tz),
            muted_until=local(one.muted_until, tz),
        )


@router.get("/alarms/muted")
def muted(site: Here, room: OfRoom = None) -> list[AlarmOut]:
    """Quiet ones that would not be told of if they were raised."""
    _known(site, room)
    tz = site.desk.settings.tz
    return [AlarmOut.of(one, tz) for one in alarms_now(site.desk, site.clock.now(), room=room).muted]


@router.get("/alarms/history")
def history(site: Here, room: OfRoom = None, limit: Annotated[int, Query(ge=1, le=1000)] = 50) -> list[AlarmEventOut]:
    """What happened to alarms lately, the newest first."""
    _known(site, room)
    tz = site.desk.settings.tz
    return [
        AlarmEventOut.of(one, tz) for one in alarms_now(site.desk, site.clock.now(), history=limit, room=room).history
    ]


@router.get("/harm")
def harm(site: Here, room: OfRoom = None) -> list[HarmOut]:
    """What pieces here may have suffered and nobody has looked over; /pieces/{name}/cleared says that somebody has."""
    _known(site, room)
    tz = site.desk.settings.tz
    harmed = alarms_now(site.desk, site.clock.now(), room=room).harmed
    return [HarmOut.of(one.piece, one.damage, tz) for one in harmed]


def _known(site: Site, room: str | None) -> None:
    if room is not None:
        require_room(site, room)
