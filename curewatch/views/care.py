"""What is found of a piece, done to it and believed of it, as it is shown."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.aftercare import Steps
from curewatch.desk.commands.observing import Observed
from curewatch.desk.reports.learned import Seen
from curewatch.records.observations import Finger, ObservationKind
from curewatch.records.workshop import StepDone
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.learning.texts import LearnedEffect
from curewatch.views.base import View, local


class ObservationOut(View):
    id: int
    at: datetime
    kind: ObservationKind
    finger: Finger | None
    grams: float | None
    resolution_g: float | None
    surface_c: float | None
    notes: list[str]

    @classmethod
    def of(cls, seen: Seen | Observed, tz: ZoneInfo) -> ObservationOut:
        one = seen.observation
        return cls(**one.model_dump(exclude={"piece_id", "at"}), at=local(one.at, tz), notes=list(seen.notes))


class DoneOut(View):
    step: str
    done_at: datetime
    recorded_at: datetime
    too_early: bool = Field(description="Before the date from which it was safe to")
    undone_at: datetime | None = Field(description="It was not done after all")

    @classmethod
    def of(cls, one: StepDone, tz: ZoneInfo) -> DoneOut:
        return cls(
            step=one.step,
            done_at=local(one.done_at, tz),
            recorded_at=local(one.recorded_at, tz),
            too_early=one.too_early,
            undone_at=local(one.undone_at, tz),
        )


class StepOut(View):
    """`state`: done, over, safe, worth checking, not yet, or waits (for the steps in `waits_for`)."""

    step: str
    title: str
    state: str
    early_at: datetime | None
    worth_checking_at: datetime | None
    safe_at: datetime | None
    reason: str | None
    waits_for: list[str]
    better_after: list[str]
    needs_varnish_air: bool
    caution: str
    done_id: int | None
    done_at: datetime | None
    done_too_early: bool = Field(description="Before the date from which it was safe to")

    @classmethod
    def of(cls, line: CareStep, now: datetime, tz: ZoneInfo) -> StepOut:
        return cls(
            step=line.step,
            title=line.title,
            state=line.ready(now),
            early_at=local(line.odds.early, tz),
            worth_checking_at=local(line.odds.even, tz),
            safe_at=local(line.odds.safe, tz),
            reason=line.odds.reason,
            waits_for=list(line.after),
            better_after=list(line.advised),
            needs_varnish_air=line.needs_air,
            caution=line.caution,
            done_id=line.done.id if line.done else None,
            done_at=local(line.done.done_at if line.done else None, tz),
            done_too_early=line.done is not None and line.done.too_early,
        )


class WindowOut(View):
    begins_at: datetime
    ends_at: datetime
    sure: bool = Field(description="In nine cases of ten, not only at even odds")


class StepsOut(View):
    piece: str
    steps: list[StepOut]
    air_wanted: str
    air_against: list[str] | None = Field(description="What speaks against varnish now; null: the air is not known")
    air_read_at: datetime | None
    next_good_air: WindowOut | None
    history: list[DoneOut] = Field(description="All that was written down, what was taken back too")

    @classmethod
    def of(cls, found: Steps, now: datetime, tz: ZoneInfo) -> StepsOut:
        w = found.window
        return cls(
            piece=found.history.name,
            steps=[StepOut.of(line, now, tz) for line in found.lines],
            air_wanted=found.care.air.in_words(),
            air_against=None if found.against is None else list(found.against),
            air_read_at=local(found.read_at, tz),
            next_good_air=None if w is None else WindowOut(
                begins_at=local(w.begins_at, tz), ends_at=local(w.ends_at, tz), sure=w.sure
            ),
            history=[DoneOut.of(one, tz) for one in found.history.steps],
        )  # fmt: skip


class BeliefOut(View):
    about: str
    name: str
    factors: dict[str, tuple[float, float, float]] = Field(description="Times over what was assumed: 10, 50, 90 %")
    observations: dict[str, int]
    pieces: int
    questioned: int
    text: str

    @classmethod
    def of(cls, one: LearnedEffect) -> BeliefOut:
        return cls(
            about=one.subject.value,
            name=one.name,
            factors=dict(one.factors),
            observations={kind.value: count for kind, count in one.observations.items()},
            pieces=one.pieces,
            questioned=one.questioned,
            text=one.sentence,
        )
