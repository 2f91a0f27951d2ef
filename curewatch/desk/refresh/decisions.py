"""What a refresh decides, before it is written: alarms with advice, damage, and what people are told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import TypeVar

from curewatch.desk.desk import limits_of
from curewatch.desk.retraction import not_heard
from curewatch.desk.snapshot import snapshot as scene
from curewatch.desk.snapshot.air import future_of
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.language import Words, joined, phrase
from curewatch.notify.routing import due_times, people_channels, round_times
from curewatch.records import (
    Alarm,
    AlarmEvent,
    AlarmKind,
    AlarmState,
    Damage,
    Delivery,
    DeliveryState,
    Forecast,
    MilestoneKind,
    Notice,
)
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio import milestones as milestoning
from curewatch.studio.air import sensors
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.air.sensors import LowBattery
from curewatch.studio.alarms import damage as damages
from curewatch.studio.alarms import evaluation
from curewatch.studio.alarms.alarm_words import titles
from curewatch.studio.alarms.conditions import OF_THE_AIR, OccupiedRoom
from curewatch.studio.alarms.evaluation import RoomEvaluation, evaluate_room
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.alarms.lifecycle import AGAIN, Effect
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning import advice as advising
from curewatch.studio.planning import promises
from curewatch.studio.planning.advice import Advice

_ACTED_ON = (Effect.RAISED, *AGAIN)


PastOf = Callable[[str], Climate | None]
"""By room, as much of its past as an outlook is made of: looked up for the few rooms that something is said of."""


def advised(
    seen: RoomEvaluation, room: OccupiedRoom, climates: Mapping[str, Climate], past_of: PastOf, settings: Settings,
    now: datetime,
) -> RoomEvaluation:  # fmt: skip
    """What was seen of a room, with what the model says that the one thing to do there would change; a few films."""
    drying = None if seen.remedy is None else advising.of_longest(seen.remedy.pieces)
    if seen.remedy is None or drying is None:
        return seen
    could = _tried(drying, climates, past_of, (seen.remedy.change,), settings, now)
    said = advising.gain(could[0], drying.piece.name, now) if could else None
    if said is None:
        return seen
    told = [_and(notice, said) if _asks_for_it(notice) else notice for notice in seen.told]
    changed = [
        _and(alarm, said) if alarm.kind in seen.worded & set(OF_THE_AIR) and alarm.state is AlarmState.ACTIVE else alarm
        for alarm in seen.changed
    ]
    return seen._replace(told=told, changed=changed)


def _tried(
    drying: Drying, climates: Mapping[str, Climate], past_of: PastOf, changes: Sequence[Change], settings: Settings,
    now: datetime,
) -> list[Advice]:  # fmt: skip
    past = past_of(drying.room)
    if past is None or drying.unread(climates) is not None:
        return []
    ahead = future_of(past, settings.forecast.members, settings.forecast.days)
    try:
        return advising.advice(drying, climates, ahead, now, changes, limits_of(settings), settings.forecast.days)
    except ArithmeticError:  # a film that is stuck in its march: what is so must be told all the same
        return []


def _asks_for_it(notice: Notice) -> bool:
    """Whether it tells people to do what is to be done about the room's air."""
    return (
        not notice.data["past"] and notice.data["effect"] in _ACTED_ON and AlarmKind(notice.data["alarm"]) in OF_THE_AIR
    )


_Told = TypeVar("_Told", Notice, Alarm)


def _and(one: _Told, said: Words) -> _Told:
    return one.model_copy(update={"text": joined(one.text, said)})


@dataclass(frozen=True)
class Decided:
    """What watching every room came to."""

    alarms: list[Alarm] = field(default_factory=list)
    history: list[AlarmEvent] = field(default_factory=list)
    damages: list[Damage] = field(default_factory=list)
    told: list[Notice] = field(default_factory=list)
    kept: list[Notice] = field(default_factory=list)
    """Notices that another one tells."""
    low: list[LowBattery] | None = None
    """Batteries that are low; None: the same as before."""

    def __bool__(self) -> bool:
        return bool(self.alarms or self.history or self.damages or self.told or self.low is not None)

    def after(self, snapshot: Snapshot) -> Snapshot:
        """The scene with its alarms as they are now decided to be."""
        alarms = {(alarm.room, alarm.kind): alarm for alarm in (*snapshot.alarms, *self.alarms)}
        return replace(snapshot, alarms=tuple(alarms.values()))


