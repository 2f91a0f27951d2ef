"""The board: every piece with its stage and its next dates, every room with the age of its data, active alarms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo

from curewatch.language import Message, Words, joined, phrase
from curewatch.records import Alarm, AlarmKind, AlarmState, Forecast, Milestone, MilestoneKind, Notice, Reading
from curewatch.records.facts import Finger
from curewatch.studio import wording
from curewatch.studio.air.flaws import Finding
from curewatch.studio.alarms import alarm_words
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning.promises import Promised, promised
from curewatch.studio.standing import NAMES, reached_by

_FAR = datetime.max.replace(tzinfo=UTC)
SOON = timedelta(hours=24)
"""A place counts as coming free if its piece may be moved by then."""


NOT_KNOWN = phrase("not known")


@dataclass(frozen=True)
class PieceLine:
    """One piece on the board."""

    id: int
    name: str
    room: str
    place: str | None
    poured_at: datetime
    stage: MilestoneKind | None
    """The furthest milestone reached at even odds, or found reached; None: wet, or not known where there is no
    forecast. While a finger last found it tacky, no more than that."""
    stage_is_safe: bool
    """Whether that stage is safe to assume."""
    next: Milestone | None
    """What to look for next, with its dates: the milestone of a stage that is not yet safe to assume, since whoever
    checks that checks those before it as well; else the first to come."""
    forecast: Forecast | None
    silicone: bool
    finger: Finger | None = None
    """What a finger last found of it..."""
    finger_at: datetime | None = None
    """...and when."""
    series: str | None = None
    """What it was poured as, with others."""
    promised: Promised | None = None
    """By when it is to be ready, and how that stands."""

    @property
    def stage_found_at(self) -> datetime | None:
        """When a finger found it as it is shown; None where the model says so."""
        found = self.finger is not None and NAMES.get(self.finger) in (None, self.stage)
        return self.finger_at if found else None

    @property
    def is_held(self) -> bool:
        """Whether a finger last found it tacky: nothing is free or safe before one finds otherwise."""
        return self.finger is Finger.TACKY

    @property
    def stage_in_words(self) -> Message:
        if self.is_held:
            return wording.TACKY
        if self.finger is None and (self.forecast is None or self.forecast.reason is not None):
            return NOT_KNOWN
        return wording.STAGES[self.stage]

    def milestone(self, kind: MilestoneKind) -> Milestone | None:
        return self.forecast.milestone(kind) if self.forecast else None

    def date(self, kind: MilestoneKind, *, safe: bool) -> datetime | None:
        """When that is safe to assume, or at even odds."""
        milestone = self.milestone(kind)
        return None if milestone is None else milestone.safe_at if safe else milestone.worth_checking_at

    def is_by(self, kind: MilestoneKind, until: datetime, *, safe: bool = False) -> bool:
        at = self.date(kind, safe=safe)
        return at is not None and at <= until

    def is_wet(self, now: datetime) -> bool:
        """Not yet safe to handle: the room's air can still harm it."""
        return not self.is_by(MilestoneKind.HANDLE, now, safe=True)

    def is_in_danger(self, alarms: Iterable[Alarm], now: datetime) -> bool:
        """Wet, and at stake in an alarm of its room."""
        return self.is_wet(now) and any(one.room == self.room and one.endangers(self.id) for one in alarms)


@dataclass(frozen=True)
class RoomLine:
    """One room on the board."""

    name: str
    newest: Reading | None
    temp_c: float | None
    rh_pct: float | None
    data_at: datetime | None
    """How new both values are: the time of the last temperature or of the last humidity, whichever is older."""
    pieces: int
    quality: tuple[Finding, ...] = ()
    """What was wrong with the readings of the last days."""


@dataclass(frozen=True)
class Close:
    """What may come to be an alarm."""

    kind: AlarmKind
    room: str
    text: Words
    since: datetime | None = None
    """Since when it is over its limit, not for long enough that people are told..."""
    from_at: datetime | None = None
    """...or from when on it is foretold to be."""


