"""What people are told of the alarms of a room at one look: one notice about now, one line about what is past.

So two alarms never answer each other: what is to be done is looked for once, for all that stand there (remedies.py).
What is past is no news: where there is news of the room's air, it is a sentence in that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import NamedTuple

from curewatch.language import Listed, Words, joined, phrase
from curewatch.records import AlarmKind, AlarmState, Damage, Notice
from curewatch.studio.alarms import conditions, damage, lifecycle
from curewatch.studio.alarms.alarm_words import AlarmText, Text, titles
from curewatch.studio.alarms.conditions import OF_THE_AIR, Limits, OccupiedRoom
from curewatch.studio.alarms.damage import stands
from curewatch.studio.alarms.lifecycle import Effect, Turn
from curewatch.studio.alarms.remedies import Remedy, remedy

EXPIRES_AFTER = timedelta(days=3)
"""A notice of an alarm that could not be delivered for this long says nothing useful any more."""
ONCE = frozenset({AlarmKind.COLD, AlarmKind.DAMP})
"""What a room that cannot be heated will do again every night: told once for the pieces that lie there. Frost is told
each time."""
_KIND = {Effect.OVER: "alarm_over", Effect.REMINDED: "reminder", Effect.MUTE_ENDED: "reminder"}
_ORDER = [*OF_THE_AIR, AlarmKind.NO_FRESH_DATA]
Counts = Mapping[tuple[int, AlarmKind], Damage]


class RoomTelling(NamedTuple):
    """What one look at a room comes to, in words."""

    notices: list[Notice]
    texts: Mapping[AlarmKind, Words]
    """Of the alarms whose text is another now."""
    remedy: Remedy | None
    """What is to be done there; None where nothing is, or nothing has turned."""


class Said(NamedTuple):
    """A notice in the making: of which alarms, worst first, and what."""

    turns: Sequence[Turn]
    effect: Effect
    at: datetime
    title: Words
    text: Words
    past: bool = False
    over: tuple[AlarmKind, ...] = ()
    """The alarms that it tells the end of."""


def tell(room: OccupiedRoom, turns: Sequence[Turn], now: datetime, limits: Limits, damages: Counts) -> RoomTelling:
    """What to tell of the alarms of `room`. `damages`: the newest count of each piece and kind."""
    return _Look(room, sorted(turns, key=lambda t: _ORDER.index(t.kind)), now, limits, damages).told()


@dataclass(frozen=True)
class _Look:
    """One look at one room."""

    room: OccupiedRoom
    turns: Sequence[Turn]
    """The worst alarm first."""
    now: datetime
    limits: Limits
    damages: Counts

    def told(self) -> RoomTelling:
        air = [turn for turn in self.turns if turn.kind in OF_THE_AIR]
        silence = [turn for turn in self.turns if turn.kind not in OF_THE_AIR]
        live, silent, past = self._live(air), self._live(silence), self._past()
        if live is not None and past is not None and not self._is_told_once(live):
            live, past = _with_the_past(live, past), None
        said = [one for one in (past, live, silent) if one is not None]
        texts = {
            turn.kind: self._words[turn.kind].raised(turn.after.evaluated_at, turn.since)[1]
            for turn in self._standing
            if self._fresh and any(one.turned for one in air)
        }
        for kind, (_, text) in self._begun.items():
            if kind not in texts or self._is_past(kind):
                texts[kind] = text
        return RoomTelling([self._notice(one) for one in said if self._is_said(one)], texts, self._remedy)

    # --- what stands ---

    @cached_property
    def _fresh(self) -> bool:
        return conditions.is_fresh(self.room, self.now, self.limits)

    @cached_property
    def _standing(self) -> list[Turn]:
        return [turn for turn in self.turns if turn.kind in OF_THE_AIR and turn.after.state is AlarmState.ACTIVE]

    @cached_property
    def _remedy(self) -> Remedy | None:
        if not self._fresh or not any(turn.turned for turn in self.turns if turn.kind in OF_THE_AIR):
            return None
        moments = [turn.after.evaluated_at for turn in self._standing]
        return remedy(self.room, [t.kind for t in self._standing], max(moments), self.limits) if moments else None

    @cached_property
    def _words(self) -> Mapping[AlarmKind, AlarmText]:
        heard = [turn.kind for turn in self._standing if not turn.after.is_muted(self.now)]
        return {
            turn.kind: AlarmText(
                self.room,
                turn.kind,
                self.now,
                self.limits,
                self._remedy,
                also=tuple(kind for kind in heard if kind is not turn.kind and turn.kind in OF_THE_AIR),
                harm=tuple(damage.harm_of(self.room, turn.kind, self.damages)),
            )
            for turn in self.turns
        }

    @cached_property
    def _begun(self) -> Mapping[AlarmKind, Text]:
        """Title and text of each alarm that began at this look and is active."""
        return {turn.kind: self._beginning(turn) for turn in self.turns if turn.begins}

    def _beginning(self, turn: Turn) -> Text:
        words = self._words[turn.kind]
        if turn.after.state is AlarmState.CLEARING:
            return words.better(turn.since, turn.after.since)
        if self._is_past(turn.kind) and self.room.climate is not None:
            return words.last_known(turn.since, self.room.climate.newest_at)
        return words.raised(turn.after.evaluated_at, turn.since)

    def _is_past(self, kind: AlarmKind) -> bool:
        """Whether an alarm that is active is no longer known to be so: it clears, or the room is silent."""
        clears = any(turn.kind is kind and turn.after.state is AlarmState.CLEARING for turn in self.turns)
        unknown = kind is not AlarmKind.NO_FRESH_DATA and not self._fresh and self.room.climate is not None
        return clears or unknown

    # --- what is said ---

    def _live(self, group: Sequence[Turn]) -> Said | None:
        """All that is to be said about now, in the words of the worst of what is newest."""
        for effect in (Effect.RAISED, Effect.JOINED, Effect.REMINDED, Effect.MUTE_ENDED):
            due = [turn for turn in group if turn.at(effect) and not (turn.begins and self._is_past(turn.kind))]
            if not due:
                continue
            if effect is Effect.RAISED:  # who lies there is named in it: nothing more is to be said of them
                due += [turn for turn in group if turn.joined and turn not in due]
            lead = due[0]
            title, text = self._present(lead, effect)
            return Said(due, effect, lead.at(effect) or lead.since, title, text)
        return None

    def _present(self, turn: Turn, effect: Effect) -> Text:
        words, at = self._words[turn.kind], turn.after.evaluated_at
        if effect is Effect.RAISED:
            return self._begun[turn.kind]
        if effect is Effect.JOINED:
            known = set(turn.before.at_stake or ())
            new = [one for one in self.room.dryings if one.piece.id in set(turn.after.at_stake or ()) - known]
            return words.joined(at, turn.since, new)
        say = words.reminded if effect is Effect.REMINDED else words.mute_ended
        return say(at, turn.since)

    def _past(self) -> Said | None:
        """One line of all that came and went, or ended: the worst of what nobody had heard of leads."""
        begun = [turn for turn in self.turns if turn.begun and turn.begins and self._is_past(turn.kind)]
        passed = [turn for turn in self.turns if turn.passed]
        over = [turn for turn in self.turns if turn.over]
        if not (begun or passed or over):
            return None
        told = list(dict.fromkeys([*begun, *passed, *over]))
        lead = told[0]
        words = self._words[lead.kind]
        ended = tuple(turn.kind for turn in over)
        more = [turn.kind for turn in [*begun, *passed] if turn is not lead]
        if not (begun or passed):
            assert lead.over is not None
            title, text = words.over(lead.before.raised_at, lead.over, self._left(), ended[1:])
            return Said(told, Effect.OVER, lead.over, title, text, over=ended)
        title, text = self._begun[lead.kind] if begun else words.passed(lead.passed)
        past_too = phrase("Past too: {alarms}.", alarms=titles(more)) if more else None
        over_too = phrase("Over too: {alarms}.", alarms=titles(ended)) if ended else None
        text = joined(text, past_too, over_too)
        if ended:
            at = max(turn.over for turn in over if turn.over is not None)
            return Said(told, Effect.OVER, at, title, text, over=ended)
        at = lead.since if begun else lead.passed[-1].raised_at
        return Said(told, Effect.RAISED, at, title, text, past=True)

    def _left(self) -> list[Words]:
        """What is still open there: no all-clear before everything is clear."""
        still = [turn.kind for turn in self.turns if turn.after.is_active]
        harmed = [
            drying.piece.name
            for drying in self.room.dryings
            if any((one := self.damages.get((drying.piece.id, kind))) and stands(one) for kind in OF_THE_AIR)
        ]
        left: list[Words] = [phrase("Still so there: {alarms}.", alarms=titles(still))] if still else []
        if self.room.foretold is not None:
            left.append(phrase("Foretold for the hours to come: {alarm}.", alarm=titles([self.room.foretold])))
        if harmed:
            left.append(phrase("To be looked over once dry: {pieces}.", pieces=Listed(tuple(harmed))))
        return left

    # --- the notice ---

    def _is_told_once(self, said: Said) -> bool:
        return not self.room.heated and all(turn.kind in ONCE for turn in said.turns)

    def _is_said(self, said: Said) -> bool:
        """Of what is told once, only that it is so."""
        return not self._is_told_once(said) or said.effect in (Effect.RAISED, Effect.JOINED)

    def _notice(self, said: Said) -> Notice:
        kinds, room = [turn.kind for turn in said.turns], self.room.name
        remedied = None if said.past or said.effect is Effect.OVER else self._remedy
        key = f"alarm/{kinds[0]}/{ascii_name(room)}/{said.effect}/{int(said.at.timestamp())}"
        return Notice(
            key=once_key(self.room, kinds[0]) if self._is_told_once(said) else key,
            kind=_KIND.get(said.effect, "alarm"),
            created_at=self.now,
            title=said.title,
            text=said.text if remedied is None else remedied.safely(said.text),
            urgent=not lifecycle.URGENT.isdisjoint(kinds) and said.effect is not Effect.OVER and not said.past,
            expires_at=self.now + EXPIRES_AFTER,
            room=room,
            data={
                "alarm": kinds[0].value,
                "alarms": [kind.value for kind in kinds],
                "over": [kind.value for kind in said.over],
                "effect": said.effect.value,
                "at": said.at.isoformat(),
                "past": said.past,
                "names": [drying.piece.name for drying in self.room.dryings],
            },
        )


def _with_the_past(live: Said, past: Said) -> Said:
    """What is past, as a sentence in what is to be said about now."""
    behind = [turn for turn in past.turns if turn.kind not in past.over and turn not in live.turns]
    gone = phrase("Past, and no more so: {alarms}.", alarms=titles([turn.kind for turn in behind])) if behind else None
    over = phrase("Over: {alarms}.", alarms=titles(past.over)) if past.over else None
    return live._replace(text=joined(live.text, gone, over), over=past.over)


def once_key(room: OccupiedRoom, kind: AlarmKind) -> str:
    """The key of what is said once of a room that cannot be heated: once for the newest of the pieces there."""
    newest = max((drying.piece.id for drying in room.dryings), default=0)
    return f"alarm/{kind}/{ascii_name(room.name)}/unheated/{newest}"


def ascii_name(name: str) -> str:
    """A room's name as it may stand in a header: other characters as their code points."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else f"_{ord(c):x}_" for c in name)