def watch_rooms(
    snapshot: Snapshot,
    settings: Settings,
    forecasts: Mapping[int, Forecast],
    now: datetime,
    past_of: PastOf,
    ahead: Mapping[str, Foreseen] = MappingProxyType({}),
) -> Decided:
    """Judge every alarm of every room with pieces in it, up to `now`. `ahead`: by room, what is foreseen of its air."""
    limits, found = limits_of(settings), Decided()
    foretold = {room: one.kind for room, one in ahead.items() if one.ends_at > now}
    occupied = [replace(room, foretold=foretold.get(room.name)) for room in snapshot.occupied(settings, forecasts)]
    rooms = evaluation.together(occupied, now, limits)
    told: list[Notice] = []
    for room in rooms:
        known = {alarm.kind: alarm for alarm in snapshot.alarms if alarm.room == room.name}
        seen = evaluate_room(room, known, now, limits, damages.newest(snapshot.damages))
        seen = advised(seen, room, snapshot.climates, past_of, settings, now)
        found.alarms.extend(seen.changed)
        found.history.extend(seen.history)
        found.damages.extend(seen.damages)
        told += seen.told
    tell, kept = evaluation.joint_notices(told, rooms, now)
    found.told.extend(tell)
    found.kept.extend(kept)
    return _with_batteries(found, snapshot, settings, now)


def _with_batteries(found: Decided, snapshot: Snapshot, settings: Settings, now: datetime) -> Decided:
    limits = settings.alarms
    low = sensors.low_batteries(snapshot.low, snapshot.heard, limits.battery_low_pct, limits.battery_deadband_pct, now)
    if low == snapshot.low:
        return found
    found.told.extend(sensors.battery_notices(snapshot.low, low, snapshot.heard, now))
    return replace(found, low=list(low))


def write(tx: Transaction, settings: Settings, decided: Decided, now: datetime) -> int:
    """Store what was decided of the rooms, and the notices of it; the number of these that are new."""
    tx.put_alarms(decided.alarms)
    tx.add_alarm_events(decided.history)
    tx.put_damages(decided.damages)
    if decided.low is not None:
        scene.keep(tx, decided.low)
    for notice in decided.kept:
        tx.add_notice(notice, ())
    return sum(_tell(tx, settings, notice) for notice in decided.told)


def _tell(tx: Transaction, settings: Settings, notice: Notice) -> bool:
    """Write a notice of a room, and let go of what waits of it and has nothing more to say."""
    if notice.kind not in ("alarm", "reminder", "alarm_over") or notice.data.get("past"):
        return tx.add_notice(notice, due_times(settings, notice))
    tx.supersede(_answered(tx, notice), notice.created_at, people_channels(settings))
    if notice.kind == "alarm_over":
        return tx.add_notice(notice, due_times(settings, notice) | round_times(settings, notice))
    times = _not_again(tx, settings, notice)
    return tx.add_notice(_no_all_clear_beside(tx, notice, times.keys() & set(people_channels(settings))), times)


def _no_all_clear_beside(tx: Transaction, notice: Notice, people: Collection[str]) -> Notice:
    """`notice` of what stands, with what these people are still to hear is over in that room: by itself that would say
    beside it that nothing needs doing."""
    over = {told.key: told for told in _lately(tx, notice, "alarm_over")}
    waiting = {one.notice.key for one in tx.deliveries(state=DeliveryState.WAITING, keys=over) if one.channel in people}
    tx.supersede(waiting, notice.created_at, people)
    ended = [kind for key in waiting for kind in over[key].data["over"] if kind not in _alarms(notice)]
    if not ended:
        return notice
    over_too = phrase("Over: {alarms}.", alarms=titles([AlarmKind(kind) for kind in dict.fromkeys(ended)]))
    return notice.model_copy(update={"text": joined(notice.text, over_too)})


def _answered(tx: Transaction, notice: Notice) -> list[str]:
    """The keys of earlier notices that this one answers: of what is over, or of a room that is told of anew."""
    kinds = _alarms(notice)
    if AlarmKind.NO_FRESH_DATA in kinds and notice.kind != "alarm_over":
        return []
    earlier = [told for told in _lately(tx, notice, "alarm", "reminder") if told.key != notice.key]
    ended = [told.key for told in earlier if _alarms(told) <= set(notice.data.get("over", ()))]
    if notice.kind == "alarm_over":
        return ended
    # two messages that wait for the same person to wake up would ask for two things
    return ended + [
        told.key
        for told in earlier
        if not (told.urgent or told.data.get("past") or AlarmKind.NO_FRESH_DATA in _alarms(told))
    ]


def _lately(tx: Transaction, notice: Notice, *kinds: str) -> list[Notice]:
    """What was told of its room in the week before, of these kinds."""
    return tx.notices(since=notice.created_at - timedelta(days=7), limit=1000, kinds=kinds, room=notice.room)


def _alarms(notice: Notice) -> set[str]:
    return set(notice.data.get("alarms", [notice.data.get("alarm")]))


def _not_again(tx: Transaction, settings: Settings, notice: Notice) -> dict[str, datetime]:
    """By channel, when it is due; not as quiet hours end what was told before they began."""
    times = due_times(settings, notice)
    evening = [
        told for told in scene.foretold(tx, notice.created_at, notice.room) if told.data["ends_at"] >= notice.data["at"]
    ]
    foretold = {kind for told in evening for kind in (told.data["alarm"], *_WITH.get(told.data["alarm"], ()))}
    if not _alarms(notice) <= foretold:
        return times
    awake = {channel for told in evening for channel, at in due_times(settings, told).items() if at <= told.created_at}
    return {channel: at for channel, at in times.items() if at <= notice.created_at or channel not in awake}


