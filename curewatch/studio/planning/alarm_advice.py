"""What would help a piece that an alarm is about, and by how much: computed by the model when the alarm is raised.

Each kind of alarm has its own changes, and of these only such are told as do not make worse what the alarm warns of:
a fan dries the air over a film, and thereby cools it, so it is no answer to cold; whatever speeds up the drying is
none to drying too fast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from curewatch.physics.evaporation import AIR_SPEED
from curewatch.records import AlarmKind, MilestoneKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.outlook.scenarios import RoomScenarios
from curewatch.studio.planning import planner
from curewatch.studio.planning.planner import DRIER_PCT, FAN_CAUTION, FAN_M_S, FELT_H, WARMER_K, Advice, Change, sooner

CALMER = 0.95
"""A change calms the drying if water leaves less than so many times as fast at once [-]."""
_FAN = Change("a fan now", air_speed=FAN_M_S)
_TOLD = (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)


def changes(kind: AlarmKind, temp_c: float, rh_pct: float, limits: Limits) -> tuple[Change, ...]:
    """What a person might do about an alarm of this kind, in a room of this air."""
    if kind in (AlarmKind.COLD, AlarmKind.FROST):
        warm = limits.warm_enough_c(kind)
        return (Change(f"warmed to {warm:g} °C", warmer_k=warm - temp_c),) if warm > temp_c else ()
    if kind is AlarmKind.DAMP:
        enough = min(limits.damp_rh_pct - limits.deadband_rh_pct, rh_pct - DRIER_PCT)
        return (
            Change(f"dried to {enough:.0f} %RH", drier_pct=rh_pct - enough),
            Change(f"{WARMER_K:g} K warmer", warmer_k=WARMER_K),
            _FAN,
        )
    if kind is AlarmKind.TOO_FAST:
        damper = max(limits.fast_rh_pct + 10.0, rh_pct + DRIER_PCT)
        return (
            Change("fans off", air_speed=AIR_SPEED["still"], calms=True),
            Change(f"damped to {damper:.0f} %RH", drier_pct=rh_pct - damper),
            Change(f"{WARMER_K:g} K cooler", warmer_k=-WARMER_K),
        )
    return ()


def helps(kind: AlarmKind, one: Advice) -> bool:
    """Whether a change does some good to the piece, and none of the harm that the alarm warns of."""
    if one.chills_to_c is not None:
        return False
    if kind is AlarmKind.TOO_FAST:
        gaps = one.skin_gap_h, one.skin_gap_now_h
        closer = gaps[0] is None or gaps[1] is None or gaps[0] <= gaps[1] + FELT_H
        return one.rate_ratio < CALMER and closer
    handle = one.hours.get(MilestoneKind.HANDLE)
    return MilestoneKind.HANDLE in one.reached_only_so or (handle is not None and handle <= -FELT_H)


def sentence(
    kind: AlarmKind,
    room: OccupiedRoom,
    climates: Mapping[str, Climate],
    ahead: RoomScenarios | None,
    now: datetime,
    limits: Limits,
) -> str | None:
    """`By the model, for Heron: a fan now: handle 5 h sooner, soft under its skin 2 h longer.` None: nothing helps."""
    # the piece that has the longest way to go: the one poured last of those that are wet
    drying = max(room.wet_at(now), key=lambda one: (one.pour.at, one.piece.id), default=None)
    if drying is None or room.climate is None or drying.unread(climates) is not None:
        return None
    options = changes(kind, float(room.climate.temp_c[-1]), float(room.climate.rh_pct[-1]), limits)
    if not options:
        return None
    good = [one for one in planner.advice(drying, climates, ahead, now, options) if helps(kind, one)]
    return in_words(drying.piece.name, good)


def in_words(name: str, good: Sequence[Advice]) -> str | None:
    """What each of these changes comes to for the piece."""
    said = [told for one in good if (told := _effect(one))]
    if not said:
        return None
    fan = f" {FAN_CAUTION}" if any(one.change.air_speed == FAN_M_S for one in good) else ""
    return f"By the model, for {name}: {'; '.join(said)}.{fan}"


def _effect(one: Advice) -> str | None:
    parts = [
        f"{kind.value.replace('_', '-')} {sooner(hours)}"
        for kind in _TOLD
        if (hours := one.hours.get(kind)) is not None and abs(hours) >= FELT_H
    ]
    parts += [f"{kind.value.replace('_', '-')} is reached at all" for kind in one.reached_only_so if kind in _TOLD]
    if parts and one.rate_ratio < CALMER:
        parts.append(f"water leaves {one.rate_ratio:.1f} times as fast")
    if one.skin_gap_h is not None and one.skin_gap_now_h is not None:
        wider = one.skin_gap_h - one.skin_gap_now_h
        longer = "longer" if wider > 0 else "less long"
        parts += [f"soft under its skin {abs(wider):.0f} h {longer}"] if abs(wider) >= 1.0 else []
    return f"{one.change.name}: {', '.join(parts)}" if parts else None
