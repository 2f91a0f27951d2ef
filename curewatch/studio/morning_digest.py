"""The day's work of one person, told in the morning: what to check, to varnish, to look at first; sensors included."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

from curewatch.language import Listed, Message, Value, When, Words, joined, phrase, phrase_n
from curewatch.records import Alarm, AlarmKind, MilestoneKind, Notice
from curewatch.studio.air import flaws
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.alarms.alarm_notices import ONCE
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.board import Board, PieceLine, RoomLine
from curewatch.studio.care.aftercare import OpenStep, open_step_text
from curewatch.studio.wording import SAFETY, STAGES, VARNISH_CAUTION, Local, together, where

DAY_S = 86400.0
NEWS = (Flaw.STUCK, Flaw.SILENT, Flaw.IMPOSSIBLE)
"""What is a reason to write. A battery has been told of by itself, and a drift has taken weeks already."""
_ADVICE = {
    Flaw.STUCK: phrase("Switch it off and on, and hold it beside another"),
    Flaw.SILENT: phrase("Look at its battery and its place"),
    Flaw.IMPOSSIBLE: phrase("Look at its wires and its battery"),
    Flaw.DRIFT: phrase("Compare it with a good thermometer and hygrometer"),
    Flaw.BATTERY: phrase("Change it this week"),
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


def sensor_line(room: str, finding: Finding) -> Message:
    return phrase("{room}: {flaw}. {advice}.", room=room, flaw=flaws.text(finding), advice=_ADVICE[finding.flaw])


TOLD_UNTIL = timedelta(hours=5)
"""A morning's work that could not be told by then says nothing new any more."""
_COUNTS = (
    phrase("no"), phrase("one"), phrase("two"), phrase("three"), phrase("four"), phrase("five"), phrase("six"),
    phrase("seven"), phrase("eight"), phrase("nine"), phrase("ten"),
)  # fmt: skip


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
    lines: list[Words] = [_alarm(alarm, names, now) for alarm in board.alarms]
    lines += _told(check, lambda line: _checking(line, now))
    todo = {line.name: open_step_text(step, now) for line, step in care}
    lines += _told([line for line, _ in care], lambda line: todo[line.name])
    lines += _told(varnish, lambda line: _varnishing(line, ahead.get(line.room), board, now))
    lines += [sensor_line(room, finding) for room, finding in sensors]
    lines += [SAFETY] if care or varnish else []
    title = _summary(check, varnish, care, alarms, ahead, now)
    if not title:
        title = phrase("look at the sensors in {rooms}", rooms=Listed(tuple(sorted({room for room, _ in sensors}))))
    told = [*check, *varnish, *(line for line, _ in care)]
    return Notice(
        key=key_of(person, now, local),
        kind="morning",
        created_at=now,
        title=phrase("Today: {work}", work=title),
        text=joined(*lines, by="\n"),
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
) -> Words:
    parts: list[Words] = []
    if alarms:
        parts.append(phrase("look at {rooms} first", rooms=Listed(tuple(sorted({alarm.room for alarm in alarms})))))
    if check:
        parts.append(phrase_n("check one piece", "check {count} pieces", len(check), count=_count(check)))
    varnish = [*varnish, *(line for line, step in care if step.kind == "varnish")]
    if wash := [step for _, step in care if step.kind == "wash"]:
        parts.append(
            phrase_n(
                "wash the silicone off one piece", "wash the silicone off {count} pieces", len(wash), count=_count(wash)
            )
        )
    if wrap := [step for _, step in care if step.kind == "wrap"]:
        parts.append(phrase_n("wrap one piece", "wrap {count} pieces", len(wrap), count=_count(wrap)))
    if varnish:
        damp = [found for line in varnish if (found := ahead.get(line.room)) and found.kind is AlarmKind.DAMP]
        if damp:
            before = When(min(f.begins_at for f in damp), now, "date")
            parts.append(
                phrase_n(
                    "varnish one piece before the room turns damp {at}",
                    "varnish {count} pieces before the room turns damp {at}",
                    len(varnish),
                    count=_count(varnish),
                    at=before,
                )
            )
        else:
            parts.append(phrase_n("varnish one piece", "varnish {count} pieces", len(varnish), count=_count(varnish)))
    return joined(*parts, by=", ")


def _count(some: Sequence[object]) -> Value:
    return _COUNTS[len(some)] if len(some) < len(_COUNTS) else len(some)


def _alarm(alarm: Alarm, names: Mapping[int, str], now: datetime) -> Message:
    values: dict[str, Value] = {
        "room": alarm.room,
        "what": TITLES[alarm.kind],
        "since": When(alarm.raised_at or alarm.since, now, "date"),
        "seen": phrase("not yet acknowledged") if alarm.acknowledged_at is None else phrase("somebody sees to it"),
    }
    stake = tuple(names[one] for one in alarm.at_stake or () if one in names)
    if stake:
        return phrase("{room}: {what} since {since}, with {pieces} in it; {seen}.", pieces=Listed(stake), **values)
    return phrase("{room}: {what} since {since}; {seen}.", **values)


def _told(lines: Sequence[PieceLine], say: Callable[[PieceLine], Words]) -> list[Words]:
    """A line each; one for all of a series of which the same is said."""
    alike: dict[tuple[str, str, Words], list[PieceLine]] = {}
    for line in lines:
        key = (line.series or f"\0{line.name}", where(line.room, line.place), say(line))
        alike.setdefault(key, []).append(line)
    return [
        phrase(
            "{piece}, {place}: {said}",
            piece=some[0].name if len(some) == 1 else together(name, len(some)),
            place=place,
            said=said,
        )
        for (name, place, said), some in alike.items()
    ]


def _checking(line: PieceLine, now: datetime) -> Message:
    assert line.next is not None
    even, stage = line.next.worth_checking_at, STAGES[line.next.kind]
    if even is None or even <= now:
        return phrase("worth checking whether it is {stage}.", stage=stage)
    return phrase("worth checking whether it is {stage} from {at}.", stage=stage, at=When(even, now, "date"))


def _varnishing(line: PieceLine, ahead: Foreseen | None, board: Board, now: datetime) -> Words:
    wash = phrase("Wash the silicone off first.") if line.silicone else None
    damp = None
    if ahead is not None and ahead.kind is AlarmKind.DAMP:
        begins = When(ahead.begins_at, now, "date")
        damp = phrase("{room} turns damp from {at}: be done before.", room=line.room, at=begins)
    elif any(alarm.room == line.room and alarm.kind is AlarmKind.DAMP for alarm in board.alarms):
        damp = phrase("Not while {room} is damp.", room=line.room)
    return joined(phrase("can be varnished."), wash, damp, VARNISH_CAUTION)
