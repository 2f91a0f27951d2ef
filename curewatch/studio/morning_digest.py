"""The day's work of one person, told in the morning: what to check, to varnish, to look at first; sensors included."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

from curewatch.records import Alarm, AlarmKind, MilestoneKind, Notice
from curewatch.studio.air import flaws
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.alarms.alarm_notices import ONCE
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.board import Board, PieceLine, RoomLine
from curewatch.studio.care.aftercare import OpenStep, open_step_text
from curewatch.studio.wording import SAFETY, STAGES, VARNISH_CAUTION, Local, date, listed, together, where

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


def sensor_line(room: str, finding: Finding, local: Local) -> str:
    return f"{room}: {flaws.text(finding, local)}. {_ADVICE[finding.flaw]}."


TOLD_UNTIL = timedelta(hours=5)
"""A morning's work that could not be told by then says nothing new any more."""
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def is_morning(hour: int, now: datetime, local: Local) -> bool:
    """Whether the day's work is to be told at `now` to somebody who wants it at `hour`."""
    here = local(now)
    begin = here.replace(hour=hour, minute=0, second=0, microsecond=0)
    return begin <= here < begin + TOLD_UNTIL


def next_morning(hour: int, now: datetime, local: Local) -> datetime:
    """The next moment after `now` at which it is `hour` in the studio."""
    here = local(now)
    at = here.replace(hour=hour, minute=0, second=0, microsecond=0)
    return at if at > here else at + timedelta(days=1)


def key_of(person: str, now: datetime, local: Local) -> str:
    """One a day and person."""
    name = "".join(c if c.isascii() and c.isalnum() else f"_{ord(c):x}_" for c in person)
    return f"morning/{name}/{local(now).date().isoformat()}"


def notice(
    person: str,
    board: Board,
    ahead: Mapping[str, Foreseen],
    now: datetime,
    local: Local,
    steps: Mapping[str, OpenStep | None] = MappingProxyType({}),
    unheated: Collection[str] = (),
    names: Mapping[int, str] = MappingProxyType({}),
) -> Notice | None:
    """What there is to do today; None where there is nothing. `ahead`: by room, what is foreseen of its air; `steps`:
    by piece, the step of after-care that is open on it, None where none is; `unheated`: rooms that cannot be, of which
    cold and damp are told once and are no reason to write; `names`: of the pieces, by number."""
    ends = local(now).replace(hour=23, minute=59, second=59)
    check = [line for line in board.pieces if _to_check(line, ends)]
    ready = [line for line in board.pieces if line.stage is MilestoneKind.VARNISH_READY and line.stage_is_safe]
    varnish = [line for line in ready if line.name not in steps]
    care = [(line, step) for line in board.pieces if (step := steps.get(line.name)) is not None]
    alarms = [
        alarm
        for alarm in board.alarms
        if alarm.acknowledged_at is None and not (alarm.room in unheated and alarm.kind in ONCE)
    ]
    sensors = for_a_person(board.rooms, board.alarms, now)
    if not (check or varnish or care or alarms or any(is_news(one, now) for _, one in sensors)):
        return None
    lines = [_alarm(alarm, names, now, local) for alarm in board.alarms]
    lines += _told(check, lambda line: _checking(line, now, local))
    todo = {line.name: open_step_text(step, local, now) for line, step in care}
    lines += _told([line for line, _ in care], lambda line: todo[line.name])
    lines += _told(varnish, lambda line: _varnishing(line, ahead.get(line.room), board, now, local))
    lines += [sensor_line(room, finding, local) for room, finding in sensors]
    lines += [SAFETY] if care or varnish else []
    title = _summary(check, varnish, care, alarms, ahead, now, local)
    title = title or f"look at the sensors in {listed(sorted({room for room, _ in sensors}))}"
    told = [*check, *varnish, *(line for line, _ in care)]
    return Notice(
        key=key_of(person, now, local),
        kind="morning",
        created_at=now,
        title=f"Today: {title}",
        text="\n".join(lines),
        expires_at=now + TOLD_UNTIL,
        data={
            "person": person,
            "names": sorted({name for one in told for name in (one.name, one.room, one.place) if name}),
            "at": now.isoformat(),
        },
    )


def _to_check(line: PieceLine, ends: datetime) -> bool:
    """Whether its next step is worth checking some time today, varnish apart: that has no hurry."""
    even = line.next.worth_checking_at if line.next is not None else None
    return even is not None and even <= ends


def _summary(
    check: Sequence[PieceLine],
    varnish: Sequence[PieceLine],
    care: Sequence[tuple[PieceLine, OpenStep]],
    alarms: Sequence[Alarm],
    ahead: Mapping[str, Foreseen],
    now: datetime,
    local: Local,
) -> str:
    parts = [f"look at {listed(sorted({alarm.room for alarm in alarms}))} first"] if alarms else []
    parts += [f"check {_pieces(len(check))}"] if check else []
    varnish = [*varnish, *(line for line, step in care if step.kind == "varnish")]
    for kind, verb in (("wash", "wash the silicone off"), ("wrap", "wrap")):
        if count := sum(step.kind == kind for _, step in care):
            parts.append(f"{verb} {_pieces(count)}")
    if varnish:
        damp = [found for line in varnish if (found := ahead.get(line.room)) and found.kind is AlarmKind.DAMP]
        before = f" before the room turns damp {date(min(f.begins_at for f in damp), local, now)}" if damp else ""
        parts.append(f"varnish {_pieces(len(varnish))}{before}")
    return ", ".join(parts)


def _pieces(count: int) -> str:
    number = _COUNTS[count] if count < len(_COUNTS) else str(count)
    return f"{number} piece{'' if count == 1 else 's'}"


def _alarm(alarm: Alarm, names: Mapping[int, str], now: datetime, local: Local) -> str:
    since = date(alarm.raised_at or alarm.since, local, now)
    stake = [names[one] for one in alarm.at_stake or () if one in names]
    lying = f", with {listed(stake)} in it" if stake else ""
    seen = "not yet acknowledged" if alarm.acknowledged_at is None else "somebody sees to it"
    return f"{alarm.room}: {TITLES[alarm.kind]} since {since}{lying}; {seen}."


def _told(lines: Sequence[PieceLine], say: Callable[[PieceLine], str]) -> list[str]:
    """A line each; one for all of a series of which the same is said."""
    alike: dict[tuple[str, str], list[PieceLine]] = {}
    for line in lines:
        alike.setdefault((line.series or f"\0{line.name}", f"{where(line.room, line.place)}: {say(line)}"), []).append(
            line
        )
    return [
        f"{some[0].name if len(some) == 1 else together(name, len(some))}, {said}"
        for (name, said), some in alike.items()
    ]


def _checking(line: PieceLine, now: datetime, local: Local) -> str:
    assert line.next is not None
    even = line.next.worth_checking_at
    from_ = "" if even is None or even <= now else f" from {date(even, local, now)}"
    return f"worth checking whether it is {STAGES[line.next.kind]}{from_}."


def _varnishing(line: PieceLine, ahead: Foreseen | None, board: Board, now: datetime, local: Local) -> str:
    wash = " Wash the silicone off first." if line.silicone else ""
    damp = ""
    if ahead is not None and ahead.kind is AlarmKind.DAMP:
        damp = f" {line.room} turns damp from {date(ahead.begins_at, local, now)}: be done before."
    elif any(alarm.room == line.room and alarm.kind is AlarmKind.DAMP for alarm in board.alarms):
        damp = f" Not while {line.room} is damp."
    return f"can be varnished.{wash}{damp} {VARNISH_CAUTION}"
