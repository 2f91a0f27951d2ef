"""What is found of a piece, done to it and believed of it, as it is shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.aftercare import Steps
from curewatch.desk.commands.observing import Observed
from curewatch.desk.snapshot.pieces import Seen
from curewatch.language import reads
from curewatch.records.facts import Finger, ObservationKind, Spot
from curewatch.records.workshop import Photo, PhotoKind, StepDone
from curewatch.studio import wording
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.care.varnish_air import air_caveat
from curewatch.studio.learning.texts import LearnedEffect
from curewatch.studio.outlook.experts import AHEAD
from curewatch.views.base import View, local, said


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
            notes=[said(one, tz) for one in wording.notes(seen.remarks)],
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
            title=said(line.title, tz),
            state=line.ready(now),
            early_at=local(line.odds.early, tz),
            worth_checking_at=local(line.odds.even, tz),
            safe_at=local(line.odds.safe, tz),
            reason=said(line.odds.reason, tz),
            held=line.odds.held,
            waits_for=list(line.after),
            better_after=list(line.advised),
            needs_varnish_air=line.needs_air,
            caution=said(line.caution, tz),
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
            air_wanted=said(found.care.air.in_words()),
            air_against=None if found.against is None else [said(one, tz) for one in found.against],
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
    phrase = reads().phrase
    if line.done_at is not None:
        done = phrase("done {date}{by}", date=date(line.done_at), by=wording.by(line.done_by))
        return phrase("{done}, before it was safe to", done=done) if line.done_too_early else done
    if line.state == "over":
        return phrase("its time has passed")
    air = reads().read(air_caveat(found.air_against)) if line.needs_varnish_air and line.state in NOW else ""
    if not line.waits_for:
        return _odds(line, now, date) + air
    steps = [names[step] for step in line.waits_for]
    after = reads().phrase_n("once {steps} is done", "once {steps} are done", len(steps), steps=", ".join(steps))
    come = line.worth_checking_at is not None and line.worth_checking_at <= now and not line.held
    if come and line.safe_at is not None and line.safe_at <= now:
        return phrase("may be done {after}", after=after)
    when = _waiting(line, date) if come else _odds(line, now, date)
    return f"{when}, {after}"


def _waiting(line: StepOut, date: Dated) -> str:
    """Of a step whose film may be ready, and which is not to be done or looked at before another."""
    if line.safe_at is None:
        return reads().phrase("no safe date ({reason})", reason=_reason(line))
    return reads().phrase("safe {date}", date=date(line.safe_at))


def _reason(line: StepOut) -> str:
    return line.reason or reads().phrase("not foreseen")


def _odds(line: StepOut, now: datetime, date: Dated) -> str:
    phrase = reads().phrase
    even, safe = line.worth_checking_at, line.safe_at
    if line.held:
        return phrase("only once a finger finds it dry")
    if safe is not None and safe <= now:
        return phrase("may be done from now on")
    if even is None and safe is None:
        return phrase("not foreseen: {reason}", reason=line.reason) if line.reason else phrase("not foreseen")
    checking = ""
    if even is not None:
        checking = phrase("worth checking now") if even <= now else phrase("worth checking {date}", date=date(even))
    if safe is None:
        return phrase("{checking}; no safe date ({reason})", checking=checking, reason=_reason(line))
    told = phrase("safe {date}", date=date(safe))
    return told if even is None or even == safe else phrase("{told}, {checking}", told=told, checking=checking)


def coats_want(found: StepsOut, now: datetime, date: Dated) -> str:
    """What the coats want of the air, how the room stands to it, and when it will next be good."""
    phrase = reads().phrase
    told = phrase("Coats want {air}.", air=found.air_wanted)
    if found.air_against is None:
        return " ".join((told, phrase("The room's air is not known.")))
    room = reads().listed(found.air_against) or phrase("good")
    if found.air_read_at is not None:
        told += " " + phrase("The room, read {ago}: {air}.", ago=reads().age(found.air_read_at, now), air=room)
    window = found.next_good_air
    if window is None:
        due = [one.worth_checking_at for one in found.steps if one.needs_varnish_air and one.done_at is None]
        soon = any(at is not None and at < now + FORESEEN for at in due)
        none = phrase("No good spell is foreseen in the next two days.")
        due_later = phrase("No coat is due in the next two days.")
        return f"{told} {none if soon else due_later}"
    same_day = window.begins_at.date() == window.ends_at.date()
    ends = (
        replace(reads(), zone=window.ends_at.tzinfo or UTC).time(window.ends_at) if same_day else date(window.ends_at)
    )
    good = phrase("Next good: {begin} to {end}.", begin=date(window.begins_at), end=ends)
    likely = phrase("Next good: {begin} to {end}, probably.", begin=date(window.begins_at), end=ends)
    return f"{told} {good if window.sure else likely}"


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
            text=said(one.sentence),
        )
