"""Faults of sensors put into recorded rooms: how many are found, how often a sound sensor is accused, what it costs."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from curewatch.records import AlarmHappening, AlarmKind, MilestoneKind, Piece, Pour, Recipe, Stay, ThicknessSource
from curewatch.studio.air.climate import Climate, climate_from
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.air.quality import examined
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.alarms.evaluation import evaluate_room
from curewatch.studio.forecasting import forecast as forecasting
from curewatch.studio.forecasting.drying import Drying
from tests.core.sensor_injector import ALONE, BESIDE, DAY_S, FINELY, SPAN_D, STEPS, Fault, recorded, stretch

LONG = True
"""A few minutes."""
SEED = 20261120
TIMES = 6
"""Each fault is put so often into each room."""
DATED = 2
"""Of these, so many are forecast too."""
JUDGED = (Flaw.STUCK, Flaw.IMPOSSIBLE, Flaw.DRIFT, Flaw.SILENT)
AIRS = (AlarmKind.COLD, AlarmKind.FROST, AlarmKind.DAMP, AlarmKind.TOO_FAST)
LATE_S = 3600.0


def lines() -> Iterator[Mapping[str, Any]]:
    yield from accused()
    yield from put_in()


def _line(name: str, value: float, unit: str, **more: object) -> dict[str, Any]:
    return {"name": f"sensors: {name}", "value": value, "unit": unit, "baseline": None, "ratio": None, **more}


# --- sound sensors ---


def accused() -> Iterator[Mapping[str, Any]]:
    """Every whole record, as sensors of each fineness would have told it, and in weeks as one or two sensors."""
    for steps in STEPS:
        found, sure, days = Counter[str](), 0, 0.0
        for _, room in recorded():
            whole = stretch(room, room.epoch_s[0], 1e4, steps)
            days += (room.epoch_s[-1] - room.epoch_s[0]) / DAY_S
            judged = [one for one in examined(whole)[1] if one.flaw in JUDGED]
            found.update(one.flaw.value for one in judged)
            sure += sum(one.sure for one in judged)
        yield _line(
            f"sound, alone, in steps of {steps[0]:g} °C and {steps[1]:g} %: findings", sum(found.values()), "findings",
            sensor_days=round(days), alarms=sure, **found,
        )  # fmt: skip
        found, weeks = Counter[str](), 0
        for _, room in recorded():
            for week in range(int((room.epoch_s[-1] - room.epoch_s[0]) / DAY_S / SPAN_D)):
                two = stretch(room, room.epoch_s[0] + week * SPAN_D * DAY_S, SPAN_D, steps, sensors=2)
                found.update(one.flaw.value for one in examined(two)[1] if one.flaw in JUDGED)
                weeks += 1
        yield _line(
            f"sound, two in a room, in steps of {steps[0]:g} °C and {steps[1]:g} %: findings", sum(found.values()),
            "findings", spans=weeks, span_days=SPAN_D, **found,
        )  # fmt: skip


# --- broken sensors ---


def put_in() -> Iterator[Mapping[str, Any]]:
    chance = random.Random(SEED)
    for sensors, injectors in ((1, ALONE), (2, BESIDE)):
        total = Counter[str]()
        moved: list[float] = []
        for inject in injectors:
            count = Counter[str]()
            name = ""
            for _, room in recorded():
                for time in range(TIMES):
                    last = float(room.epoch_s[-1]) - SPAN_D * DAY_S
                    steps = STEPS[time % (FINELY if sensors == 1 else len(STEPS))]
                    sound = stretch(room, chance.uniform(float(room.epoch_s[0]), last), SPAN_D, steps, sensors)
                    fault = inject(sound, chance)
                    name = fault.name
                    count.update(_told(fault, sound_climate := climate_from(sound)))
                    if time < DATED and fault.flaw is not Flaw.STUCK:
                        moved += _dates_moved(sound_climate, climate_from(fault.readings))
            total += count
            yield _line(f"{name}, {_beside(sensors)}: found", count["found"], "faults", **_counts(count))
        yield _line(f"all faults, {_beside(sensors)}: found", total["found"], "faults", seed=SEED, **_counts(total))
        yield _line(
            f"impossible, drifting or silent, {_beside(sensors)}: most that a date moved", max(moved, default=0.0), "h",
            dates=len(moved), mean_h=round(sum(moved) / max(1, len(moved)), 2),
        )  # fmt: skip


def _beside(sensors: int) -> str:
    return "alone" if sensors == 1 else "beside another"


def _counts(count: Counter[str]) -> dict[str, int]:
    return {
        key: count[key] for key in ("put_in", "others_named", "alarms_missed", "alarms_missed_untold", "alarms_false")
    }


def _told(fault: Fault, sound: Climate | None) -> Counter[str]:
    climate = climate_from(fault.readings)
    _, findings = examined(fault.readings)
    mine = [one for one in findings if one.flaw in JUDGED and one.flaw is fault.flaw]
    found = any(one.since_s <= fault.since_s + LATE_S for one in mine if one.source == "shelf" or one.others == 1)
    wrong = [one for one in findings if one.flaw in JUDGED and one not in mine]
    was, now = _alarms(sound), _alarms(climate)
    missed = (was - now) & set(AIRS)
    told = AlarmKind.NO_FRESH_DATA in now
    return Counter(
        put_in=1,
        found=int(found),
        others_named=len(wrong),
        alarms_missed=len(missed),
        alarms_missed_untold=0 if told else len(missed),
        alarms_false=len((now - was) & set(AIRS)),
    )


def _drying(climate: Climate) -> Drying:
    at = datetime.fromtimestamp(float(climate.time_s[0]) + DAY_S, UTC)
    pour = Pour(piece_id=1, at=at, wet_thickness_m=1.2e-3, thickness_source=ThicknessSource.GAUGE, recipe="river white")
    stay = Stay(piece_id=1, room="Boat shed", since=at)
    return Drying(Piece(id=1, name="Tern", created_at=at), pour, Recipe(name="river white"), (stay,))


def _alarms(climate: Climate | None) -> set[AlarmKind]:
    """The alarms of a piece that is wet through the whole record, looked at every six hours and at its end."""
    if climate is None:
        return {AlarmKind.NO_FRESH_DATA}
    drying, limits = _drying(climate), Limits()
    here = OccupiedRoom("Boat shed", (drying,), {}, climate, has_sensor=True)
    end = datetime.fromtimestamp(float(climate.time_s[-1]), UTC)
    seen = evaluate_room(here, {}, end + timedelta(minutes=5), limits, lambda at: at)
    alarms = {one.kind: one for one in seen.changed}
    later = evaluate_room(here, alarms, end + timedelta(minutes=90), limits, lambda at: at) if here.doubted else seen
    events = [*seen.history, *later.history]
    return {one.kind for one in events if one.happening is AlarmHappening.RAISED}


def _dates_moved(sound: Climate | None, broken: Climate | None) -> list[float]:
    """Hours between the dates by a sound sensor and by the broken one, of each milestone that is safe to assume."""
    if sound is None or broken is None:
        return []
    drying = _drying(sound)
    now = datetime.fromtimestamp(float(sound.time_s[-1]), UTC)
    dates = []
    for climate in (sound, broken):
        (made,) = forecasting.forecasts([drying], {"Boat shed": climate}, now, members=4, days=60)
        dates.append({one.kind: one.safe_at for one in made.milestones})
    pairs = [(dates[0].get(kind), dates[1].get(kind)) for kind in (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)]
    return [abs((a - b).total_seconds()) / 3600 for a, b in pairs if a is not None and b is not None]
