"""What became of each alarm of a room at one look, sorted by what there is to tell of it: state, and no words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.alarms import lifecycle
from curewatch.studio.alarms.lifecycle import Effect, Event

AGAIN = (Effect.JOINED, Effect.REMINDED, Effect.MUTE_ENDED)
"""What is told of an alarm that people may know of, and that is active still."""


class Episode(NamedTuple):
    """From when to when an alarm was active. `over_at` is None where it ended with the last wet piece."""

    raised_at: datetime
    over_at: datetime | None


@dataclass(frozen=True)
class Turn:
    """One alarm at one look: from what to what, and what there is to tell of it."""

    before: Alarm
    after: Alarm
    over: datetime | None = None
    """When it ended, if people had been told before that it began."""
    passed: tuple[Episode, ...] = ()
    """Began and ended."""
    begun: datetime | None = None
    """When it began, if it is active still."""
    joined: datetime | None = None
    """When another piece was found at stake in it, if it is active still."""
    reminded: datetime | None = None
    """When a reminder fell due of what people had been told before, if it is active still."""
    mute_ended: datetime | None = None
    """When a mute ran out, if it is active still: it may have begun unheard."""

    @property
    def kind(self) -> AlarmKind:
        return self.after.kind

    @property
    def begins(self) -> bool:
        """Whether it was raised at this look and is active still, heard of or not."""
        return lifecycle.is_active(self.after) and self.after.raised_at != self.before.raised_at

    @property
    def since(self) -> datetime:
        """When it was raised."""
        return self.after.raised_at or self.after.since

    def at(self, effect: Effect) -> datetime | None:
        """When that was, of an alarm that is active still."""
        found = {Effect.JOINED: self.joined, Effect.REMINDED: self.reminded, Effect.MUTE_ENDED: self.mute_ended}
        return self.begun if effect is Effect.RAISED else found[effect]

    @property
    def turned(self) -> bool:
        """Whether something is to be said in the present tense, or no longer."""
        on = [one.state is AlarmState.ACTIVE for one in (self.before, self.after)]
        return self.begins or on[0] is not on[1] or any(self.at(effect) for effect in AGAIN)


def turn(before: Alarm, after: Alarm, events: Sequence[Event]) -> Turn:
    """`events` led from `before` to `after`. What fell into a mute is not told."""
    found, muted = _sorted(before, after, events), before.muted_until
    if muted is None:
        return found
    passed = found.passed if found.passed and found.passed[-1].raised_at >= muted else ()
    whens = ("over", "begun", "joined", "reminded", "mute_ended")
    heard: dict[str, Any] = {name: None if (at := getattr(found, name)) is None or at < muted else at for name in whens}
    return replace(found, passed=passed, **heard)


def _sorted(before: Alarm, after: Alarm, events: Sequence[Event]) -> Turn:
    told, over, begun, passed = lifecycle.is_active(before), None, None, []
    for event in events:
        if event.effect is Effect.RAISED:
            if begun is not None:
                passed.append(Episode(begun, None))
            begun, told = event.at, False
        elif event.effect is Effect.OVER and begun is not None:
            passed.append(Episode(begun, event.at))
            begun = None
        elif event.effect is Effect.OVER and told:
            over, told = event.at, False
    if begun is not None and not lifecycle.is_active(after):
        passed.append(Episode(begun, None))
        begun = None
    last = {event.effect: event.at for event in events} if lifecycle.is_active(after) else {}
    return Turn(
        before,
        after,
        over=over,
        passed=tuple(passed),
        begun=begun,
        joined=last.get(Effect.JOINED),
        reminded=last.get(Effect.REMINDED) if told else None,
        mute_ended=last.get(Effect.MUTE_ENDED),
    )
