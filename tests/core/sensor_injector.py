"""Faults of sensors, put by a seed into real records: each kind as the sensors of the trade are known for them.

A fault is what a person would have to find; what is clean must stay without a finding.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from curewatch.intake.files.room_csv import RoomHistory, read_room_csv
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.air.merging import Readings
from tests.whole.rooms import folder

DAY_S = 86400.0
SPAN_D = 8
"""Days of record a fault is put into."""
STEPS = ((0.01, 0.01), (0.1, 0.1), (0.1, 1.0), (0.5, 1.0))
"""How finely sensors speak [°C, %]: as recorded, and as cheap ones do."""
FINELY = 2
"""The first so many of STEPS are fine enough for one quantity to be missed when it stands still."""
SOURCES = ("shelf", "window")


@cache
def recorded() -> list[tuple[str, RoomHistory]]:
    return [(path.stem, read_room_csv(str(path))) for path in sorted(folder().glob("*.csv"))]


def stretch(room: RoomHistory, begin_s: float, days: float, steps: tuple[float, float], sensors: int = 1) -> Readings:
    """Part of a record as one or two sensors of the room would have told it, the second a little off and slower."""
    inside = (room.epoch_s >= begin_s) & (room.epoch_s < begin_s + days * DAY_S)
    at, temp, rh = (np.asarray(column)[inside] for column in (room.epoch_s, room.temp_c, room.rh_pct))
    temps, rhs = [temp], [rh]
    if sensors == 2:
        temps.append(_slower(temp) + 0.3)
        rhs.append(np.clip(_slower(rh) - 1.5, 1, 99.9))
    n = len(at)
    columns = [
        np.concatenate([np.round(np.round(v / step) * step, 3) for v in values])
        for values, step in ((temps, steps[0]), (rhs, steps[1]))
    ]
    source = np.repeat(np.arange(sensors), n)
    order = np.argsort(np.tile(at, sensors), kind="stable")
    return Readings(
        np.tile(at, sensors)[order], columns[0][order], columns[1][order], source[order], SOURCES[:sensors],
        np.ones(n * sensors, dtype=bool),
    )  # fmt: skip


def _slower(values: np.ndarray, share: float = 0.3) -> np.ndarray:
    """A first-order lag of about two readings."""
    out = np.array(values, dtype=float)
    for i in range(1, len(out)):
        out[i] = out[i - 1] + share * (values[i] - out[i - 1])
    return out


@dataclass(frozen=True)
class Fault:
    """One fault in one record."""

    name: str
    flaw: Flaw
    readings: Readings
    since_s: float


Injector = Callable[[Readings, random.Random], Fault]


def _from(r: Readings, share: float) -> float:
    return float(r.epoch_s[0] + share * (r.epoch_s[-1] - r.epoch_s[0]))


def _changed(r: Readings, at: np.ndarray, **columns: float) -> Readings:
    new = {}
    for quantity, value in columns.items():
        values = getattr(r, quantity).copy()
        values[at] = value
        new[quantity] = values
    return replace(r, **new)


def _own(r: Readings, since_s: float, until_s: float = np.inf) -> np.ndarray:
    """The readings of the first sensor in that time."""
    return np.flatnonzero((r.source == 0) & (r.epoch_s >= since_s) & (r.epoch_s < until_s))


def sticks(*quantities: str) -> Injector:
    def inject(r: Readings, chance: random.Random) -> Fault:
        since = _from(r, chance.uniform(0.3, 0.6))
        at = _own(r, since)
        held = {quantity: float(getattr(r, quantity)[at[0]]) for quantity in quantities}
        return Fault(
            f"sticks: {' and '.join(quantities)}", Flaw.STUCK, _changed(r, at, **held), float(r.epoch_s[at[0]])
        )

    return inject


def says(name: str, within: float, **columns: float) -> Injector:
    """A value that cannot be, in a share `within` of the readings of some hours."""

    def inject(r: Readings, chance: random.Random) -> Fault:
        since = _from(r, chance.uniform(0.3, 0.9))
        at = _own(r, since, since + chance.uniform(2, 12) * 3600)
        some = np.array([i for i in at.tolist() if chance.random() < within] or at[:1].tolist())
        return Fault(f"says {name}", Flaw.IMPOSSIBLE, _changed(r, some, **columns), float(r.epoch_s[some[0]]))

    return inject


def leaps_to_the_end(r: Readings, chance: random.Random) -> Fault:
    """100 % at one leap, for hours; begun where the room is not near it."""
    dry = [i for i in _own(r, _from(r, 0.3), _from(r, 0.9)).tolist() if r.rh_pct[i] < 70]
    first = chance.choice(dry)
    at = _own(r, float(r.epoch_s[first]) + 1.0, float(r.epoch_s[first]) + 6 * 3600)
    return Fault("says 100 %", Flaw.IMPOSSIBLE, _changed(r, at, rh_pct=100.0), float(r.epoch_s[at[0]]))


def drifts(quantity: str, by: float) -> Injector:
    def inject(r: Readings, chance: random.Random) -> Fault:
        at = _own(r, 0)
        values = getattr(r, quantity).copy()
        share = (r.epoch_s[at] - r.epoch_s[at[0]]) / (r.epoch_s[at[-1]] - r.epoch_s[at[0]])
        values[at] += chance.choice((-by, by)) * share
        changed = replace(r, **{quantity: np.clip(values, 1, 99.9) if quantity == "rh_pct" else values})
        return Fault(f"drifts: {quantity}", Flaw.DRIFT, changed, float(r.epoch_s[0]))

    return inject


def falls_silent(r: Readings, chance: random.Random) -> Fault:
    since = _from(r, chance.uniform(0.7, 0.95))
    keep = np.ones(len(r.epoch_s), dtype=bool)
    keep[_own(r, since)] = False
    columns = {name: getattr(r, name)[keep] for name in ("epoch_s", "temp_c", "rh_pct", "source", "live")}
    return Fault("falls silent", Flaw.SILENT, replace(r, **columns), since)


ALONE: tuple[Injector, ...] = (
    sticks("temp_c", "rh_pct"), sticks("rh_pct"), sticks("temp_c"),
    says("85 °C", 0.3, temp_c=85.0), says("85 °C all the time", 1.0, temp_c=85.0), says("0 %", 0.5, rh_pct=0.0),
    says("0 °C and 0 %", 1.0, temp_c=0.0, rh_pct=0.0), leaps_to_the_end,
)  # fmt: skip
BESIDE: tuple[Injector, ...] = (*ALONE, drifts("temp_c", 4.0), drifts("rh_pct", 14.0), falls_silent)
