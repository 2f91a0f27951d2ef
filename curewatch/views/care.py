"""What is found of a piece, done to it and believed of it, as it is shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.aftercare import Steps
from curewatch.desk.commands.observing import Observed
from curewatch.desk.snapshot.pieces import Seen
from curewatch.language import Reader
from curewatch.records.facts import Finger, ObservationKind, Spot
from curewatch.records.workshop import Photo, PhotoKind, StepDone
from curewatch.studio import wording
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.care.varnish_air import air_caveat
from curewatch.studio.learning.texts import LearnedEffect
from curewatch.studio.outlook.experts import AHEAD
from curewatch.views.base import View, local


class ObservationOut(View):
    id: int
    at: datetime
    kind: ObservationKind
    finger: Finger | None
    spot: Spot = Field(description="Where a finger was put")
    odds: float | None = Field(None, description="How likely a finger was to find this, as believed when it was logged")
    grams: float | None
    resolution_g: float | None
    surface_c: float | None
    by: str | None = Field(description="Who found it, as far as it was told")
    notes: list[str]

    @classmethod
    def of(cls, seen: Seen | Observed, tz: ZoneInfo) -> ObservationOut:
        one = seen.observation
        return cls(
            **one.model_dump(exclude={"piece_id", "at", "logged_at", "logged_by"}),
            at=local(one.at, tz),
            by=one.logged_by,
            notes=[str(one) for one in wording.notes(seen.remarks)],
        )


class PhotoOut(View):
    id: int
    kind: PhotoKind
    at: datetime
    width_px: int
    height_px: int
    image: str = Field(description="Where it is, as JPEG")

    @classmethod
    def of(cls, one: Photo, tz: ZoneInfo) -> PhotoOut:
        return cls(
            **one.model_dump(include={"id", "kind", "width_px", "height_px"}),
            at=local(one.at, tz),
            image=f"/api/v1/photos/{one.id}.jpg",
        )


class DoneOut(View):
    step: str
    done_at: datetime
    recorded_at: datetime
    too_early: bool = Field(description="Before the date from which it was safe to")
    undone_at: datetime | None = Field(description="It was not done after all")
    by: str | None = Field(description="Who did it, as far as it was told")

    @classmethod
    def of(cls, one: StepDone, tz: ZoneInfo) -> DoneOut:
        return cls(
            step=one.step,
            done_at=local(one.done_at, tz),
            recorded_at=local(one.recorded_at, tz),
            too_early=one.too_early,
            undone_at=local(one.undone_at, tz),
            by=one.logged_by,
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
    held: bool = Field(description="A finger last found the piece tacky: there is no date before one finds otherwise")
    waits_for: list[str]
    better_after: list[str]
    needs_varnish_air: bool
    caution: str
    done_id: int | None
    done_at: datetime | None
    done_too_early: bool = Field(description="Before the date from which it was safe to")
    done_by: str | None

    @classmethod
    def of(cls, line: CareStep, now: datetime, tz: ZoneInfo) -> StepOut:
        return cls(
            step=line.step,
            title=str(line.title),
            state=line.ready(now),
            early_at=local(line.odds.early, tz),
            worth_checking_at=local(line.odds.even, tz),
            safe_at=local(line.odds.safe, tz),
            reason=None if line.odds.reason is None else str(line.odds.reason),
            held=line.odds.held,
            waits_for=list(line.after),
            better_after=list(line.advised),
            needs_varnish_air=line.needs_air,
            caution=str(line.caution),
            done_id=line.done.id if line.done else None,
            done_at=local(line.done.done_at if line.done else None, tz),
            done_too_early=line.done is not None and line.done.too_early,
            done_by=line.done.logged_by if line.done else None,
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
            air_against=None if found.against is None else [Reader(zone=tz).read(one) for one in found.against],
            air_read_at=local(found.read_at, tz),
            next_good_air=None if w is None else WindowOut(
                begins_at=local(w.begins_at, tz), ends_at=local(w.ends_at, tz), sure=w.sure
            ),
            history=[DoneOut.of(one, tz) for one in found.history.steps],
        )  # fmt: skip


FORESEEN = timedelta(hours=AHEAD)
"""So far ahead a room's air is foreseen hour by hour."""
NOW = ("safe", "worth checking")
"""States of steps that may be done."""
Dated = Callable[[datetime], str]


def step_when(line: StepOut, found: StepsOut, now: datetime, date: Dated, names: Mapping[str, str]) -> str:
    """When a step may be done and how sure that is, what in the air is against it, and what it waits for.

    `names`: of the steps it waits for.
    """
    if line.done_at is not None:
        early = ", before it was safe to" if line.done_too_early else ""
        return f"done {date(line.done_at)}{wording.by(line.done_by)}{early}"
    if line.state == "over":
        return "its time has passed"
    air = str(air_caveat(found.air_against)) if line.needs_varnish_air and line.state in NOW else ""
    if not line.waits_for:
        return _odds(line, now, date) + air
    after = f"once {', '.join(names[step] for step in line.waits_for)} {'are' if line.waits_for[1:] else 'is'} done"
    come = line.worth_checking_at is not None and line.worth_checking_at <= now and not line.held
    return f"{_waiting(line, now, date)}{after}" if come else f"{_odds(line, now, date)}, {after}"


def _waiting(line: StepOut, now: datetime, date: Dated) -> str:
    """Of a step whose film may be ready, and which is not to be done or looked at before another."""
    if line.safe_at is None:
        return f"no safe date ({line.reason or 'not foreseen'}), "
    return "may be done " if line.safe_at <= now else f"safe {date(line.safe_at)}, "


def _odds(line: StepOut, now: datetime, date: Dated) -> str:
    even, safe = line.worth_checking_at, line.safe_at
    if line.held:
        return "only once a finger finds it dry"
    if safe is not None and safe <= now:
        return "may be done from now on"
    if safe is not None:
        checking = "" if even is None or even == safe else f", worth checking {'now' if even <= now else date(even)}"
        return f"safe {date(safe)}{checking}"
    if even is None:
        return f"no date: {line.reason or 'not foreseen'}"
    checking = "now" if even <= now else date(even)
    return f"worth checking {checking}; no safe date ({line.reason or 'not foreseen'})"


def coats_want(found: StepsOut, now: datetime, date: Dated) -> str:
    """What the coats want of the air, how the room stands to it, and when it will next be good."""
    said = f"Coats want {found.air_wanted}."
    if found.air_against is None:
        return f"{said} The room's air is not known."
    said += f" The room, read {wording.age(found.air_read_at, now)}: {' and '.join(found.air_against) or 'good'}."
    window = found.next_good_air
    if window is None:
        due = [one.worth_checking_at for one in found.steps if one.needs_varnish_air and one.done_at is None]
        soon = any(at is not None and at < now + FORESEEN for at in due)
        return f"{said} {'No good spell is foreseen' if soon else 'No coat is due'} in the next two days."
    odds = "" if window.sure else ", probably"
    same_day = window.begins_at.date() == window.ends_at.date()
    ends = f"{window.ends_at:%H:%M}" if same_day else date(window.ends_at)
    return f"{said} Next good: {date(window.begins_at)} to {ends}{odds}."


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
