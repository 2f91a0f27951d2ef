"""Whom the day's work is told in the morning, and when."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime

from curewatch.records import Notice
from curewatch.settings import Settings
from curewatch.studio import morning
from curewatch.studio.ahead import Foreseen
from curewatch.studio.board import Board
from curewatch.studio.wording import Local


def keys(settings: Settings, now: datetime, local: Local) -> list[str]:
    """The keys of the notices that are due this morning, told or not."""
    return [morning.key_of(name, now, local) for name in people(settings, (), now, local)]


def people(settings: Settings, known: Collection[str], now: datetime, local: Local) -> list[str]:
    """Who is to be told at `now`, but for those whose notice is `known`."""
    return [
        person.name
        for person in settings.people
        if person.morning_hour is not None
        and morning.is_morning(person.morning_hour, now, local)
        and morning.key_of(person.name, now, local) not in known
    ]


def notices(
    names: Collection[str], board: Board, ahead: Mapping[str, Foreseen], now: datetime, local: Local
) -> list[Notice]:
    """One for each of `names`, if there is anything to do."""
    found = [morning.notice(name, board, ahead, now, local) for name in names]
    return [notice for notice in found if notice is not None]


def next_ones(settings: Settings, now: datetime, local: Local) -> list[datetime]:
    """When the next morning begins for each person who wants to be told."""
    hours = {person.morning_hour for person in settings.people if person.morning_hour is not None}
    return [morning.next_morning(hour, now, local).astimezone(UTC) for hour in hours]
