"""A plan and what a change of the room would buy, as they are shown."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.reports.planning import Plan
from curewatch.records import MilestoneKind
from curewatch.studio.planning import planner
from curewatch.studio.planning.advice import Advice, advised, caution, risks
from curewatch.studio.planning.planner import Latest
from curewatch.views.base import View, local, rounded, said
from curewatch.views.board import PromisedOut


class AdviceOut(View):
    room_is: str
    hours: dict[str, float | None] = Field(description="Change of each milestone ahead [h], below zero sooner")
    reached_only_so: list[str]
    of_ten: dict[str, tuple[int, int]] = Field(description="How many of ten such films get there, as it is and so")
    skin_gap_h: float | None = Field(description="From touch-dry to handle, so")
    skin_gap_now_h: float | None
    rate_ratio: float = Field(description="How fast water leaves so, over now")
    risks_skin: bool
    text: str | None = Field(description="null: it would move nothing")
    caution: str | None

    @classmethod
    def of(cls, one: Advice) -> AdviceOut:
        return cls(
            room_is=said(one.change.name),
            hours={kind.value: rounded(h) for kind, h in one.hours.items()},
            reached_only_so=[kind.value for kind in one.reached_only_so],
            of_ten={kind.value: both for kind, both in one.of_ten.items()},
            skin_gap_h=rounded(one.skin_gap_h),
            skin_gap_now_h=rounded(one.skin_gap_now_h),
            rate_ratio=rounded(one.rate_ratio),
            risks_skin=one.risks_skin,
            text=said(advised(one)),
            caution=said(caution(one.change)),
        )


class LatestOut(View):
    room_is: str
    even_at: datetime | None
    safe_at: datetime | None = Field(description="The latest moment to pour, at 90 %; null: too late")
    odds_now: float
    crack_odds: float = Field(description="That a pour of now cracks, by a rough measure; no promise")
    risks: list[str] = Field(description="What the change does to the film of a pour of now")

    @classmethod
    def of(cls, one: Latest, tz: ZoneInfo) -> LatestOut:
        return cls(
            room_is=said(one.change.name),
            even_at=local(one.even_at, tz),
            safe_at=local(one.safe_at, tz),
            odds_now=one.odds_now,
            crack_odds=rounded(one.crack_odds, 4),
            risks=[said(risk) for risk in risks(one.at_once)],
        )


class PlaceOut(View):
    place: str | None
    piece: str
    even_at: datetime | None
    safe_at: datetime | None
    held: bool = Field(description="A finger last found the piece tacky: not safe before one finds otherwise")


class PiecePromisedOut(PromisedOut):
    piece: str
    room: str


class PlanOut(View):
    room: str
    room_assumed: str | None = Field(description="Why this room, where none was named")
    ready: MilestoneKind
    due: datetime
    pieces: int
    recipe: str
    latest: list[LatestOut]
    places_taken: list[PlaceOut]
    places_free: list[str]
    promised: list[PiecePromisedOut] = Field(description="Pieces promised for a date already, the first due first")
    air_read_at: datetime
    days_known: bool = Field(description="Whether the room was read for a day at least: else its days are guessed")
    verdict: str
    weigh: str | None = Field(description="What to do where ready to varnish is known too roughly to plan on")
    cautions: str = Field(description="What the changes do to the film, and the care that they want")

    @classmethod
    def of(cls, plan: Plan, free: tuple[str, ...], tz: ZoneInfo) -> PlanOut:
        return cls(
            room=plan.room,
            room_assumed=said(plan.assumed),
            ready=plan.milestone,
            due=local(plan.due, tz),
            pieces=plan.pieces,
            recipe=plan.recipe,
            latest=[LatestOut.of(one, tz) for one in plan.latest],
            places_taken=[
                PlaceOut(
                    place=one.place,
                    piece=one.piece,
                    even_at=local(one.even_at, tz),
                    safe_at=local(one.safe_at, tz),
                    held=one.held,
                )
                for one in plan.places
            ],
            places_free=list(free),
            promised=[
                PiecePromisedOut(piece=one.name, room=one.room, **PromisedOut.of(one.promised, tz).model_dump())
                for one in plan.promised
                if one.promised is not None
            ],
            air_read_at=local(plan.data_at, tz),
            days_known=plan.days_known,
            verdict=said(planner.verdict(plan.latest)),
            cautions=said(planner.warnings(plan.latest)),
            weigh=said(planner.weigh(plan.milestone, plan.latest[0], plan.due)),
        )