_WITH = {AlarmKind.FROST.value: (AlarmKind.COLD.value,)}
"""A night that was foretold to bring frost was foretold to be cold."""


def milestones_due(
    dryings: Iterable[Drying],
    forecasts: Mapping[int, Forecast],
    kinds: Sequence[MilestoneKind],
    known: Collection[str],
    now: datetime,
) -> list[milestoning.Due]:
    """The milestones that people should hear of and, by the keys that are `known` to be told, have not."""
    found = [
        one
        for drying in dryings
        if (forecast := forecasts.get(drying.piece.id)) is not None
        for one in milestoning.due(drying, forecast, kinds, now)
    ]
    return [one for one in found if not any(key in known for key in one.covering_keys)]


def tell_milestones(
    tx: Transaction,
    settings: Settings,
    due: Sequence[milestoning.Due],
    climates: Mapping[str, Climate],
    now: datetime,
) -> int:
    """Write the notices of milestones that are due, of a series one. The number that are new."""
    written, people = 0, set(people_channels(settings))
    sizes = Counter(piece.series for piece in tx.pieces()) if any(one.drying.piece.series for one in due) else {}
    for alike in milestoning.alike(due):
        one, series = alike[0], alike[0].drying.piece.series
        earlier = _waiting(tx, one, people) if series is not None else []
        before = [name for told in earlier for name in told.notice.data["pieces"]]
        others = list(dict.fromkeys([*before, *(other.drying.piece.name for other in alike[1:])]))
        keys = [key for told in earlier for key in told.notice.data.get("tells", ())] + [other.key for other in alike]
        notice = milestoning.notice(one, now, climates.get(one.drying.room), others, sizes.get(series, 0))
        if series is not None:
            notice = notice.model_copy(update={"data": notice.data | {"tells": list(dict.fromkeys(keys))}})
        tx.supersede(_answered_milestones(tx, alike, {one.drying.piece.name, *others}), now)
        tx.supersede({told.notice.key for told in earlier}, now, people)
        times = due_times(settings, notice) | round_times(settings, notice)
        times |= {told.channel: min(told.next_try_at, times[told.channel]) for told in earlier if told.channel in times}
        if milestoning.is_told_by_a_later_one(one, due):
            times = {channel: at for channel, at in times.items() if channel not in people}
        written += tx.add_notice(notice, not_heard(tx, [other.key for other in alike], times))
        for other in alike[1:]:
            kept = milestoning.notice(other, now)
            tx.add_notice(kept.model_copy(update={"data": kept.data | {"told_in": notice.key}}), ())
    return written


def _waiting(tx: Transaction, due: milestoning.Due, people: Collection[str]) -> list[Delivery]:
    """What still waits to be told to people of the same milestone and odds of the same series."""
    mine = (due.drying.piece.series, due.milestone.kind.value, due.odds)
    return [
        one
        for one in tx.deliveries(state=DeliveryState.WAITING)
        if one.channel in people
        and one.last_error is None
        and one.notice.kind == "milestone"
        and tuple(one.notice.data.get(name) for name in ("series", "milestone", "odds")) == mine
    ]


def _answered_milestones(tx: Transaction, alike: Sequence[milestoning.Due], names: Collection[str]) -> list[str]:
    """The keys of weaker notices that say nothing new any more: those that tell of no other piece too."""
    keys = [key for one in alike for key in milestoning.superseded_keys(one)]
    waiting = tx.deliveries(state=DeliveryState.WAITING, keys=keys) if keys else []
    return [one.notice.key for one in waiting if set(one.notice.data.get("pieces", ())) <= set(names)]


def promise_notices(
    snapshot: Snapshot,
    settings: Settings,
    forecasts: Mapping[int, Forecast],
    told: Collection[str],
    past_of: PastOf,
    now: datetime,
) -> list[Notice]:
    """That pieces promised for a date have come to be at risk, with what would help, or no longer are; of a series
    once, what it tells for the others being marked so."""
    groups: dict[tuple[object, ...], list[promises.News]] = {}
    for one in promises.news(snapshot.dryings, forecasts, told, now):
        groups.setdefault(one.alike, []).append(one)
    found = []
    for some in groups.values():
        first = some[0]
        said: Words = _helps(first, snapshot, settings, past_of, now) if first.stands.at_risk else ""
        notice = promises.notice(some, said, now)
        kept = [promises.notice([other], said, now) for other in some[1:]]
        found += [notice, *(one.model_copy(update={"data": one.data | {"told_in": notice.key}}) for one in kept)]
    return found


def _helps(news: promises.News, snapshot: Snapshot, settings: Settings, past_of: PastOf, now: datetime) -> Words:
    drying, climate = news.drying, snapshot.climates.get(news.drying.room)
    changes = () if climate is None else snapshot.changes(settings, drying.room, climate)
    could = _tried(drying, snapshot.climates, past_of, changes, settings, now)
    return promises.help_in_words(promises.helped(drying, news.forecast, could))