@dataclass(frozen=True)
class Answer:
    """To one question about all pieces, those of which it is so."""

    question: Message
    lines: Sequence[PieceLine]
    nothing: Message
    odds: Mapping[int, float | None] = field(default_factory=dict)
    """By piece, of those of which it is not safe to assume."""

    @property
    def said(self) -> Words:
        """Their names, a series by its own, with its odds where it has any; of a series the lowest."""
        found: list[Words] = []
        for one in in_series(self.lines):
            some = one.members if isinstance(one, SeriesLine) else (one,)
            name: Words = wording.together(one.name, len(some)) if len(some) > 1 else one.name
            of = [odds for line in some if (odds := self.odds.get(line.id)) is not None]
            found.append(phrase("{piece} ({odds})", piece=name, odds=wording.percent(min(of))) if of else name)
        return joined(*found, by=", ") if found else self.nothing


@dataclass(frozen=True)
class Board:
    at: datetime
    pieces: tuple[PieceLine, ...]
    rooms: tuple[RoomLine, ...]
    alarms: tuple[Alarm, ...]
    """Active ones, the newest first."""
    close: tuple[Alarm, ...] = ()
    """Over their limits, and not for long enough that people are told."""
    foretold: tuple[Notice, ...] = ()
    """What people were told that the air will come to in the hours ahead, where it has not."""

    @property
    def over(self) -> tuple[Alarm, ...]:
        """All that are over their limits, told or not: what they are about is in danger."""
        return self.alarms + self.close

    @property
    def in_danger(self) -> tuple[PieceLine, ...]:
        return tuple(one for one in self.pieces if one.is_in_danger(self.over, self.at))

    @property
    def at_risk(self) -> tuple[PieceLine, ...]:
        """Those that may well miss the date that they are promised for."""
        return tuple(
            one for one in self.pieces if one.promised and one.promised.at_risk and self.at < one.promised.due_at
        )

    @property
    def unread(self) -> tuple[str, ...]:
        """The rooms of which nothing can be said: something dries there, and nobody has read them."""
        return tuple(one.name for one in self.rooms if one.pieces and one.data_at is None)

    def answers(self, tz: tzinfo) -> dict[str, Answer]:
        """What is asked most, by a word for it; the day is that of `tz`."""
        ends = (self.at.astimezone(tz) + timedelta(days=1)).replace(hour=0, minute=0, second=0, microsecond=0)
        kind, until = MilestoneKind.HANDLE, self.at + SOON
        touch = [one for one in self.pieces if one.is_by(MilestoneKind.TOUCH_DRY, ends) and one.is_wet(self.at)]
        free = [one for one in self.pieces if one.place and not one.is_held and one.is_by(kind, until)]
        odds = {
            one.id: reached_by(one.milestone(kind), until, one.poured_at)
            for one in free
            if not one.is_by(kind, until, safe=True)
        }
        return {
            "touch": Answer(phrase("Touch today"), touch, phrase("Nothing yet. Leave them lying.")),
            "places": Answer(phrase("Free by tomorrow"), free, phrase("No place comes free."), odds),
            "danger": Answer(phrase("In danger"), self.in_danger, phrase("Nothing, by what was last read.")),
        }

    def close_to(self, room: str | None = None) -> list[Close]:
        """What may come to be an alarm (in that room)."""
        over = [Close(one.kind, one.room, alarm_words.close(one, self.at), since=one.since) for one in self.close]
        ahead = [
            Close(
                AlarmKind(one.data["alarm"]),
                one.room or "",
                one.title,
                from_at=datetime.fromisoformat(one.data["begins_at"]),
            )
            for one in self.foretold
        ]
        return [one for one in over + ahead if room in (None, one.room)]


