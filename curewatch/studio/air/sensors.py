"""What a room's sensors do wrong: steady errors, values that no room has, standing still, drifting, falling silent; and
their batteries.

Steady errors. An instrument that says `y` in a room of `x` is off by y - x, and goes on being off by that:
N(0, a^2), a its accuracy. One alone tells nothing of its error. Several in one room do: beside each other their levels
L_i differ by their errors alone, so the room is at the weighed mean of them,

    m = sum(L_i/v_i) / sum(1/v_i),   v_i = a_i^2 + looks,   sd^2 = 1/sum(1/v_i) max(1, chi^2/QUARREL),

the conditional of the room given independent errors; chi^2 = sum((L_i - m)^2/v_i)/(n - 1) widens it where instruments
differ by far more than they should (after Birge 1932, Phys. Rev. 40:207). What a finger and a scale tell of the same
error comes on top, in studio/learning.

Batteries. A charge rises and falls with the cold, and some sensors send a single 0 among the rest. So it counts as low
once it has been for an hour, and as good again only a deadband higher.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from curewatch.language import Percent, phrase
from curewatch.physics.air import Array, Flags
from curewatch.physics.ensemble import AIR_RH_SD, AIR_TEMP_SD_K
from curewatch.records import Notice, Reading
from curewatch.records.facts import Moment, Name, Record
from curewatch.studio.air.flaws import QUANTITIES, Finding, Flaw

USUAL = (AIR_TEMP_SD_K, 100 * AIR_RH_SD)
"""Accuracy of a cheap sensor, or of what is typed [°C, %]."""
BESIDE = (0.1, 0.5)
"""How far air differs between two instruments of a room [°C, %]: common practice, no source."""
LOOKED = (0.5, 2.0)
"""What one look at a thermometer is off by, beside its steady error: whole steps, a hand near it [°C, %]: common
practice, no source. More looks make less of it."""
QUARREL = 4.0
"""Differing by more than two standard deviations, one of them must be worse than it says."""
MOVED = (0.1, 0.5)
"""An error that comes out otherwise by less [°C, %]..."""
WIDENED = 1.15
"""...and no wider or narrower than by this factor is the same one: for each other one all is forecast again."""
Accuracy = tuple[float, float]
"""1 sd [°C, %]."""


@dataclass(frozen=True)
class Level:
    """One instrument beside the room's record, in one quantity."""

    source: str
    quantity: str
    above: float
    """By how much it says more than the record, steadily [°C, %]."""
    looks: int = 0
    """How often it was looked at beside others; 0: it is part of the record."""


@dataclass(frozen=True)
class ReadError:
    """What is to be added to a room's air as it was read, and how well that is known: (temperature, humidity)."""

    off: tuple[float, float] = (0.0, 0.0)
    """[°C, %]"""
    sd: tuple[float, float] = USUAL
    """[°C, %]"""
    by: str = ""
    """Hash of the instruments it was made of and their accuracies."""

    def settled(self, before: ReadError | None) -> ReadError:
        """The one from before, where this hardly differs and comes from the same instruments."""
        if before is None or before.by != self.by:
            return self
        moved = any(abs(a - b) >= far for a, b, far in zip(self.off, before.off, MOVED, strict=True))
        ratios = [a / b for a, b in zip(self.sd, before.sd, strict=True)]
        return self if moved or any(not 1 / WIDENED < ratio < WIDENED for ratio in ratios) else before


def read_error(levels: Iterable[Level], accuracy: Callable[[str], Accuracy]) -> ReadError:
    """The steady error of a room's record, by its instruments."""
    known = list(levels)
    found = [_of_one(known, quantity, accuracy, which) for which, quantity in enumerate(QUANTITIES)]
    some = repr([(name, *accuracy(name)) for name in sorted({one.source for one in known})])
    by = hashlib.sha256(some.encode()).hexdigest()[:16]
    return ReadError((found[0][0], found[1][0]), (found[0][1], found[1][1]), by)


