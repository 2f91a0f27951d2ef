"""What an alarm says: cause, consequence, what to do, and by when."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from curewatch.records import AlarmKind
from curewatch.studio import conditions
from curewatch.studio.alarms import Effect, Event
from curewatch.studio.conditions import Limits, Occupied
from curewatch.studio.wording import HEATER_CAUTION, Local, age, date, names

_TITLES = {
    AlarmKind.COLD: "too cold for wet paint",
    AlarmKind.FROST: "frost near wet paint",
    AlarmKind.DAMP: "too damp to dry",
    AlarmKind.TOO_FAST: "drying too fast",
    AlarmKind.NO_FRESH_DATA: "no fresh readings",
}


def say(room: Occupied, kind: AlarmKind, event: Event, now: datetime, limits: Limits, local: Local) -> tuple[str, str]:
    """Title and text of a notice about alarm `kind` of `room`."""
    title = f"{room.name}: {_TITLES[kind]}"
    if event.effect is Effect.OVER:
        return f"{title}: over", f"Over since {date(event.at, local, now)}. {_air(room, event.at)}".strip()
    wet = room.wet_at(event.at) or room.dryings
    lines = [_cause(room, kind, event.at, now, limits, local), f"Wet there: {names(wet)}.", _advice(room, kind, limits)]
    if event.effect is Effect.REMINDED:
        return f"Still {title}", " ".join(["Not yet acknowledged.", *lines])
    return title, " ".join(lines)


def _air(room: Occupied, at: datetime) -> str:
    if room.climate is None:
        return ""
    temp, rh = room.climate.at(at.timestamp())
    return f"The room was at {float(temp):.1f} °C, {float(rh):.0f} %."


def _cause(room: Occupied, kind: AlarmKind, at: datetime, now: datetime, limits: Limits, local: Local) -> str:
    since = f"({date(at, local, now)})"
    if kind is AlarmKind.NO_FRESH_DATA:
        return f"Last heard from {room.name}: {age(room.freshest_at, now)}. Dates and warnings rest on old air."
    if kind is AlarmKind.COLD:
        coldest = _coldest(room, at)
        return (
            f"{_air(room, at)} {since} An evaporating film is cooler than its room: the coldest lies at "
            f"{coldest:.1f} °C, below the {limits.cold_mfft_c:g} °C at which its particles can fuse. "
            "It may dry to a film that cracks."
        )
    if kind is AlarmKind.FROST:
        return f"{_air(room, at)} {since} Wet paint that freezes does not recover."
    if kind is AlarmKind.DAMP:
        assert room.climate is not None
        temp, rh = room.climate.at(np.array([at.timestamp()]))
        share = 100 * max(0.0, float(conditions.relative_rate(temp, rh)[0]))
        return f"{_air(room, at)} {since} Wet films dry at {share:.0f} % of their usual rate: every date moves out."
    return f"{_air(room, at)} {since} The skin closes over a wet core, and shrinking crazes it."


def _advice(room: Occupied, kind: AlarmKind, limits: Limits) -> str:
    if kind is AlarmKind.NO_FRESH_DATA:
        return "Look at the sensor, its battery and the broker, or type a reading, today."
    if kind is AlarmKind.COLD:
        return (
            f"Warm the room slowly until the film is above {limits.cold_mfft_c:g} °C (a still room of about "
            f"{limits.cold_mfft_c + 3:g} °C), within the hour if it is still wet. {HEATER_CAUTION}"
        )
    if kind is AlarmKind.FROST:
        return f"Bring the room above 5 °C now, or carry level what can be carried. {HEATER_CAUTION}"
    if kind is AlarmKind.DAMP:
        return f"Dry or warm the air below {limits.damp_rh_pct - limits.deadband_rh_pct:g} %RH within the day."
    return (
        f"Switch fans off, keep sun and heaters off the pieces, aim for {limits.fast_rh_pct + 10:g}-60 %RH "
        f"below {limits.fast_temp_c - 3:g} °C, within the hour."
    )


def _coldest(room: Occupied, at: datetime) -> float:
    assert room.climate is not None
    time_s = np.array([at.timestamp()])
    film = conditions.film_temperatures(room, time_s, *room.climate.at(time_s))[:, 0]
    wet = [i for i, d in enumerate(room.dryings) if conditions.wet_from(d) <= at.timestamp() < room.wet_until(d)]
    return float(film[wet].min() if wet else film.min())
