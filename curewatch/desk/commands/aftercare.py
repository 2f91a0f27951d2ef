"""The steps after a pour: what is next, what was done, and taking that back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.commands.log import LogKind
from curewatch.desk.desk import Desk, care_of, mark_changed
from curewatch.desk.orders import nearest
from curewatch.desk.reports.cure_record import PieceHistory, find, history_of
from curewatch.desk.snapshot.air import PastCache, air_to_come
from curewatch.language import Message, When, Words, joined, phrase
from curewatch.records.errors import Field, InputError
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.records.workshop import StepDone
from curewatch.studio.air.climate import Climate
from curewatch.studio.care.aftercare import Care, CareStep, Step, plan, risk, skins
from curewatch.studio.care.varnish_air import Window, against, dew_margin, next_window


@dataclass(frozen=True)
class Steps:
    """One piece's steps, and the air it lies in as that bears on the coats."""

    history: PieceHistory
    lines: tuple[CareStep, ...]
    care: Care
    against: tuple[Message, ...] | None
    """What in the room's air speaks against varnishing now; None: it was not read."""
    read_at: datetime | None
    window: Window | None
    """The next spell of air that is good for varnish, once the film may be ready."""


@dataclass(frozen=True)
class LoggedStep:
    """A step that was written down, and what came of it."""

    step: StepDone
    remarks: tuple[Remark, ...]


def steps(desk: Desk, name: str, now: datetime) -> Steps:
    """The steps of a piece, as last forecast. InputError for a name that no piece bears or bore."""
    with desk.store.read() as tx:
        found = history_of(tx, find(tx, name), now)
        past = PastCache().pasts(tx, [found.drying.room], now).get(found.drying.room)
    return steps_of(found, past, care_of(desk.settings), now)


def steps_of(found: PieceHistory, past: Climate | None, care: Care, now: datetime) -> Steps:
    """As `steps`, of a piece whose history is at hand, and the past of the room that it lies in."""
    lines = _lines(found, care)
    climate = found.climates.get(found.drying.room)
    here = found.drying.piece.gone_at is None
    return Steps(
        found,
        tuple(lines),
        care,
        _against(climate, care) if here else None,
        climate.newest_at if climate else None,
        _window(past, lines, care, now) if here and past is not None else None,
    )


def done(desk: Desk, name: str, step: str, at: datetime, now: datetime, *, anyway: bool = False) -> LoggedStep:
    """Write down that a step was done. InputError where it cannot have been: unknown, done already, before the pour, or
    where it should not have been: before a step that has to come first, or long before the film is ready for it;
    `anyway` writes the last two down all the same.
    """
    with desk.logging() as tx:
        found = history_of(tx, find(tx, name), now)
        line, early = _doable(desk, found, step, at, now, anyway=anyway)
        noted = tx.add_step(
            StepDone(
                piece_id=found.drying.piece.id,
                step=step,
                done_at=at,
                recorded_at=now,
                too_early=early,
                logged_by=desk.by,
            )
        )
        mark_changed(tx)
        desk.note_sent(tx, now, LogKind.STEP, (name, noted.id))
    return LoggedStep(noted, tuple(_remarks(line, early)))


def _doable(
    desk: Desk, found: PieceHistory, step: str, at: datetime, now: datetime, *, anyway: bool
) -> tuple[CareStep, bool]:
    """The step as it stands, and whether it was done before it was safe. InputError as `done`."""
    lines = {line.step: line for line in _lines(found, care_of(desk.settings))}
    line = lines.get(step)
    if line is None:
        raise InputError(
            Field.STEP,
            step,
            nearest(step, [str(one) for one in lines], phrase("a step of {name}", name=found.drying.piece.name)),
        )
    if line.done is not None:
        raise InputError(
            Field.STEP, step, phrase("a step that is not done yet (this one was, at {at})", at=When(line.done.done_at))
        )
    if at < found.drying.pour.at:
        raise InputError(
            Field.AT, _at(desk, at), phrase("a moment after the pour at {at}", at=When(found.drying.pour.at))
        )
    if line.after and not anyway:
        raise InputError(Field.STEP, step, _first(line))
    dated = found.forecast is not None and found.forecast.reason is None
    if dated and not anyway and (line.ready_from is None or at < line.ready_from):
        raise InputError(Field.STEP, step, _too_early(line, now))
    return line, line.odds.safe is None or at < line.odds.safe


def _lines(found: PieceHistory, care: Care) -> list[CareStep]:
    peeled = skins(found.drying, found.climates, care.skins_m)
    return plan(found.drying.pour, found.forecast, peeled, found.steps, care)


def _against(climate: Climate | None, care: Care) -> tuple[Message, ...] | None:
    if climate is None:
        return None
    piece_c = dew_margin(climate).piece_c
    return tuple(against(float(climate.temp_c[-1]), float(climate.rh_pct[-1]), care.air, piece_c))


def _window(past: Climate, lines: list[CareStep], care: Care, now: datetime) -> Window | None:
    """From the first coat to come that may be ready within the outlook."""
    coming = [line.odds.even for line in lines if line.needs_air and line.done is None and line.odds.even]
    if not coming:
        return None
    future = air_to_come(past, now)
    return None if future is None else next_window(future, care.air, max(now, min(coming)))


def _first(line: CareStep) -> Message:
    first = phrase("{steps} to be done first", steps=", ".join(line.after))
    if Step.WASH in line.after:
        first = phrase("the silicone to be washed off first (step wash), or varnish crawls")
    return phrase("{first}; {anyway} to write it down so", first=first, anyway=Field.ANYWAY)


def _too_early(line: CareStep, now: datetime) -> Message:
    when: Words = line.film.reason or phrase("no date is foreseen")
    if line.ready_from is not None:
        date = When(line.ready_from, now, "date")
        when = phrase("earliest: {date}", date=date)
        if line.by_the_clock:
            when = phrase("worth checking: {date}", date=date)
        if line.film.safe is None and line.film.reason is not None:
            when = joined(when, line.film.reason, by="; ")
    return phrase(
        "a piece that may be ready for it ({when}); before that {risk}; {anyway} to write it down so. {caution}",
        when=when,
        risk=risk(line) or "",
        anyway=Field.ANYWAY,
        caution=line.caution,
    )


def _remarks(line: CareStep, early: bool) -> Iterator[Remark]:
    if line.after:
        yield Remark(RemarkKind.OUT_OF_TURN, ", ".join(line.after))
    if line.advised:
        yield Remark(RemarkKind.BETTER_AFTER, ", ".join(line.advised))
    if early:
        yield Remark(RemarkKind.NEVER_SAFE if line.odds.safe is None else RemarkKind.TOO_EARLY, risk(line) or None)


def _at(desk: Desk, at: datetime) -> str:
    return desk.dated(at)