def piece_line(drying: Drying, forecast: Forecast | None, now: datetime) -> PieceLine:
    found = drying.standing(now)
    stage, safe, ahead = found.found, True, None
    for milestone in forecast.milestones if forecast else ():
        if found.is_tacky and milestone.not_before is not None:
            ahead = ahead or milestone
            safe = True
            break
        if milestone.safe_at is not None and milestone.safe_at <= now:
            stage, safe = milestone.kind, True
            continue
        ahead = ahead or milestone
        if milestone.worth_checking_at is not None and milestone.worth_checking_at <= now:
            stage, safe, ahead = milestone.kind, False, milestone
    stay = drying.stays[-1]
    return PieceLine(
        id=drying.piece.id,
        name=drying.piece.name,
        room=stay.room,
        place=stay.place,
        poured_at=drying.pour.at,
        stage=stage,
        stage_is_safe=safe,
        next=ahead,
        forecast=forecast,
        silicone=drying.pour.silicone,
        series=drying.piece.series,
        promised=promised(drying, forecast),
        finger=found.latest.finger if found.latest else None,
        finger_at=found.latest.at if found.latest else None,
    )


def board(
    dryings: Sequence[Drying],
    forecasts: Mapping[int, Forecast],
    rooms: Sequence[RoomLine],
    alarms: Sequence[Alarm],
    now: datetime,
    foretold: Sequence[Notice] = (),
) -> Board:
    """Pieces by their next date (worth checking, or safe if that has passed), undated ones last."""
    lines = [piece_line(drying, forecasts.get(drying.piece.id), now) for drying in dryings]
    over = {(one.room, one.kind.value) for one in alarms if one.state is not AlarmState.NORMAL}
    ahead = [one for one in foretold if one.expires_at is not None and now < one.expires_at]
    return Board(
        at=now,
        pieces=tuple(sorted(lines, key=lambda line: (next_date(line, now) or _FAR, line.name))),
        rooms=tuple(rooms),
        alarms=tuple(sorted((a for a in alarms if a.is_active), key=lambda a: a.raised_at or a.since, reverse=True)),
        close=tuple(one for one in alarms if one.state is AlarmState.PENDING),
        foretold=tuple(one for one in ahead if (one.room, one.data["alarm"]) not in over),
    )


@dataclass(frozen=True)
class SeriesLine:
    """Pieces of one series, which stand in one row."""

    name: str
    members: tuple[PieceLine, ...]
    """The one whose date comes next first."""

    @property
    def lead(self) -> PieceLine:
        return self.members[0]

    @property
    def stages(self) -> Mapping[str, int]:
        """How many are how far; `touch-dry?` at even odds."""
        return Counter(f"{one.stage_in_words}{'' if one.stage_is_safe else '?'}" for one in self.members)

    @property
    def spread(self) -> Words:
        """`2 set, 4 wet`; nothing where all are alike."""
        many = Counter((one.stage_in_words, one.stage_is_safe) for one in self.members)
        if len(many) < 2:
            return ""
        sure = {one: phrase("{n} {stage}", n=n, stage=one[0]) for one, n in many.items()}
        odd = {one: phrase("{n} probably {stage}", n=n, stage=one[0]) for one, n in many.items() if not one[1]}
        return joined(*(sure | odd).values(), by=", ")


def in_series(lines: Sequence[PieceLine]) -> list[PieceLine | SeriesLine]:
    """The lines in their order, with each series of which several are there as one, where its first one stood."""
    members: dict[str, list[PieceLine]] = {}
    for line in lines:
        if line.series is not None:
            members.setdefault(line.series, []).append(line)
    found: list[PieceLine | SeriesLine] = []
    for line in lines:
        alike = members.get(line.series or "", [])
        if len(alike) < 2:
            found.append(line)
        elif line is alike[0]:
            found.append(SeriesLine(line.series or "", tuple(alike)))
    return found


def next_date(line: PieceLine, now: datetime) -> datetime | None:
    """The next moment at which something becomes worth doing for this piece."""
    if line.next is None:
        return None
    even = line.next.worth_checking_at
    return even if even is not None and even > now else line.next.safe_at or even
