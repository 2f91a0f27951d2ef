"""The JSON of what is found of a piece, done to it, advised for it, planned and foreseen. As in `api_models`."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.aftercare import Steps
from curewatch.desk.reports.learned import Seen
from curewatch.desk.reports.planning import Plan
from curewatch.records import MilestoneKind
from curewatch.records.observations import GRAMS_RANGE, SURFACE_C_RANGE, Finger, ObservationKind
from curewatch.studio.air.part_studio_hourly import HOUR_S
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.learning.texts import LearnedEffect
from curewatch.studio.outlook.outlook import Band, Outlook
from curewatch.studio.planning import part_studio_plan_words
from curewatch.studio.planning.planner import Advice, Latest
from curewatch.views.board import At, RequestModel, View, local

NOW = Field(None, description="Left out: now")


class FingerIn(RequestModel):
    """A finger at an edge nobody will see."""

    kind: Literal["finger"]
    finger: Finger
    at: At | None = NOW


class WeighingIn(RequestModel):
    """The piece with its support, the same way each time; one from before the pour is the bare support."""

    kind: Literal["weighing"]
    grams: Annotated[float, Field(ge=GRAMS_RANGE[0], le=GRAMS_RANGE[1])]
    resolution_g: Annotated[float, Field(gt=0, le=1000, description="The scale's smallest step")] = 1.0
    at: At | None = NOW


class SurfaceIn(RequestModel):
    """The film's own temperature, by an infrared thermometer."""

    kind: Literal["surface"]
    surface_c: Annotated[float, Field(ge=SURFACE_C_RANGE[0], le=SURFACE_C_RANGE[1])]
    at: At | None = NOW


ObservationIn = Annotated[FingerIn | WeighingIn | SurfaceIn, Field(discriminator="kind")]


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
    def of(cls, seen: Seen, tz: ZoneInfo) -> ObservationOut:
        one = seen.observation
        return cls(**one.model_dump(exclude={"piece_id", "at"}), at=one.at.astimezone(tz), notes=list(seen.notes))


class StepIn(RequestModel):
    step: Annotated[str, Field(min_length=1, max_length=40, description="As the steps of the piece name it")]
    at: At | None = NOW
    anyway: bool = Field(False, description="Although a step before it was left out")


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
                begins_at=w.begins_at.astimezone(tz), ends_at=w.ends_at.astimezone(tz), sure=w.sure
            ),
        )  # fmt: skip


class AdviceOut(View):
    room_is: str
    hours: dict[str, float | None] = Field(description="Change of each milestone ahead [h], below zero sooner")
    reached_only_so: list[str]
    risks_skin: bool
    text: str | None = Field(description="null: it would move nothing")
    caution: str | None

    @classmethod
    def of(cls, one: Advice) -> AdviceOut:
        return cls(
            room_is=one.change.name,
            hours={kind.value: None if h is None else round(h, 2) for kind, h in one.hours.items()},
            reached_only_so=[kind.value for kind in one.reached_only_so],
            risks_skin=one.risks_skin,
            text=part_studio_plan_words.advised(one),
            caution=part_studio_plan_words.caution(one.change),
        )


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


class LatestOut(View):
    room_is: str
    even_at: datetime | None
    safe_at: datetime | None = Field(description="The latest moment to pour, at 90 %; null: too late")
    odds_now: float

    @classmethod
    def of(cls, one: Latest, tz: ZoneInfo) -> LatestOut:
        return cls(
            room_is=one.change.name,
            even_at=local(one.even_at, tz),
            safe_at=local(one.safe_at, tz),
            odds_now=one.odds_now,
        )


class PlaceOut(View):
    place: str | None
    piece: str
    even_at: datetime | None
    safe_at: datetime | None


class PlanOut(View):
    room: str
    ready: MilestoneKind
    due: datetime
    pieces: int
    recipe: str
    latest: list[LatestOut]
    places_taken: list[PlaceOut]
    places_free: list[str]
    air_read_at: datetime
    verdict: str

    @classmethod
    def of(cls, plan: Plan, free: tuple[str, ...], tz: ZoneInfo) -> PlanOut:
        return cls(
            room=plan.room,
            ready=plan.milestone,
            due=plan.due.astimezone(tz),
            pieces=plan.pieces,
            recipe=plan.recipe,
            latest=[LatestOut.of(one, tz) for one in plan.latest],
            places_taken=[
                PlaceOut(
                    place=one.place, piece=one.piece, even_at=local(one.even_at, tz), safe_at=local(one.safe_at, tz)
                )
                for one in plan.places
            ],
            places_free=list(free),
            air_read_at=plan.data_at.astimezone(tz),
            verdict=part_studio_plan_words.verdict(plan.latest),
        )


class BandOut(View):
    """The hour's mean: in one case of ten below `p10`, in one above `p90`."""

    p10: float
    p50: float
    p90: float


class HourOut(View):
    begins_at: datetime
    temp_c: BandOut
    rh_pct: BandOut


class OutlookOut(View):
    room: str
    read_at: datetime | None
    hours: list[HourOut]

    @classmethod
    def of(cls, room: str, read_at: datetime | None, found: Outlook, tz: ZoneInfo) -> OutlookOut:
        begin = datetime.fromtimestamp(found.first_s, tz)

        def band(one: Band, k: int) -> BandOut:
            return BandOut(p10=round(one.low[k], 2), p50=round(one.mid[k], 2), p90=round(one.high[k], 2))

        hours = [
            HourOut(
                begins_at=(begin + timedelta(seconds=HOUR_S * k)), temp_c=band(found.temp_c, k),
                rh_pct=band(found.rh_pct, k),
            )
            for k in range(len(found.temp_c.mid))
        ]  # fmt: skip
        return cls(room=room, read_at=local(read_at, tz), hours=hours)


class MuteIn(RequestModel):
    hours: Annotated[float, Field(gt=0, le=24)]
