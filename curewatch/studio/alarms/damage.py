"""Harm that a film may have taken, counted in hours, and what is at stake in an alarm that warns of it.

Two kinds of harm: below the film-forming temperature while the particles set (they do not fuse, and a warm day later
does not mend that), and below freezing while it was wet. What has been counted is latched: it stays with the piece
until a person has looked it over, and a warmer room takes nothing back. Where the dates between
which it was counted leave less time than that, as after a finding, it is counted once more.

An alarm is of a room and of what lies wet in it. A piece that comes to lie in an alarm that stands already is told at
once, and asks for an answer of its own; a reminder comes as the harm grows, and weekly where it does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.language import Message, Number, Span, Temperature, Value, phrase
from curewatch.physics.air import Array, Flags
from curewatch.records import Alarm, AlarmKind, AlarmState, Damage, MilestoneKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms import conditions, lifecycle
from curewatch.studio.alarms.conditions import OF_THE_AIR, Limits, OccupiedRoom, milestone_s
from curewatch.studio.alarms.lifecycle import Effect, Event
from curewatch.studio.forecasting.drying import Drying

FREEZING_C = 0.0
_NOT_COLD_C = 90.0
"""Of a count in which nothing was cold yet."""
KINDS = (AlarmKind.COLD, AlarmKind.FROST)
EDGE_H = 0.5
"""What a count may have more than the time between the dates: half a step of the record at either end."""
TOLD_FROM_H = 0.25
"""Less than this is within what the air's readings can tell."""
_WHAT = {
    AlarmKind.COLD: phrase("below the film-forming temperature while the film formed"),
    AlarmKind.FROST: phrase("below freezing while it was wet"),
}
_SO = {
    AlarmKind.COLD: phrase("Look it over in raking light for fine cracks before you varnish it."),
    AlarmKind.FROST: phrase("Look for cracks or a crumbling film, and try an edge before you trust it."),
}


def newest(damages: Sequence[Damage]) -> dict[tuple[int, AlarmKind], Damage]:
    """By piece and kind, the count that goes on (or the one a person cleared last)."""
    return {(damage.piece_id, damage.kind): damage for damage in damages}


def counted(
    room: OccupiedRoom, known: Mapping[tuple[int, AlarmKind], Damage], since: datetime, now: datetime, limits: Limits
) -> list[Damage]:
    """The counts that have grown with the room's record up to `now`.

    `known`: the newest count of each piece and kind. A piece without one is counted from `since` on, up to which the
    room has been watched, or from its pour if that is later.
    """
    if room.climate is None or not room.dryings:
        return []
    known = dict(known)
    outgrown = {
        (drying.piece.id, kind): recounted(before, drying.pour.at)
        for drying in room.dryings
        for kind in KINDS
        if (before := known.get((drying.piece.id, kind))) is not None and _is_outgrown(room, drying, before)
    }
    known.update(outgrown)
    keys = [(drying.piece.id, kind) for drying in room.dryings for kind in KINDS]
    begins = [known[key].counted_until if key in known else since for key in keys]
    times = room.climate.moments(min(begins).timestamp() - 1, now.timestamp())
    if len(times) < 2:
        return []
    grown = dict(outgrown)
    for drying, film_c in _film_temperatures(room, room.climate, times):
        for kind in KINDS:
            before = known.get((drying.piece.id, kind))
            begin = (before.counted_until if before else since).timestamp()
            harmed = _harmed(room, drying, kind, times, film_c, limits)
            if (found := _grown(drying, kind, before, times, film_c, harmed, begin)) is not None:
                grown[drying.piece.id, kind] = found
    return list(grown.values())