def _of_one(levels: list[Level], quantity: str, accuracy: Callable[[str], Accuracy], which: int) -> Accuracy:
    """What is to be added, and its sd [°C, %]."""
    some = [one for one in levels if one.quantity == quantity]
    if not some:
        return 0.0, USUAL[which]
    alone = len(some) == 1
    variance = np.array(
        [
            accuracy(one.source)[which] ** 2
            + (0.0 if alone else BESIDE[which] ** 2)
            + (LOOKED[which] ** 2 / one.looks if one.looks else 0.0)
            for one in some
        ]
    )
    above = np.array([one.above for one in some])
    weight = 1 / variance
    middle = float((weight * above).sum() / weight.sum())
    odd = 1.0 if alone else max(1.0, float((weight * (above - middle) ** 2).sum()) / (len(some) - 1) / QUARREL)
    least = 0.0 if alone else BESIDE[which]  # however many there are
    return round(middle, 3), round(max(float(np.sqrt(odd / weight.sum())), least), 3)


HOUR_S = 3600.0
ROOM_TEMP_C = (-40.0, 60.0)
"""What a room with paint in it can be [°C]; as typed temperatures may be. A digital sensor that has just been switched
on, or has lost its wire, sends 85; whatever offset is set for it, that stays out."""
ROOM_RH_PCT = (0.5, 100.0)
"""The same [%]. No room is at 0 %: the coldest winter air, warmed to 22 °C, is at about one."""
SATURATED_PCT, SATURATED_FROM_PCT, SATURATED_WITHIN_S = 99.95, 75.0, 3900.0
"""From no more than this [%] to the very end of the scale within this time [s] is a wet or broken sensor, no room: it
is not believed until it comes down again. A room that grows damp by and by is."""
FINEST = {"temp_c": 0.12, "rh_pct": 0.25}
COARSE = {"temp_c": 0.6, "rh_pct": 1.1}
"""Smallest steps [°C, %] up to which a sensor speaks finely, or coarsely; beyond that, very coarsely."""
STILL_H = {"temp_c": (48.0, 168.0, 336.0), "rh_pct": (12.0, 72.0, 168.0)}
"""One quantity alone is stuck after so many hours: of a sensor that speaks finely, coarsely, very coarsely."""
BOTH_STILL_H = (12.0, 36.0, 168.0)
"""Both together, by the coarser of the two."""
BESIDE_H, BESIDE_MOVED = 6.0, {"temp_c": 3.0, "rh_pct": 10.0}
"""So many hours suffice while another sensor of the room moved by this much [°C, %]."""
LEAST_READINGS = 24


def impossible(temp_c: Array, rh_pct: Array) -> Flags:
    """Which readings no room can have been; NaN is possible. Of such a reading neither quantity is to be believed:
    humidity is worked out with the temperature."""
    with np.errstate(invalid="ignore"):
        cold, hot = temp_c < ROOM_TEMP_C[0], temp_c > ROOM_TEMP_C[1]
        return np.asarray(cold | hot | (rh_pct < ROOM_RH_PCT[0]) | (rh_pct > ROOM_RH_PCT[1]))


def jumped_to_the_end(epoch_s: Array, rh_pct: Array) -> Flags:
    """Which humidities of one source (none NaN) lie at the end of the scale, having got there at one leap."""
    at_end = rh_pct >= SATURATED_PCT
    begins = np.flatnonzero(at_end[1:] & ~at_end[:-1]) + 1
    leaps = (rh_pct[begins - 1] <= SATURATED_FROM_PCT) & (epoch_s[begins] - epoch_s[begins - 1] <= SATURATED_WITHIN_S)
    found = np.zeros(len(rh_pct), dtype=bool)
    for begin in begins[leaps].tolist():
        down = np.flatnonzero(~at_end[begin:])
        found[begin : begin + int(down[0]) if len(down) else len(rh_pct)] = True
    return found


def grade(values: Array, quantity: str) -> int | None:
    """How finely a sensor speaks: 0 finely, 1 coarsely, 2 very coarsely; None where it has never moved."""
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-9]
    if not len(steps):
        return None
    smallest = float(np.quantile(steps, 0.05))
    return int(smallest > FINEST[quantity]) + int(smallest > COARSE[quantity])


