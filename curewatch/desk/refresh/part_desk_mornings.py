"""Whom the day's work is told in the morning, and when."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from curewatch.records import Notice
from curewatch.settings import Settings
from curewatch.studio import part_studio_morning
from curewatch.studio.air.climate import Climate
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.board import Board, RoomLine
from curewatch.studio.care.part_studio_open_steps import OpenStep
from curewatch.studio.wording import Local


def keys(settings: Settings, now: datetime, local: Local) -> list[str]:
    """The keys of the notices that are due this morning, told or not."""
    return [part_studio_morning.key_of(name, now, local) for name in people(settings, (), now, local)]


def people(settings: Settings, known: Collection[str], now: datetime, local: Local) -> list[str]:
    """Who is to be told at `now`, but for those whose notice is `known`."""
    return [
        person.name
        for person in settings.people
        if person.morning_hour is not None
        and part_studio_morning.is_morning(person.morning_hour, now, local)
        and part_studio_morning.key_of(person.name, now, local) not in known
    ]


def notices(
    names: Collection[str],
    board: Board,
    ahead: Mapping[str, Foreseen],
    steps: Mapping[str, OpenStep | None],
    now: datetime,
    local: Local,
) -> list[Notice]:
    """One for each of `names`, if there is anything to do."""
    found = [part_studio_morning.notice(name, board, ahead, now, local, steps) for name in names]
    return [notice for notice in found if notice is not None]


def with_drifts(board: Board, climates: Mapping[str, Climate]) -> Board:
    """The board, with what shows in weeks only: sensors that drift. `climates`: by room, the air since its pours."""
    return replace(board, rooms=tuple(_with_drift(room, climates.get(room.name)) for room in board.rooms))


def _with_drift(room: RoomLine, climate: Climate | None) -> RoomLine:
    drifts = () if climate is None else tuple(one for one in climate.findings if one.flaw is Flaw.DRIFT)
    return replace(room, quality=tuple(dict.fromkeys(room.quality + drifts)))


def next_ones(settings: Settings, now: datetime, local: Local) -> list[datetime]:
    """When the next morning begins for each person who wants to be told."""
    hours = {person.morning_hour for person in settings.people if person.morning_hour is not None}
    return [part_studio_morning.next_morning(hour, now, local).astimezone(UTC) for hour in hours]
