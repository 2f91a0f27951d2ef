"""From what happened to an alarm to what people are told of it: at most one notice for each turn it took.

What began and ended since the last look (the daemon was down, readings came late, a pour was logged afterwards) is
told once, as past, however often it happened: nobody can act on it, and a night's worth of messages hides the one
that matters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.records import Alarm, AlarmKind, AlarmState, Notice
from curewatch.studio.alarms import conditions, lifecycle
from curewatch.studio.alarms.alarm_notices import AlarmText, Episode
from curewatch.studio.alarms.lifecycle import Effect, Event

EXPIRES_AFTER = timedelta(days=3)
"""A notice of an alarm that could not be delivered for this long says nothing useful any more."""
_KIND = {
    Effect.RAISED: "alarm",
    Effect.OVER: "alarm_over",
    Effect.REMINDED: "reminder",
    Effect.MUTE_ENDED: "reminder",
}


@dataclass(frozen=True)
class Transitions:
    """The events of one look, by what there is to tell of them."""

    over: datetime | None
    """When it ended, if people had been told before that it began."""
    passed: tuple[Episode, ...]
    """Began and ended."""
    begun: datetime | None
    """When it began, if it is active still."""
    reminded: datetime | None
    """When a reminder fell due of what people had been told before, if it is active still."""
    mute_ended: datetime | None
    """When a mute ran out, if it is active still: it may have begun unheard."""


def transitions(before: Alarm, after: Alarm, events: Sequence[Event]) -> Transitions:
    """Sort out `events`, which led from `before` to `after`."""
    told, over, begun, passed = lifecycle.is_active(before), None, None, []
    for event in events:
        if event.effect is Effect.RAISED:
            if begun is not None:
                passed.append(Episode(begun, None))
            begun = event.at
            told = False
        elif event.effect is Effect.OVER and begun is not None:
            passed.append(Episode(begun, event.at))
            begun = None
        elif event.effect is Effect.OVER and told:
            over, told = event.at, False
    if begun is not None and not lifecycle.is_active(after):
        passed.append(Episode(begun, None))
        begun = None
    reminders = [e.at for e in events if e.effect is Effect.REMINDED]
    still = told and lifecycle.is_active(after)
    ended = [e.at for e in events if e.effect is Effect.MUTE_ENDED]
    unmuted_at = ended[-1] if ended and lifecycle.is_active(after) else None
    return Transitions(over, tuple(passed), begun, reminders[-1] if reminders and still else None, unmuted_at)


def notices(texts: AlarmText, before: Alarm, after: Alarm, events: Sequence[Event]) -> tuple[Alarm, list[Notice]]:
    """What to tell of `events`; and the alarm `after` them, with the text that tells of it."""
    happened, found = transitions(before, after, events), []
    if happened.over is not None:
        found.append(_notice(texts, Effect.OVER, happened.over, texts.over(before.raised_at, happened.over)))
    if happened.passed:
        last = happened.passed[-1]
        found.append(_notice(texts, Effect.RAISED, last.raised_at, texts.passed(happened.passed), past=True))
    if happened.begun is not None:
        found.append(_raised(texts, after, happened.begun))
        after = after.model_copy(update={"text": found[-1].text})
    if happened.reminded is not None:
        words = texts.reminded(after.evaluated_at, after.raised_at or happened.reminded)
        found.append(_notice(texts, Effect.REMINDED, happened.reminded, words))
    if happened.mute_ended is not None:
        words = texts.mute_ended(after.evaluated_at, after.raised_at or happened.mute_ended)
        found.append(_notice(texts, Effect.MUTE_ENDED, happened.mute_ended, words))
    return after, [notice for notice in found if not _is_muted(before, notice)]


def _is_muted(before: Alarm, notice: Notice) -> bool:
    """Whether what the notice tells fell into a mute."""
    at = datetime.fromisoformat(notice.data["at"])
    return before.muted_until is not None and at < before.muted_until


def _raised(texts: AlarmText, after: Alarm, raised_at: datetime) -> Notice:
    """Of an alarm that is active: in the present tense if the room is known to be so now."""
    room, now = texts.room, texts.now
    if after.state is AlarmState.CLEARING:
        return _notice(texts, Effect.RAISED, raised_at, texts.better(raised_at, after.since), past=True)
    live = texts.kind is AlarmKind.NO_FRESH_DATA or conditions.is_fresh(room, now, texts.limits)
    if live or room.climate is None:
        return _notice(texts, Effect.RAISED, raised_at, texts.raised(after.evaluated_at, raised_at))
    words = texts.last_known(raised_at, room.climate.newest_at)
    return _notice(texts, Effect.RAISED, raised_at, words, past=True)


def _notice(texts: AlarmText, effect: Effect, at: datetime, words: tuple[str, str], *, past: bool = False) -> Notice:
    title, text = words
    return Notice(
        key=f"alarm/{texts.kind}/{ascii_name(texts.room.name)}/{effect}/{int(at.timestamp())}",
        kind=_KIND[effect],
        created_at=texts.now,
        title=title,
        text=text,
        urgent=texts.kind in lifecycle.URGENT and effect is not Effect.OVER and not past,
        expires_at=texts.now + EXPIRES_AFTER,
        room=texts.room.name,
        data={
            "alarm": texts.kind.value,
            "effect": effect.value,
            "at": at.isoformat(),
            "past": past,
            "names": [drying.piece.name for drying in texts.room.dryings],
        },
    )


def ascii_name(name: str) -> str:
    """A room's name as it may stand in a header: other characters as their code points."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else f"_{ord(c):x}_" for c in name)
