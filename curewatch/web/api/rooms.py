"""The API of the rooms: their air as read and as foreseen, who measures it, and what people do about their alarms."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from curewatch.desk.commands import alarm_care, naming
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.naming import names_in_use
from curewatch.desk.commands.readings import standing_checks, trust_sensor
from curewatch.desk.reports.room import room_outlook, room_record, room_sensors
from curewatch.desk.transfer import exporting
from curewatch.records import Alarm, AlarmKind
from curewatch.records.corrections import Naming
from curewatch.views.air import (
    DOUBTED,
    CheckOut,
    LimitsOut,
    OutlookOut,
    ReadingOut,
    RoomReportOut,
    SensorOut,
    SensorTrustOut,
)
from curewatch.views.alarms import AlarmOut, CloseOut
from curewatch.views.base import At
from curewatch.views.board import RoomOut
from curewatch.views.corrections import NameOut
from curewatch.views.logged import LoggedOut
from curewatch.web.api.answers import BASE, CSV, REFUSALS, RoomName, as_csv, logged, require_room
from curewatch.web.api.requests import MuteIn, NamesIn, TrustIn
from curewatch.web.scarce import costly
from curewatch.web.site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)
READINGS_MOST = 20_000
DAY = timedelta(days=1)


@router.get("/rooms")
def rooms(site: Here) -> list[RoomOut]:
    """All of them, with their air as it was last read and what is wrong with it."""
    now = site.clock.now()
    return [RoomOut.of(line, now, site.desk.settings.tz) for line in site.boards.look(now).rooms]


@router.get("/names")
def names(site: Here) -> list[NameOut]:
    """All rooms with their places, and all recipes."""
    with site.desk.store.read() as tx:
        return [NameOut.of(one) for one in names_in_use(tx)]


@router.post("/names")
def put_right(site: Here, change: NamesIn) -> LoggedOut:
    """Rename, merge or remove a room, a place or a recipe; whatever names it follows."""
    now = site.clock.now()
    done = naming.put_right(site.desk, change.do, change.naming, change.name, change.to, now, change.room, change.new)
    kind = LogKind.RECIPE if done.naming is Naming.RECIPE else LogKind.NAME
    return logged(site, now, None, done=kind, of=(done.id,))


@router.get("/rooms/{name:path}/readings")
def readings(
    site: Here, name: RoomName, since: Annotated[At | None, Query()] = None, until: Annotated[At | None, Query()] = None
) -> list[ReadingOut]:
    """The newest readings of a room, oldest first; left out, `since` is a day before `until`, and that is now."""
    require_room(site, name)
    tz = site.desk.settings.tz
    until = until or site.clock.now()
    with site.desk.store.read() as tx:
        found = tx.readings(name, since=since or until - DAY, until=until)
    return [
        ReadingOut(
            at=one.at.astimezone(tz),
            temp_c=one.temp_c,
            rh_pct=one.rh_pct,
            source=one.source,
            battery_pct=one.battery_pct,
            by=one.logged_by,
        )
        for one in found[-READINGS_MOST:]
    ]


@router.get("/rooms/{name:path}/readings.csv", responses=CSV)
def readings_as_rows(site: Here, name: RoomName, since: Annotated[At | None, Query()] = None) -> Response:
    """Everything that was read of a room (since then), oldest first, as CSV."""
    require_room(site, name)
    return as_csv(exporting.rows(exporting.readings_of(site.desk, name, since)))


@router.get("/rooms/{name:path}/outlook")
@costly
def outlook(site: Here, name: RoomName) -> OutlookOut:
    """The room's next 48 hours, hour by hour, each with its band. 404 where too little was read to say."""
    require_room(site, name)
    now = site.clock.now()
    line = next(one for one in site.boards.look(now).rooms if one.name == name)
    found = site.outlooks(f"{line.data_at} {name}", lambda: room_outlook(site.desk, name, now))
    if found is None:
        raise HTTPException(404, f"{name} was not read often or lately enough to say what is coming")
    return OutlookOut.of(name, line.data_at, found, site.desk.settings.tz)


@router.get("/alarms")
def alarms(site: Here) -> list[AlarmOut]:
    """Active alarms, the newest first."""
    now = site.clock.now()
    return [AlarmOut.of(one, site.desk.settings.tz) for one in site.boards.look(now).board(now).alarms]


@router.post("/rooms/{name:path}/alarms/{kind}/acknowledge")
def acknowledge(site: Here, name: RoomName, kind: AlarmKind) -> AlarmOut:
    """Somebody sees to it: no reminder comes, and it is told when it is over.

    It is taken back by /undo, as done "acknowledge" of the room and the kind.
    """
    require_room(site, name)
    return _cared(site, alarm_care.acknowledge(site.desk, name, kind, site.clock.now()))


@router.post("/rooms/{name:path}/alarms/{kind}/mute")
def mute(site: Here, name: RoomName, kind: AlarmKind, mute: MuteIn) -> AlarmOut:
    """Nothing is told of it for a while."""
    require_room(site, name)
    return _cared(site, alarm_care.mute(site.desk, name, kind, timedelta(hours=mute.hours), site.clock.now()))


@router.post("/rooms/{name:path}/alarms/{kind}/unmute")
def unmute(site: Here, name: RoomName, kind: AlarmKind) -> AlarmOut:
    """It is told again."""
    require_room(site, name)
    return _cared(site, alarm_care.unmute(site.desk, name, kind, site.clock.now()))


@router.post("/rooms/{name:path}/trust", status_code=201)
def trust(site: Here, name: RoomName, trust: TrustIn) -> SensorTrustOut:
    """Which is right, after a reading typed beside a sensor.

    It is taken back by /undo, as done "trust" of the room, the source and `logged_at` in UTC.
    """
    require_room(site, name)
    said = trust_sensor(site.desk, name, trust.trust, site.clock.now(), source=trust.source)
    site.logged()
    return SensorTrustOut.of(said, site.desk.settings.tz)


def _cared(site: Site, alarm: Alarm) -> AlarmOut:
    site.logged()
    return AlarmOut.of(alarm, site.desk.settings.tz)


@router.get("/rooms/{name:path}")
def room(site: Here, name: RoomName) -> RoomReportOut:
    """One room with its sensors."""
    now, tz = site.clock.now(), site.desk.settings.tz
    kept = site.boards.look(now)
    board = kept.board(now)
    line = next((one for one in kept.rooms if one.name == name), None)
    if line is None:
        raise HTTPException(404)
    record = room_record(site.desk, name, now - DOUBTED, now)
    with site.desk.store.read() as tx:
        checks = standing_checks(tx, name, now)
    return RoomReportOut(
        **dict(RoomOut.of(line, now, tz)),
        sensors=[SensorOut.of(one, now, tz) for one in room_sensors(site.desk, kept, name, now)],
        checks=[CheckOut.of(one, tz) for one in checks],
        doubts=[]
        if record is None
        else [site.desk.settings.studio_reader.read(one) for one in record.doubts((now - DOUBTED).timestamp())],
        limits=LimitsOut.of(site.desk.settings.alarms),
        alarms=[AlarmOut.of(one, tz) for one in board.alarms if one.room == name],
        close=[CloseOut.of(one, tz) for one in board.close_to(name)],
    )