def standstills(epoch_s: Array, values: Array, hours: float, *, sure: bool) -> Iterator[Finding]:
    """Every stretch of at least `hours` and LEAST_READINGS in which `values` (none NaN; in columns) stayed the same."""
    if len(epoch_s) < LEAST_READINGS:
        return
    changes = np.flatnonzero((np.diff(values, axis=0) != 0).any(axis=1)) + 1
    begins, ends = np.append(0, changes), np.append(changes, len(epoch_s))
    long = (epoch_s[ends - 1] - epoch_s[begins] >= hours * HOUR_S) & (ends - begins >= LEAST_READINGS)
    for begin, end in zip(begins[long].tolist(), ends[long].tolist(), strict=True):
        since_s, until_s = float(epoch_s[begin]), float(epoch_s[end - 1])
        yield Finding(Flaw.STUCK, since_s, until_s, after_s=hours * HOUR_S, sure=sure)


def stuck(epoch_s: Array, values: Array, quantity: str, others: list[tuple[Array, Array]]) -> list[Finding]:
    """Where one quantity of one source was stuck. `others`: times and values of it by the room's other sensors."""
    found = []
    for still in standstills(epoch_s, values[:, None], BESIDE_H, sure=True):
        fine = grade(values, quantity)
        limit_h = STILL_H[quantity][1 if fine is None else fine]
        if still.until_s - still.since_s >= limit_h * HOUR_S:
            found.append(replace(still, after_s=limit_h * HOUR_S, sure=fine == 0))
        elif _moved_beside(still, others, BESIDE_MOVED[quantity]):
            found.append(still)
    return found


def _moved_beside(still: Finding, others: list[tuple[Array, Array]], enough: float) -> bool:
    """Whether another sensor went so far from one middle value to another: its single spikes count for nothing."""
    for epoch_s, values in others:
        there = values[(epoch_s >= still.since_s) & (epoch_s <= still.until_s)]
        if len(there) < LEAST_READINGS or np.ptp(there) < enough:
            continue  # its quantiles lie no further apart
        if np.ptp(np.quantile(there, [0.05, 0.95])) >= enough:
            return True
    return False


def both_stuck(epoch_s: Array, temp_c: Array, rh_pct: Array) -> list[Finding]:
    """Where both quantities of one source, read together, were stuck together."""
    both = np.column_stack([temp_c, rh_pct])
    if not any(standstills(epoch_s, both, min(BOTH_STILL_H), sure=False)):
        return []  # nearly always
    grades = grade(temp_c, "temp_c"), grade(rh_pct, "rh_pct")
    limit_h = BOTH_STILL_H[max(1 if one is None else one for one in grades)]
    return list(standstills(epoch_s, both, limit_h, sure=grades == (0, 0)))


DAY_S = 86400.0
DRIFTED = {"temp_c": 1.5, "rh_pct": 6.0}
"""So far apart from where it was against the others [°C, %]: about twice what cheap sensors are specified to (±0.3 to
0.5 °C, ±2 to 3 %; from data sheets' usual figures, no source)."""
DAYS_LEAST, READINGS_A_DAY = 4, 12
ONE_WAY = 0.8
"""Of all pairs of days, the share in which the later lies further along. A drift goes one way; weather goes to and fro.
Chance gives 0.5."""
SILENT_INTERVALS, SILENT_LEAST_S, SILENT_MOST_S = 4.0, 2 * 3600.0, 3 * DAY_S
"""A sensor is silent beside others after so many of its usual intervals, and at least so long [s]; after the longest it
counts as taken away."""


def drift(epoch_s: Array, apart: Array, quantity: str) -> float | None:
    """How far a source has moved away from the others over the record [°C, %]; None where it has not.

    `apart`: its value less the middle of the others', NaN where either is missing.
    """
    known = np.isfinite(apart)
    values = apart[known]
    if len(values) < DAYS_LEAST * READINGS_A_DAY:
        return None
    days, begins, counts = np.unique(np.floor(epoch_s[known] / DAY_S), return_index=True, return_counts=True)
    often = counts >= READINGS_A_DAY
    seen = days[often]
    if len(seen) < DAYS_LEAST:
        return None
    ends = begins + counts  # readings are in time order
    daily = np.array([np.median(values[begins[i] : ends[i]]) for i in np.flatnonzero(often)])
    first, second = np.triu_indices(len(seen), 1)
    rises = daily[second] - daily[first]
    slope = float(np.median(rises / (seen[second] - seen[first])))  # Theil and Sen's: no single day can turn it
    moved = slope * float(seen[-1] - seen[0])
    one_way = float((np.sign(rises) == np.sign(slope)).mean())
    return moved if abs(moved) > DRIFTED[quantity] and one_way >= ONE_WAY else None


