"""The one thing to do about a room in which alarms stand: tried in the model, so that done it ends all of them.

Two alarms of one room may each have an answer that feeds the other: warmth against the cold dries a film under a fan
faster still. So what is advised is looked for once a room, for all alarms that stand there together, among few things
that a person can do, the least first; where nothing ends all of them, the worst one decides.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from curewatch.language import Joined, Listed, Message, Percent, Temperature, Words, joined, phrase
from curewatch.physics.evaporation import AIR_SPEED, AIR_SPEED_FLOOR
from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.air.climate import Change, warmed_to
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import BETWEEN, OF_THE_AIR, ON, Limits, OccupiedRoom
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.wording import HEATER_CAUTION, SAFETY

WARMEST_C = 24.0
"""No room is advised to be heated beyond this."""
CARRIED_TO_PCT = (40.0, 60.0)
"""Humidity of a room that is worth carrying a piece to [%]."""
COVERED_PCT = 65.0
"""Humidity that a wet film keeps up under a loose cover [%] [cal]."""
CARRY_CAUTION = phrase("Keep it level: what still flows runs off.")
COVER_CAUTION = phrase("The cover must touch no paint, and leave a gap for the vapour.")
_BY = {
    AlarmKind.FROST: phrase("Now"),
    AlarmKind.COLD: phrase("Within the hour"),
    AlarmKind.TOO_FAST: phrase("Within the hour"),
    AlarmKind.DAMP: phrase("Within the day"),
}


@dataclass(frozen=True)
class Remedy:
    """What a person is asked to do, by when, with what care, and what it makes of the air."""

    lead: AlarmKind
    """The worst of the alarms that it is for."""
    ends: frozenset[AlarmKind]
    """Those that it ends, by the model."""
    change: Change
    do: Message
    """`switch the fan off`"""
    caution: Message | None
    pieces: tuple[Drying, ...] = ()
    """What it is done for."""

    def text(self, by: Message | None = None) -> Words:
        """`Within the hour: switch the fan off.` `by`: another moment by which it is to be done."""
        do = Joined((phrase("{by}: {do}.", by=by or _BY[self.lead], do=self.do),), role="do")
        return joined(do, Joined((self.caution,), role="caution") if self.caution else None)

    def safely(self, text: Words) -> Words:
        """What is told with it, as a message of its own: a heater has its dangers."""
        return joined(text, Joined((SAFETY,), role="caution")) if self.change.heats else text


@dataclass(frozen=True)
class _Measure:
    """Something that can be done."""

    change: Change
    do: Message
    caution: Message | None = None


def remedy(room: OccupiedRoom, standing: Collection[AlarmKind], at: datetime, limits: Limits) -> Remedy | None:
    """What to do about the alarms of the air that are `standing` in `room`; None where none is, or nothing helps."""
    kinds = [kind for kind in OF_THE_AIR if kind in standing]
    if not kinds or room.climate is None or not room.dryings:
        return None
    best: tuple[int, _Measure, frozenset[AlarmKind]] | None = None
    wet = conditions.at_stake(room, kinds, at, limits) or room.dryings
    for measure in _measures(room, wet, kinds, at, limits):
        ended = _ended(room, kinds, at, limits, measure.change)
        if kinds[0] in ended and (best is None or len(ended) > best[0]):
            best = (len(ended), measure, ended)
            if len(ended) == len(kinds):
                break
    if best is None:
        return None
    _, measure, ended = best
    return Remedy(kinds[0], ended, measure.change, measure.do, measure.caution, wet)


def asked_for(room: OccupiedRoom, alarms: Iterable[Alarm], limits: Limits) -> Remedy | None:
    """What people were last told to do about the air of `room`, by the alarms that stand there."""
    standing = [
        one for one in alarms if one.room == room.name and one.state is AlarmState.ACTIVE and one.kind in OF_THE_AIR
    ]
    told = [one.told_at or one.raised_at or one.evaluated_at for one in standing]
    return remedy(room, [one.kind for one in standing], max(told), limits) if told else None


def _ended(
    room: OccupiedRoom, kinds: Collection[AlarmKind], at: datetime, limits: Limits, change: Change
) -> frozenset[AlarmKind]:
    """Which of `kinds` the change ends; none if it would bring on an alarm that does not stand yet: calm alone brings
    on no cold, for it lets a film be warmer, though it may be cold there as it is."""
    codes = {k: int(c[0]) for k, c in conditions.codes(room, np.array([at.timestamp()]), limits, change).items()}
    harmless = (AlarmKind.COLD, AlarmKind.FROST) if change.calms and change.warmer_k == 0 else ()
    if any(code == ON and kind not in kinds and kind not in harmless for kind, code in codes.items()):
        return frozenset()
    return frozenset(kind for kind in kinds if codes[kind] not in (ON, BETWEEN))


def _measures(
    room: OccupiedRoom, wet: tuple[Drying, ...], kinds: Collection[AlarmKind], at: datetime, limits: Limits
) -> Iterator[_Measure]:
    """What can be done there about these, the least first."""
    assert room.climate is not None
    temp, rh = (float(x) for x in room.climate.at(at.timestamp()))
    calm, cover, dry = list(_calm(wet)), _cover(wet), _dry(limits)
    yield from calm
    if not room.heated:
        yield from (cover, dry)
        yield from _carry(room, wet, temp, rh, limits)
        return
    if AlarmKind.COLD not in kinds and AlarmKind.FROST not in kinds:
        yield cover
    warm = list(_warm(temp, limits)) if set(kinds) != {AlarmKind.TOO_FAST} else []  # warmth only hurries a film
    yield from warm
    for first in (*calm, cover):
        yield from (_both(first, one) for one in warm)
    yield dry
    for one in warm:
        change = replace(one.change, name=_and(one.change, dry.change), rh_at_most_pct=dry.change.rh_at_most_pct)
        yield _Measure(change, phrase("{do}, and {more}", do=one.do, more=dry.do), one.caution)


def _dry(limits: Limits) -> _Measure:
    enough = limits.damp_rh_pct - limits.deadband_rh_pct
    to = Percent(enough, of="%RH")
    return _Measure(
        Change(phrase("dried to {rh}", rh=to), rh_at_most_pct=enough), phrase("dry its air to {rh} or less", rh=to)
    )


def _calm(wet: Sequence[Drying]) -> Iterator[_Measure]:
    blown = [drying for drying in wet if drying.is_blown_on]
    if blown:
        fans = any(conditions.under_fan(drying) for drying in blown)
        do = phrase("switch the fan off") if fans else phrase("take {pieces} out of the draught", pieces=names(blown))
        change = Change(
            phrase("fan off") if fans else phrase("out of the draught"), air_speed=AIR_SPEED["still"], calms=True
        )
        yield _Measure(change, do)


def _cover(wet: Sequence[Drying]) -> _Measure:
    change = Change(phrase("covered"), air_speed=AIR_SPEED_FLOOR, calms=True, rh_at_least_pct=COVERED_PCT)
    cover = phrase("cover {pieces} loosely, with a box or a sheet on blocks", pieces=names(wet))
    return _Measure(change, cover, COVER_CAUTION)


def _warm(temp_c: float, limits: Limits) -> Iterator[_Measure]:
    """To as little as might do, and degree by degree further."""
    least = limits.warm_enough_c(AlarmKind.COLD)
    for target in (limits.warm_enough_c(AlarmKind.FROST), *np.arange(least, max(least, WARMEST_C) + 0.5).tolist()):
        if target > temp_c:
            do = phrase("warm the room slowly to {temp} or more", temp=Temperature(target))
            yield _Measure(warmed_to(target), do, HEATER_CAUTION)


def names(dryings: Sequence[Drying]) -> Listed:
    """`Heron`, `Heron and Reed`, `Heron, Reed, Eel and 3 more`."""
    return Listed(tuple(drying.piece.name for drying in dryings))


def _both(first: _Measure, warm: _Measure) -> _Measure:
    change = replace(first.change, name=_and(first.change, warm.change), at_least_c=warm.change.at_least_c)
    return _Measure(change, phrase("{do}, then {more}", do=first.do, more=warm.do), warm.caution)


def _and(one: Change, other: Change) -> Message:
    return phrase("{change} and {more}", change=one.name, more=other.name)


def _carry(
    room: OccupiedRoom, wet: Sequence[Drying], temp_c: float, rh_pct: float, limits: Limits
) -> Iterator[_Measure]:
    """To another room: to one of the studio that would do, by name, else to any that is warm and dry enough."""
    for name, (there_c, there_pct) in sorted(room.elsewhere.items()):
        change = _air_of(phrase("carried to {room}", room=name), temp_c, rh_pct, there_c, there_pct)
        there = phrase(
            "carry {pieces}, level, to {room} ({temp}, {rh} when last read)",
            pieces=names(wet),
            room=name,
            temp=Temperature(there_c),
            rh=Percent(there_pct, of="%RH"),
        )
        yield _Measure(change, there, CARRY_CAUTION)
    dry = float(np.clip(rh_pct, *CARRIED_TO_PCT))
    for warm in np.arange(limits.warm_enough_c(AlarmKind.COLD), WARMEST_C + 0.5).tolist():
        change = _air_of(phrase("carried to {temp}", temp=Temperature(warm)), temp_c, rh_pct, max(warm, temp_c), dry)
        there = phrase(
            "carry {pieces}, level, to a room of {temp} or more and at most {rh}, and pour the next one there",
            pieces=names(wet),
            temp=Temperature(warm),
            rh=Percent(CARRIED_TO_PCT[1], of="%RH"),
        )
        yield _Measure(change, there, CARRY_CAUTION)


def _air_of(name: Message, temp_c: float, rh_pct: float, to_c: float, to_pct: float) -> Change:
    """The change that makes one air the other."""
    warmed = Change(name, warmer_k=to_c - temp_c, air_speed=AIR_SPEED["still"], calms=True)
    rh = float(warmed.of(np.array([temp_c]), np.array([rh_pct]))[1][0])
    return replace(warmed, drier_pct=rh - to_pct)
