"""The board: every piece with its stage and its next dates, every room with the age of its data, active alarms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from curewatch.language import Message, phrase
from curewatch.records import Alarm, Forecast, Milestone, MilestoneKind, Reading
from curewatch.records.facts import Finger
from curewatch.studio import wording
from curewatch.studio.air.flaws import Finding
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning.promises import Promised, promised
from curewatch.studio.standing import NAMES

_FAR = datetime.max.replace(tzinfo=UTC)


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
class Board:
    at: datetime
    pieces: tuple[PieceLine, ...]
    rooms: tuple[RoomLine, ...]
    alarms: tuple[Alarm, ...]
    """Active ones, the newest first."""


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
) -> Board:
    """Pieces by their next date (worth checking, or safe if that has passed), undated ones last."""
    lines = [piece_line(drying, forecasts.get(drying.piece.id), now) for drying in dryings]
    return Board(
        at=now,
        pieces=tuple(sorted(lines, key=lambda line: (next_date(line, now) or _FAR, line.name))),
        rooms=tuple(rooms),
        alarms=tuple(sorted((a for a in alarms if a.is_active), key=lambda a: a.raised_at or a.since, reverse=True)),
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
    def spread(self) -> str:
        """`2 set, 4 wet`; nothing where all are alike."""
        return ", ".join(f"{count} {stage}" for stage, count in self.stages.items()) if len(self.stages) > 1 else ""


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
