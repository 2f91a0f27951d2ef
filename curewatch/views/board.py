"""The board as it is shown: pieces with their milestones, rooms with the age of their data. Units are in the names."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.transfer.exporting import harmless
from curewatch.language import phrase
from curewatch.records import Forecast, MilestoneKind
from curewatch.records.facts import Finger
from curewatch.studio.air import flaws
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.board import Answer, Board, PieceLine, RoomLine, SeriesLine, in_series
from curewatch.studio.planning.promises import Promised
from curewatch.views.alarms import AlarmOut, CloseOut
from curewatch.views.base import View, local, rounded, said


class MilestoneOut(View):
    """When a milestone is reached: 10, 50 and 90 % odds. null: not foreseen, and `reason` says why."""

    early_at: datetime | None
    worth_checking_at: datetime | None
    safe_at: datetime | None
    reason: str | None
    found_at: datetime | None = Field(None, description="When a finger found it reached; no estimate")
    not_before: datetime | None = Field(None, description="When a finger last found it not reached yet")
    held: bool = Field(False, description="Found tacky: there is no safe date before a finger finds otherwise")


def milestones_of(forecast: Forecast | None, tz: ZoneInfo) -> dict[str, MilestoneOut]:
    """By milestone; empty without a forecast."""
    return {
        m.kind.value: MilestoneOut(
            early_at=local(m.early_at, tz),
            worth_checking_at=local(m.worth_checking_at, tz),
            safe_at=local(m.safe_at, tz),
            reason=said(m.reason, tz),
            found_at=local(m.found_at, tz),
            not_before=local(m.not_before, tz),
            held=m.held,
        )
        for m in (forecast.milestones if forecast else ())
    }


class PromisedOut(View):
    """By when a piece is to be ready, and the odds of it."""

    due_at: datetime
    occasion: str | None
    ready: MilestoneKind = Field(description="What it is to have reached by then")
    odds: float | None = Field(description="Of being in time; null: not known yet")
    odds_at_most: bool = Field(description="Less than odds; by how much is not known")
    at_risk: bool
    by: str | None = Field(description="Who promised it, as far as it was told")
    text: str

    @classmethod
    def of(cls, one: Promised, tz: ZoneInfo) -> PromisedOut:
        return cls(
            due_at=local(one.due_at, tz), occasion=one.promise.occasion, ready=one.promise.ready,
            odds=rounded(one.odds, 3), odds_at_most=one.at_most, at_risk=one.at_risk, by=one.promise.logged_by,
            text=said(one.in_words(), tz),
        )  # fmt: skip


class PieceOut(View):
    id: int = Field(description="In the API's paths `id:` and this number stand for the name")
    name: str
    room: str
    place: str | None
    poured_at: datetime
    stage: str
    stage_is_safe: bool
    found: Finger | None = Field(description="What a finger last found of it: no stage or date says otherwise")
    found_at: datetime | None
    next: str | None = Field(description="The first milestone that is not yet safe to assume; its dates are")
    worth_checking_at: datetime | None
    safe_at: datetime | None
    milestones: dict[str, MilestoneOut]
    reason: str | None = Field(description="Why there are no milestones")
    forecast_at: datetime | None
    series: str | None = Field(description="What it was poured as, with others")
    promised: PromisedOut | None

    @classmethod
    def of(cls, line: PieceLine, tz: ZoneInfo) -> PieceOut:
        forecast = line.forecast
        return cls(
            id=line.id,
            name=line.name,
            room=line.room,
            place=line.place,
            poured_at=local(line.poured_at, tz),
            stage=str(line.stage_in_words),
            stage_is_safe=line.stage_is_safe,
            found=line.finger,
            found_at=local(line.finger_at, tz),
            next=None if line.next is None else line.next.kind.value,
            worth_checking_at=None if line.next is None else local(line.next.worth_checking_at, tz),
            safe_at=None if line.next is None else local(line.next.safe_at, tz),
            milestones=milestones_of(forecast, tz),
            reason=said(forecast.reason, tz) if forecast else said(phrase("not forecast yet")),
            forecast_at=local(forecast.made_at if forecast else None, tz),
            series=line.series,
            promised=None if line.promised is None else PromisedOut.of(line.promised, tz),
        )


class SeriesOut(View):
    """Pieces that were poured together and of which several are here: one row of the board."""

    name: str
    pieces: list[PieceOut] = Field(description="The one whose date comes next first")
    stages: dict[str, int] = Field(description="How many are how far; where only probably so with a question mark")

    @classmethod
    def of(cls, line: SeriesLine, tz: ZoneInfo) -> SeriesOut:
        members = [PieceOut.of(one, tz) for one in line.members]
        return cls(name=line.name, pieces=members, stages=dict(line.stages))


class QualityOut(View):
    """What was wrong with readings."""

    flaw: Flaw
    source: str | None = Field(description="null: of all the room's readings")
    quantity: str | None
    since: datetime
    until: datetime
    size: float | None
    text: str

    @classmethod
    def of(cls, one: Finding, tz: ZoneInfo) -> QualityOut:
        return cls(
            flaw=one.flaw,
            source=one.source,
            quantity=one.quantity,
            since=local(datetime.fromtimestamp(one.since_s, tz), tz),
            until=local(datetime.fromtimestamp(one.until_s, tz), tz),
            size=rounded(one.size),
            text=said(flaws.text(one), tz),
        )


class RoomOut(View):
    name: str
    temp_c: float | None
    rh_pct: float | None
    read_at: datetime | None
    age_s: int | None
    pieces: int
    quality: list[QualityOut] = Field(description="Of its last days, the newest last")

    @classmethod
    def of(cls, line: RoomLine, now: datetime, tz: ZoneInfo) -> RoomOut:
        age_s = None if line.data_at is None else round((now - line.data_at).total_seconds())
        return cls(
            name=line.name,
            temp_c=line.temp_c,
            rh_pct=line.rh_pct,
            read_at=local(line.data_at, tz),
            age_s=age_s,
            pieces=line.pieces,
            quality=[QualityOut.of(one, tz) for one in line.quality],
        )


class AnswerOut(View):
    """Of which pieces it is so."""

    ask: str = Field(description="touch, places or danger")
    question: str
    pieces: list[str]
    odds: dict[str, float] = Field(description="By piece, where it is not safe to assume")
    text: str

    @classmethod
    def of(cls, ask: str, one: Answer, tz: ZoneInfo) -> AnswerOut:
        names = {line.id: line.name for line in one.lines}
        odds = {names[piece]: round(odds, 3) for piece, odds in one.odds.items() if odds is not None}
        return cls(
            ask=ask, question=said(one.question), pieces=list(names.values()), odds=odds, text=said(one.said, tz)
        )  # fmt: skip


class BoardOut(View):
    at: datetime
    zone: str
    pieces: list[PieceOut]
    series: list[SeriesOut]
    rooms: list[RoomOut]
    alarms: list[AlarmOut]
    close: list[CloseOut] = Field(description="What may come to be an alarm")
    answers: list[AnswerOut] = Field(description="The three questions that the page begins with")

    @classmethod
    def of(cls, board: Board, tz: ZoneInfo) -> BoardOut:
        return cls(
            at=local(board.at, tz),
            zone=tz.key.removeprefix("Etc/"),
            pieces=[PieceOut.of(line, tz) for line in board.pieces],
            series=[SeriesOut.of(one, tz) for one in in_series(board.pieces) if isinstance(one, SeriesLine)],
            rooms=[RoomOut.of(line, board.at, tz) for line in board.rooms],
            alarms=[AlarmOut.of(alarm, tz) for alarm in board.alarms],
            close=[CloseOut.of(one, tz) for one in board.close_to()],
            answers=[AnswerOut.of(ask, one, tz) for ask, one in board.answers(tz).items()],
        )


def board_rows(board: Board, tz: ZoneInfo) -> Iterator[tuple[str, ...]]:
    """The pieces as rows under a heading; times ISO 8601."""
    dates = [f"{kind.value}_{odds}_at" for kind in MilestoneKind for odds in ("early", "even", "safe")]
    yield ("name", "room", "place", "poured_at", "stage", *dates)
    for line in board.pieces:
        piece = PieceOut.of(line, tz)
        reached = [piece.milestones.get(kind.value) for kind in MilestoneKind]
        moments = [at for m in reached for at in ((m.early_at, m.worth_checking_at, m.safe_at) if m else (None,) * 3)]
        told = ("" if at is None else at.isoformat(timespec="seconds") for at in moments)
        names = map(harmless, (piece.name, piece.room, piece.place or ""))
        yield (*names, piece.poured_at.isoformat(), piece.stage, *told)
