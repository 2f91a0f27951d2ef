"""Advice beside every alarm that a person can act on: what would help, by how much, computed as it is told."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from curewatch.desk.snapshot.air_outlook import future_of
from curewatch.records import AlarmKind, Notice
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.alarms.evaluation import RoomEvaluation
from curewatch.studio.alarms.lifecycle import Effect
from curewatch.studio.planning import alarm_advice, planner

_ACTED_ON = (Effect.RAISED, Effect.REMINDED, Effect.MUTE_ENDED)


def advised(
    seen: RoomEvaluation, room: OccupiedRoom, climates: Mapping[str, Climate], now: datetime, limits: Limits
) -> RoomEvaluation:
    """What was seen of a room, its notices and alarms with what the model says would help; a few films a notice."""
    told = [_with_advice(notice, room, climates, now, limits) for notice in seen.told]
    words = {before.text: after.text for before, after in zip(seen.told, told, strict=True)}
    changed = [
        alarm.model_copy(update={"text": words[alarm.text]}) if alarm.text in words else alarm for alarm in seen.changed
    ]
    return seen._replace(told=told, changed=changed)


def _with_advice(
    notice: Notice, room: OccupiedRoom, climates: Mapping[str, Climate], now: datetime, limits: Limits
) -> Notice:
    if notice.data.get("past") or notice.data.get("effect") not in _ACTED_ON or room.climate is None:
        return notice
    try:
        ahead = future_of(room.climate, 1, planner.ADVICE_DAYS)
        said = alarm_advice.sentence(AlarmKind(notice.data["alarm"]), room, climates, ahead, now, limits)
    except ArithmeticError:  # a film that is stuck in its march: the warning must go out all the same
        return notice
    return notice if said is None else notice.model_copy(update={"text": f"{notice.text} {said}"})