def silent_since(own_s: Array, room_s: float) -> float | None:
    """Since when a sensor with readings at `own_s` is silent, where the room was last read at `room_s` [s]."""
    if not len(own_s):
        return None
    usual = float(np.median(np.diff(own_s))) if len(own_s) > 2 else 0.0
    quiet = room_s - float(own_s[-1])
    return float(own_s[-1]) if max(SILENT_LEAST_S, SILENT_INTERVALS * usual) < quiet <= SILENT_MOST_S else None


LOW_FOR = timedelta(hours=1)
FORGOTTEN = timedelta(days=3)
"""A sensor not heard for so long has other troubles, or is gone."""
TOLD_FOR = timedelta(days=3)
NewestReadings = Mapping[tuple[str, str], Reading]
"""By room and source, the newest reading."""


class LowBattery(Record):
    """A battery that is low, or seems to be."""

    room: Name
    source: str
    since: Moment
    """Of the first reading that said so."""
    told: bool = False
    """Whether it has held for long enough, and people know."""


def low_batteries(
    known: Sequence[LowBattery], newest: NewestReadings, low_pct: float, deadband_pct: float, now: datetime
) -> tuple[LowBattery, ...]:
    """The low batteries as of `newest`, given those `known` before. `low_pct` 0: none is ever low."""
    before = {(one.room, one.source): one for one in known}
    found = (_low_battery(before.get(key), newest[key], low_pct, deadband_pct, now) for key in sorted(newest))
    return tuple(one for one in found if one is not None)


def _low_battery(
    before: LowBattery | None, reading: Reading, low_pct: float, deadband_pct: float, now: datetime
) -> LowBattery | None:
    charge = reading.battery_pct
    if now - reading.at > FORGOTTEN or low_pct <= 0:
        return None
    if charge is None:  # not every message of a sensor says it
        return before
    if charge > low_pct:
        return before if charge < low_pct + deadband_pct else None
    if before is None:
        return LowBattery(room=reading.room, source=reading.source, since=reading.at)
    return before if before.told or reading.at - before.since < LOW_FOR else before.model_copy(update={"told": True})


def battery_notices(
    before: Sequence[LowBattery], after: Sequence[LowBattery], newest: NewestReadings, now: datetime
) -> list[Notice]:
    """One for each battery that people are to hear of now."""
    known = {(one.room, one.source) for one in before if one.told}
    return [_battery_notice(one, newest, now) for one in after if one.told and (one.room, one.source) not in known]


def _battery_notice(low: LowBattery, newest: NewestReadings, now: datetime) -> Notice:
    charge = newest[low.room, low.source].battery_pct or 0.0
    return Notice(
        key=f"battery/{low.room}/{low.source}/{int(low.since.timestamp())}",
        kind="battery",
        created_at=now,
        title=phrase("{room}: the battery of {sensor} is low", room=low.room, sensor=low.source),
        text=phrase(
            "The battery of {sensor} stands at {charge}. Change it this week: once it is empty, {room} is watched by "
            "no sensor there, or by one less.",
            sensor=low.source,
            charge=Percent(charge),
            room=low.room,
        ),
        expires_at=now + TOLD_FOR,
        room=low.room,
        data={"source": low.source, "battery_pct": charge, "names": sorted({low.room, low.source})},
    )


def battery_findings(known: Sequence[LowBattery], newest: NewestReadings, room: str) -> tuple[Finding, ...]:
    """What the board says of the batteries in `room`."""
    return tuple(
        Finding(
            Flaw.BATTERY,
            one.since.timestamp(),
            newest[room, one.source].at.timestamp(),
            one.source,
            size=newest[room, one.source].battery_pct,
        )
        for one in known
        if one.told and one.room == room and (room, one.source) in newest
    )
