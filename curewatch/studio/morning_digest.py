"""Which findings about sensors are for a person, said with the day's work: an alarm is for a room that nobody watches.

A sensor that is stuck, silent or impossible while it is the only one leaves its room unread, and that is an alarm
(`no fresh readings`). Beside another it can wait until the morning. It is a reason to write only on the first morning;
afterwards it goes along with what else there is to do.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from curewatch.records import Alarm, AlarmKind
from curewatch.studio.air import part_studio_quality_words
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.board import RoomLine
from curewatch.studio.wording import Local

DAY_S = 86400.0
NEWS = (Flaw.STUCK, Flaw.SILENT, Flaw.IMPOSSIBLE)
"""What is a reason to write. A battery has been told of by itself, and a drift has taken weeks already."""
_ADVICE = {
    Flaw.STUCK: "Switch it off and on, and hold it beside another",
    Flaw.SILENT: "Look at its battery and its place",
    Flaw.IMPOSSIBLE: "Look at its wires and its battery",
    Flaw.DRIFT: "Compare it with a good thermometer and hygrometer",
    Flaw.BATTERY: "Change it this week",
}


def for_a_person(rooms: Iterable[RoomLine], alarms: Iterable[Alarm], now: datetime) -> list[tuple[str, Finding]]:
    """What somebody should look at, by room: only where pieces lie, and not what an alarm tells already."""
    unread = {alarm.room for alarm in alarms if alarm.kind is AlarmKind.NO_FRESH_DATA}
    return [
        (room.name, finding)
        for room in rooms
        if room.pieces and room.name not in unread
        for finding in room.quality
        if _matters(finding, now)
    ]


def _matters(finding: Finding, now: datetime) -> bool:
    """Whether it is so still, and asks for anything. One impossible value is what a sensor says as it wakes."""
    once = finding.flaw is Flaw.IMPOSSIBLE and finding.count < 2
    return finding.flaw in _ADVICE and not once and now.timestamp() - finding.until_s < DAY_S


def is_news(finding: Finding, now: datetime) -> bool:
    """Whether nobody can have been told on a morning before."""
    return finding.flaw in NEWS and now.timestamp() - finding.since_s - finding.after_s < DAY_S


def line(room: str, finding: Finding, local: Local) -> str:
    return f"{room}: {part_studio_quality_words.text(finding, local)}. {_ADVICE[finding.flaw]}."


def rooms_of(found: Sequence[tuple[str, Finding]]) -> list[str]:
    return sorted({room for room, _ in found})
