"""The JSON of the API. Units are in the names; times are ISO 8601, in the studio's zone when given out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

from curewatch.records import (
    RH_PCT_RANGE,
    Alarm,
    Forecast,
    MilestoneKind,
    Name,
)
from curewatch.studio.board import Board, PieceLine, RoomLine

YEARS = (2000, 2200)


def _sensible(at: datetime) -> datetime:
    if not YEARS[0] <= at.year < YEARS[1]:
        raise ValueError(f"a time between {YEARS[0]} and {YEARS[1]}")
    return at.astimezone(UTC)


At = Annotated[AwareDatetime, AfterValidator(_sensible)]


class View(BaseModel):
    model_config = ConfigDict(frozen=True)


class RequestModel(BaseModel):
    """What is sent to the API: a name that is misspelt is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Error(View):
    error: str


class MilestoneOut(View):
    """When a milestone is reached: 10, 50 and 90 % odds. null: not foreseen, and `reason` says why."""

    early_at: datetime | None
    worth_checking_at: datetime | None
    safe_at: datetime | None
    reason: str | None


def milestones_of(forecast: Forecast | None, tz: ZoneInfo) -> dict[str, MilestoneOut]:
    """By milestone; empty without a forecast."""
    return {
        m.kind.value: MilestoneOut(
            early_at=local(m.early_at, tz),
            worth_checking_at=local(m.worth_checking_at, tz),
            safe_at=local(m.safe_at, tz),
            reason=m.reason,
        )
        for m in (forecast.milestones if forecast else ())
    }


class PieceOut(View):
    name: str
    room: str
    place: str | None
    poured_at: datetime
    stage: str
    stage_is_safe: bool
    next: str | None
    milestones: dict[str, MilestoneOut]
    reason: str | None = Field(description="Why there are no milestones")
    forecast_at: datetime | None

    @classmethod
    def of(cls, line: PieceLine, tz: ZoneInfo) -> PieceOut:
        forecast = line.forecast
        return cls(
            name=line.name,
            room=line.room,
            place=line.place,
            poured_at=line.poured_at.astimezone(tz),
            stage=line.stage_in_words,
            stage_is_safe=line.stage_is_safe,
            next=None if line.next is None else line.next.kind.value,
            milestones=milestones_of(forecast, tz),
            reason=forecast.reason if forecast else "not forecast yet",
            forecast_at=local(forecast.made_at if forecast else None, tz),
        )


class RoomOut(View):
    name: str
    temp_c: float | None
    rh_pct: float | None
    read_at: datetime | None
    age_s: int | None
    pieces: int

    @classmethod
    def of(cls, line: RoomLine, now: datetime, tz: ZoneInfo) -> RoomOut:
        age_s = None if line.data_at is None else round((now - line.data_at).total_seconds())
        read_at = local(line.data_at, tz)
        return cls(
            name=line.name, temp_c=line.temp_c, rh_pct=line.rh_pct, read_at=read_at, age_s=age_s, pieces=line.pieces
        )


class AlarmOut(View):
    alarm: str
    room: str
    state: str
    raised_at: datetime | None
    judged_at: datetime
    acknowledged_at: datetime | None
    muted_until: datetime | None
    text: str

    @classmethod
    def of(cls, alarm: Alarm, tz: ZoneInfo) -> AlarmOut:
        return cls(
            alarm=alarm.kind.value,
            room=alarm.room,
            state=alarm.state.value,
            raised_at=local(alarm.raised_at, tz),
            judged_at=alarm.evaluated_at.astimezone(tz),
            acknowledged_at=local(alarm.acknowledged_at, tz),
            muted_until=local(alarm.muted_until, tz),
            text=alarm.text,
        )


class BoardOut(View):
    at: datetime
    zone: str
    pieces: list[PieceOut]
    rooms: list[RoomOut]
    alarms: list[AlarmOut]

    @classmethod
    def of(cls, board: Board, tz: ZoneInfo) -> BoardOut:
        return cls(
            at=board.at.astimezone(tz),
            zone=tz.key,
            pieces=[PieceOut.of(line, tz) for line in board.pieces],
            rooms=[RoomOut.of(line, board.at, tz) for line in board.rooms],
            alarms=[AlarmOut.of(alarm, tz) for alarm in board.alarms],
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
        yield (piece.name, piece.room, piece.place or "", piece.poured_at.isoformat(), piece.stage, *told)


class ReadingOut(View):
    at: datetime
    temp_c: float | None
    rh_pct: float | None
    source: str
    battery_pct: float | None


class ReadingIn(RequestModel):
    room: Name
    temp_c: Annotated[float, Field(ge=-40, le=60)]
    rh_pct: Annotated[float, Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1])]
    at: At | None = Field(None, description="Left out: now")


class MoveIn(RequestModel):
    room: Name
    place: Name | None = None
    at: At | None = Field(None, description="Left out: now")
    air_m_s: Annotated[float, Field(ge=0.05, le=5)] | None = Field(None, description="Left out: as the room's is set")


class GoneIn(RequestModel):
    at: At | None = Field(None, description="Left out: now")


class Undo(RequestModel):
    """What takes back something that was logged: to be sent to /undo as it was given."""

    done: Literal["pour", "gone", "move", "reading", "found", "step", "acknowledge", "cleared"]
    of: Annotated[list[Annotated[str, Field(min_length=1, max_length=100)]], Field(min_length=1, max_length=50)]


class LoggedOut(View):
    piece: str | None
    notes: list[str]
    undo: Undo | None = Field(None, description="null: it cannot be taken back")


class LoggedBefore(View):
    at: datetime
    text: str
    undo: Undo


def local(at: datetime | None, tz: ZoneInfo) -> datetime | None:
    return None if at is None else at.astimezone(tz)


def tidy(value: float) -> float:
    """Without the last digits that come of a change of unit."""
    return float(f"{value:.10g}")
