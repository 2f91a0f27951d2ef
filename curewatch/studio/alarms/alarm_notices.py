"""What people are told of the alarms of a room at one look: one notice for all that began, one for all that is past.

So two alarms never answer each other: what is to be done is looked for once, for all that stand there (remedies.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from curewatch.records import Alarm, AlarmKind, AlarmState, Notice
from curewatch.studio.alarms import conditions, lifecycle
from curewatch.studio.alarms.alarm_words import TITLES, AlarmText, Episode
from curewatch.studio.alarms.conditions import OF_THE_AIR, Limits, OccupiedRoom
from curewatch.studio.alarms.lifecycle import Effect, Event
from curewatch.studio.alarms.remedies import Remedy, remedy
from curewatch.studio.wording import Local, listed

EXPIRES_AFTER = timedelta(days=3)
"""A notice of an alarm that could not be delivered for this long says nothing useful any more."""
ONCE = frozenset({AlarmKind.COLD, AlarmKind.DAMP})
"""What a room that cannot be heated will do again every night: told once for the pieces that lie there. Frost is told
each time."""
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


@dataclass(frozen=True)
class Turn:
    """One alarm at one look: from what to what, and what there is to tell of it."""

    before: Alarm
    after: Alarm
    happened: Transitions

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
        """When a reminder fell due, or a mute ran out, of an alarm that is active still."""
        return self.happened.reminded if effect is Effect.REMINDED else self.happened.mute_ended

    @property
    def turned(self) -> bool:
        """Whether something is to be said in the present tense, or no longer."""
        on = [one.state is AlarmState.ACTIVE for one in (self.before, self.after)]
        return self.begins or on[0] is not on[1] or bool(self.happened.reminded or self.happened.mute_ended)


def turn(before: Alarm, after: Alarm, events: Sequence[Event]) -> Turn:
    """`events` led from `before` to `after`. What fell into a mute is not told."""
    happened, muted = transitions(before, after, events), before.muted_until
    if muted is not None:
        passed = happened.passed if happened.passed and happened.passed[-1].raised_at >= muted else ()
        rest = (happened.over, happened.begun, happened.reminded, happened.mute_ended)
        over, begun, reminded, ended = (None if at is None or at < muted else at for at in rest)
        happened = Transitions(over, passed, begun, reminded, ended)
    return Turn(before, after, happened)


class RoomTelling(NamedTuple):
    """What one look at a room comes to, in words."""

    notices: list[Notice]
    texts: Mapping[AlarmKind, str]
    """Of the alarms whose text is another now."""
    remedy: Remedy | None
    """What is to be done there; None where nothing is, or nothing has turned."""


def tell(
    room: OccupiedRoom,
    turns: Sequence[Turn],
    now: datetime,
    limits: Limits,
    local: Local,
    to_look_over: Sequence[str] = (),
) -> RoomTelling:
    """What to tell of the alarms of `room`. `to_look_over`: pieces there that came to harm."""
    order = [*OF_THE_AIR, AlarmKind.NO_FRESH_DATA]
    turns = sorted(turns, key=lambda t: order.index(t.kind))
    air, silence = ([t for t in turns if (t.kind in OF_THE_AIR) is of_air] for of_air in (True, False))
    fresh = conditions.is_fresh(room, now, limits)
    standing = [t for t in air if t.after.state is AlarmState.ACTIVE]
    turned = any(t.turned for t in air)
    found = None
    if fresh and standing and turned:
        found = remedy(room, [t.kind for t in standing], max(t.after.evaluated_at for t in standing), limits)
    heard = [t.kind for t in standing if not lifecycle.is_muted(t.after, now)]
    words = {
        t.kind: AlarmText(
            room, t.kind, now, limits, local, found, tuple(k for k in heard if k is not t.kind and t.kind in OF_THE_AIR)
        )
        for t in turns
    }
    begun = {t.kind: _begun(t, words[t.kind], fresh) for t in turns if t.begins}
    told = [
        *_over(air, turns, words, to_look_over),
        *_over(silence, turns, words, to_look_over),
        *_passed(turns, words),
    ]
    for past in (True, False):
        for group in (air, silence):
            told += _present([t for t in group if t.begins and begun[t.kind][1] is past], words, begun, past=past)
    told += [one for group in (air, silence) for one in _again(group, words)]
    texts = {t.kind: words[t.kind].raised(t.after.evaluated_at, t.since)[1] for t in standing if turned and fresh}
    texts |= {kind: text for kind, ((_, text), past) in begun.items() if past or kind not in texts}
    return RoomTelling(told, texts, found)


_Words = Mapping[AlarmKind, AlarmText]
_Begun = Mapping[AlarmKind, tuple[tuple[str, str], bool]]


def _begun(turn: Turn, words: AlarmText, fresh: bool) -> tuple[tuple[str, str], bool]:
    """Title and text of an alarm that began and is active, and whether that is past: no longer known to be so."""
    after, room = turn.after, words.room
    if after.state is AlarmState.CLEARING:
        return words.better(turn.since, after.since), True
    if fresh or turn.kind is AlarmKind.NO_FRESH_DATA or room.climate is None:
        return words.raised(after.evaluated_at, turn.since), False
    return words.last_known(turn.since, room.climate.newest_at), True


def _present(group: Sequence[Turn], words: _Words, begun: _Begun, *, past: bool) -> list[Notice]:
    """One notice of all that began, in the words of the worst; what a mute hides is not among them."""
    heard = [t for t in group if t.happened.begun is not None]
    if not heard:
        return []
    title, text = begun[heard[0].kind][0]
    return _notices(words, heard, Effect.RAISED, heard[0].since, (title, text), past=past)


def _again(group: Sequence[Turn], words: _Words) -> list[Notice]:
    """One reminder of all that nobody has acknowledged, unless what began at this look tells of it anyway."""
    if any(t.happened.begun is not None for t in group):
        return []
    for effect in (Effect.REMINDED, Effect.MUTE_ENDED):
        due = [t for t in group if t.at(effect) is not None]
        if due:
            lead, at = due[0], due[0].at(effect)
            assert at is not None
            say = words[lead.kind].reminded if effect is Effect.REMINDED else words[lead.kind].mute_ended
            return _notices(words, due, effect, at, say(lead.after.evaluated_at, lead.since))
    return []


def _over(group: Sequence[Turn], turns: Sequence[Turn], words: _Words, to_look_over: Sequence[str]) -> list[Notice]:
    """One notice of all that ended, and what is still open there: no all-clear before everything is clear."""
    ended = [t for t in group if t.happened.over is not None]
    if not ended:
        return []
    still = [TITLES[t.kind] for t in turns if lifecycle.is_active(t.after)]
    left = [f"Still so there: {listed(still)}."] if still else []
    left += [f"To be looked over once dry: {listed(list(to_look_over))}."] if to_look_over else []
    lead = ended[0]
    assert lead.happened.over is not None
    said = words[lead.kind].over(lead.before.raised_at, lead.happened.over, left, [t.kind for t in ended[1:]])
    return _notices(words, ended, Effect.OVER, lead.happened.over, said)


def _passed(turns: Sequence[Turn], words: _Words) -> list[Notice]:
    """One line of all that came and went before anybody could be told: it is no news."""
    gone = [t for t in turns if t.happened.passed]
    if not gone:
        return []
    lead = gone[0]
    title, text = words[lead.kind].passed(lead.happened.passed)
    if len(gone) > 1:
        text = f"{text} Past too: {listed([TITLES[t.kind] for t in gone[1:]])}."
    return _notices(words, gone, Effect.RAISED, lead.happened.passed[-1].raised_at, (title, text), past=True)


def _notices(
    words: _Words, group: Sequence[Turn], effect: Effect, at: datetime, said: tuple[str, str], *, past: bool = False
) -> list[Notice]:
    """The notice of what happened to the alarms of `group`, the worst first; none where it has been said for good."""
    text, kinds = words[group[0].kind], [t.kind for t in group]
    key = f"alarm/{kinds[0]}/{ascii_name(text.room.name)}/{effect}/{int(at.timestamp())}"
    if not text.room.heated and ONCE.issuperset(kinds):
        if effect is not Effect.RAISED:
            return []
        key = once_key(text.room, kinds[0])
    return [
        Notice(
            key=key,
            kind=_KIND[effect],
            created_at=text.now,
            title=said[0],
            text=said[1],
            urgent=not lifecycle.URGENT.isdisjoint(kinds) and effect is not Effect.OVER and not past,
            expires_at=text.now + EXPIRES_AFTER,
            room=text.room.name,
            data={
                "alarm": kinds[0].value,
                "alarms": [kind.value for kind in kinds],
                "effect": effect.value,
                "at": at.isoformat(),
                "past": past,
                "names": [drying.piece.name for drying in text.room.dryings],
            },
        )
    ]


def once_key(room: OccupiedRoom, kind: AlarmKind) -> str:
    """The key of what is said once of a room that cannot be heated: once for the newest of the pieces there."""
    newest = max((drying.piece.id for drying in room.dryings), default=0)
    return f"alarm/{kind}/{ascii_name(room.name)}/unheated/{newest}"


def ascii_name(name: str) -> str:
    """A room's name as it may stand in a header: other characters as their code points."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else f"_{ord(c):x}_" for c in name)