def _film_temperatures(room: OccupiedRoom, climate: Climate, time_s: Array) -> Iterator[tuple[Drying, Array]]:
    """Each piece with its film's temperature at each moment [°C]; so many pieces at once as memory is bounded for."""
    temp_c, rh_pct = climate.at(time_s)
    at_once = max(1, conditions.AT_ONCE // len(time_s))
    for i in range(0, len(room.dryings), at_once):
        part = replace(room, dryings=room.dryings[i : i + at_once])
        yield from zip(part.dryings, conditions.film_temperatures(part, time_s, temp_c, rh_pct), strict=True)


def _harmed(room: OccupiedRoom, drying: Drying, kind: AlarmKind, time_s: Array, film_c: Array, limits: Limits) -> Flags:
    """At which moments the film is cold in a state in which cold harms it."""
    begin, end = _between(room, drying, kind, conditions.wet_from(drying))
    most_c = FREEZING_C if kind is AlarmKind.FROST else limits.cold_mfft_c
    return (film_c < most_c) & (time_s >= begin) & (time_s < end)


def _between(room: OccupiedRoom, drying: Drying, kind: AlarmKind, wet_from_s: float) -> tuple[float, float]:
    """From when to when harm of that kind can be taken, by the dates that people are shown [s]."""
    forecast = room.forecasts.get(drying.piece.id)
    begin = 0.0 if kind is AlarmKind.FROST else milestone_s(forecast, MilestoneKind.SET, safe=False)
    return max(begin, wet_from_s), milestone_s(forecast, MilestoneKind.TOUCH_DRY, safe=True)


def _is_outgrown(room: OccupiedRoom, drying: Drying, damage: Damage) -> bool:
    """Whether more was counted than there is time for between the dates as they are now."""
    if damage.cleared_at is not None:
        return False
    begin, end = _between(room, drying, damage.kind, drying.pour.at.timestamp())
    since = min(end, damage.counted_until.timestamp()) - damage.began_at.timestamp()
    return damage.hours > max(min(end - begin, since), 0.0) / 3600 + EDGE_H


def _grown(
    drying: Drying,
    kind: AlarmKind,
    before: Damage | None,
    time_s: Array,
    film_c: Array,
    harmed: Flags,
    begin_s: float,
) -> Damage | None:
    """`before` with what came after `begin_s` [s]; None if that was nothing. Between two moments half counts."""
    # a moment is the mean of a few minutes and moves while they fill: what was counted before is cut off
    steps = np.diff(np.maximum(time_s, begin_s)) * (harmed[1:].astype(float) + harmed[:-1]) / 2
    hours = float(steps.sum()) / 3600
    if hours <= 0:
        return None
    cold = harmed & (time_s >= begin_s - 1)
    worst = float(film_c[cold].min()) if cold.any() else float(film_c[harmed].min())
    until = datetime.fromtimestamp(float(time_s[-1]), UTC)
    if before is None or before.cleared_at is not None or not before.hours:
        began = datetime.fromtimestamp(float(time_s[harmed.argmax()]), UTC)
        return Damage(
            piece_id=drying.piece.id, kind=kind, hours=hours, worst_c=worst, began_at=began, counted_until=until
        )
    grown = {"hours": before.hours + hours, "worst_c": min(before.worst_c, worst), "counted_until": until}
    return before.model_copy(update=grown)


def recounted(damage: Damage, poured_at: datetime) -> Damage:
    """The count, to be made once more from a pour on of which something else is known now."""
    anew = {"hours": 0.0, "worst_c": _NOT_COLD_C, "began_at": poured_at, "counted_until": poured_at}
    return damage.model_copy(update=anew)


def stands(damage: Damage) -> bool:
    """Whether it is shown: enough to matter, and not cleared."""
    return damage.cleared_at is None and damage.hours >= TOLD_FROM_H


def in_words(damage: Damage) -> Message:
    """`4.2 h below the film-forming temperature while the film formed, at the coldest 6.1 °C. …`"""
    return phrase(
        "{harm}, at the coldest {temp}. {look}",
        harm=length_and_what(damage),
        temp=Temperature(damage.worst_c, 1),
        look=_SO[damage.kind],
    )


def length_and_what(damage: Damage) -> Message:
    length: Value = Span(timedelta(hours=damage.hours))
    if damage.hours < 10:
        length = phrase("{hours} h", hours=Number(damage.hours, 1))
    return phrase("{length} {what}", length=length, what=_WHAT[damage.kind])


GROWN, GROWN_H = 2.0, 1.0
"""Harm has grown when it is so many times what was last told, and so many hours more."""
_TOLD = (Effect.RAISED, Effect.REMINDED, Effect.MUTE_ENDED)


def with_stakes(
    room: OccupiedRoom, after: Alarm, events: list[Event], harm_h: float, now: datetime, limits: Limits
) -> tuple[Alarm, list[Event]]:
    """The alarm and what happened to it, with what is at stake in it at `now`. `harm_h`: what it has done so far."""
    if after.state is AlarmState.PENDING:
        lying = conditions.at_stake(room, [after.kind], now, limits)
        return after.model_copy(update={"at_stake": tuple(sorted(one.piece.id for one in lying))}), events
    if after.state is not AlarmState.ACTIVE or after.is_muted(now):
        return after, events
    told = after.model_copy(update={"told_at": now, "told_harm_h": harm_h})
    if after.at_stake is None or any(event.effect in _TOLD for event in events):
        lying = conditions.at_stake(room, [after.kind], now, limits)
        return told.model_copy(update={"at_stake": _with(after, lying)}), events
    if after.kind is not AlarmKind.NO_FRESH_DATA and not conditions.is_fresh(room, now, limits):
        return after, events
    if new := newcomers(room, after, now, limits):
        anew = {"at_stake": _with(after, new), "acknowledged_at": None, "reminded_at": None}
        return told.model_copy(update=anew), [*events, Event(Effect.JOINED, now)]
    if _has_grown(after, harm_h) and lifecycle.may_remind(after, now, limits.reminder):
        return told.model_copy(update={"reminded_at": now}), [*events, Event(Effect.REMINDED, now)]
    return after, events


Judged = dict[AlarmKind, tuple[Alarm, list[Event]]]


def reminded_together(judged: Judged, harm_h: Mapping[AlarmKind, float], now: datetime) -> Judged:
    """The alarms of a room's air, where one is due to be told again: then all that stand are, and none soon after."""
    if not any(event.effect is Effect.REMINDED for kind in OF_THE_AIR for event in judged[kind][1]):
        return judged
    found = dict(judged)
    for kind in OF_THE_AIR:
        alarm, events = judged[kind]
        stands = alarm.state is AlarmState.ACTIVE and alarm.acknowledged_at is None
        if stands and not events and not alarm.is_muted(now):
            told = {"told_at": now, "reminded_at": now, "told_harm_h": harm_h[kind]}
            again = alarm.model_copy(update=told)
            found[kind] = (again, [Event(Effect.REMINDED, now)])
    return found


def newcomers(room: OccupiedRoom, alarm: Alarm, now: datetime, limits: Limits) -> list[Drying]:
    """The pieces at risk of which people have not been told."""
    known = alarm.at_stake or ()
    new = [drying for drying in room.wet_at(now, alarm.kind) if drying.piece.id not in known]
    return [drying for drying in new if _at_risk(room, drying, alarm.kind, now, limits)]


def _with(alarm: Alarm, more: Sequence[Drying]) -> tuple[int, ...]:
    return tuple(sorted({*(alarm.at_stake or ()), *(drying.piece.id for drying in more)}))


def _at_risk(room: OccupiedRoom, drying: Drying, kind: AlarmKind, now: datetime, limits: Limits) -> bool:
    """Whether the alarm's condition holds for this piece by itself, or has not quite gone."""
    if kind is AlarmKind.NO_FRESH_DATA or room.climate is None:
        return True
    return conditions.is_or_was_on(replace(room, dryings=(drying,)), kind, now, limits)


def harm_of(room: OccupiedRoom, kind: AlarmKind, counts: Mapping[tuple[int, AlarmKind], Damage]) -> list[Damage]:
    """The harm of that kind which pieces in the room have taken, and which stands."""
    found = [counts.get((drying.piece.id, kind)) for drying in room.dryings]
    return [one for one in found if one is not None and stands(one)]


def _has_grown(alarm: Alarm, harm_h: float) -> bool:
    """After the first reminder, which comes in any case."""
    told = alarm.told_harm_h
    return alarm.reminded_at is not None and harm_h >= max(GROWN * told, told + GROWN_H)
