"""Rooms that nobody recorded: a small physical room in made-up weather, by seed, for the outlook to be tried in.

The air of a room trades heat with outdoors and with its walls, which have a memory of their own, takes sun through its
windows and heat from a thermostat; its vapour is aired out, given off by people and damp walls, and buffered by what
stands in it. Weather is a season, fronts of some days, clouds that let the sun through or not, and a dew point. Every
figure here is a guess at what is usual, none is measured: such rooms say how a method does in rooms of other kinds than
the recorded ones, not how rooms are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from curewatch.physics.air import Array, saturation_pressure
from curewatch.studio.air.climate import Hourly

CHOSEN_ON, HELD_BACK = range(1, 4), range(101, 103)
"""Seeds of the rooms that the outlook was chosen on, and of those that nothing was ever chosen on."""
DAYS = 120
STEPS = 6
"""Of an hour."""
SETTLING_H = 240
"""Lived through before the record begins, so that walls have the temperature of their room."""
ZERO_C = 273.15


@dataclass(frozen=True)
class Kind:
    """A kind of room; each rate is of its air [1/h], a room's own lies within a third of it."""

    outside: float
    """Heat lost to outdoors, airing included."""
    walls: float
    """Heat traded with its walls, and..."""
    walls_memory_h: float
    """...how long those remember."""
    sun: float
    """How fast full sun warms it [K/h]."""
    heating: float
    """How fast the heating warms it at most [K/h]."""
    by_day: float = 20.0
    by_night: float = 16.0
    """What the thermostat is set to [°C]."""
    airing: float = 0.5
    buffer: float = 1.5
    """Vapour traded with what stands in it, and..."""
    buffer_memory_h: float = 60.0
    """...how long that remembers."""
    moist: float = 40.0
    """Vapour given off [Pa/h], by day twice as much as by night."""


KINDS: Mapping[str, Kind] = {
    "heated": Kind(outside=0.25, walls=1.0, walls_memory_h=40, sun=1.0, heating=6.0, moist=90),
    "unheated": Kind(outside=0.35, walls=0.8, walls_memory_h=50, sun=0.6, heating=0.0),
    "damp hall": Kind(
        outside=0.06, walls=0.8, walls_memory_h=300, sun=0.05, heating=0.0, airing=0.1, buffer=2.0,
        buffer_memory_h=400, moist=60,
    ),
    "sunny": Kind(outside=0.5, walls=0.6, walls_memory_h=15, sun=4.0, heating=1.0, by_day=17, by_night=10, airing=1.5),
}  # fmt: skip


def simulated_rooms(seeds: range = HELD_BACK, days: int = DAYS) -> dict[str, Hourly]:
    """A room of each kind for each seed, by name."""
    return {f"{name} {seed}": room(kind, seed, days) for seed in seeds for name, kind in KINDS.items()}


def room(kind: Kind, seed: int, days: int = DAYS) -> Hourly:
    """The hourly means that a sensor of two decimals [°C] and one [%] would have read."""
    draw = np.random.default_rng((seed, *(round(100 * value) for value in vars(kind).values())))
    hours = SETTLING_H + 24 * days
    own = {name: value * float(np.exp(draw.uniform(-0.3, 0.3))) for name, value in vars(kind).items()}
    own |= {name: getattr(kind, name) + float(draw.uniform(-1, 1)) for name in ("by_day", "by_night")}
    outdoors, vapour, sun = _weather(hours, draw)
    temp, pressure = _lived(Kind(**own), outdoors, vapour, sun, draw)
    rh = 100 * np.clip(pressure / saturation_pressure(temp + ZERO_C), 0.02, 0.995)
    temp, rh = (x.reshape(-1, STEPS).mean(axis=1)[SETTLING_H:] for x in (temp, rh))
    noise = draw.normal(0, 1, (2, len(temp)))
    return Hourly(0.0, np.round(temp + 0.03 * noise[0], 2), np.clip(np.round(rh + 0.15 * noise[1], 1), 1, 99.5))


def _wander(hours: int, memory_h: float, draw: np.random.Generator) -> Array:
    """An Ornstein-Uhlenbeck path of unit variance, by step."""
    kept = np.exp(-1.0 / memory_h)
    shocks = np.sqrt(1 - kept**2) * draw.standard_normal(hours + 1)
    path = np.empty(hours + 1)
    path[0] = draw.standard_normal()
    for i in range(1, hours + 1):
        path[i] = kept * path[i - 1] + shocks[i]
    return np.interp(np.arange(hours * STEPS) / STEPS, np.arange(hours + 1), path)


def _weather(hours: int, draw: np.random.Generator) -> tuple[Array, Array, Array]:
    """Outdoors, by step: temperature [°C], vapour pressure [Pa], and sun as a share of a clear midsummer noon."""
    time_h = np.arange(hours * STEPS) / STEPS
    season = 2 * np.pi * (draw.uniform(0, 1) + time_h / 8766.0)
    length = 12.0 - 4.5 * np.cos(season)  # of the day [h]
    height = np.maximum(np.cos(np.pi * (time_h % 24 - 12.0) / length), 0.0) * (np.abs(time_h % 24 - 12) < length / 2)
    clouds = 1 / (1 + np.exp(-1.8 * _wander(hours, 18.0, draw)))
    sun = height * (0.65 - 0.35 * np.cos(season)) * (1 - 0.8 * clouds)
    slow = 9.0 - 9.0 * np.cos(season - 0.5) + 3.5 * _wander(hours, 60.0, draw) + 2.0 * _wander(hours, 240.0, draw)
    warmed = np.empty_like(sun)
    warmed[0] = 0.0
    for i in range(1, len(sun)):
        warmed[i] = warmed[i - 1] + (14.0 * sun[i] - warmed[i - 1] - 2.0 * (1 - clouds[i])) / (5.0 * STEPS)
    outdoors = slow + warmed
    dew = slow - np.abs(4.0 + 2.5 * _wander(hours, 40.0, draw))
    vapour = np.minimum(saturation_pressure(dew + ZERO_C), 0.98 * saturation_pressure(outdoors + ZERO_C))
    return outdoors, vapour, sun


def _lived(kind: Kind, outdoors: Array, vapour: Array, sun: Array, draw: np.random.Generator) -> tuple[Array, Array]:
    """Temperature [°C] and vapour pressure [Pa] of the room's air, by step."""
    hour = np.arange(len(outdoors)) / STEPS
    day = ((hour % 24 > 6.5) & (hour % 24 < 22)) | (hour // 24 % 7 >= 5) & (hour % 24 > 8)
    wanted = np.where(day, kind.by_day, kind.by_night)
    opened = np.repeat(draw.uniform(size=len(hour) // STEPS) < 0.04, STEPS) & day  # a window, for an hour
    present = np.repeat(draw.uniform(0.3, 1.7, len(hour) // STEPS), STEPS) * np.where(day, 1.0, 0.5)
    temp, pressure = np.empty_like(outdoors), np.empty_like(outdoors)
    air, wall = float(outdoors[:240].mean()), float(outdoors[:240].mean())
    p, held = float(vapour[0]), 0.6
    for i in range(len(hour)):
        lost = (kind.outside + 2.0 * opened[i]) * (outdoors[i] - air)
        heat = min(max(1.5 * (wanted[i] - air), 0.0), 1.0) * kind.heating
        step = lost + kind.walls * (wall - air) + kind.sun * sun[i] + heat
        wall += (air - wall) / (kind.walls_memory_h * STEPS)
        air += step / STEPS
        full = 611.2 * np.exp(17.62 * air / (243.12 + air))
        flow = (kind.airing + 3.0 * opened[i]) * (vapour[i] - p) + kind.buffer * (held * full - p)
        held += (min(p / full, 1.0) - held) / (kind.buffer_memory_h * STEPS)
        p = min(p + (flow + kind.moist * present[i]) / STEPS, float(full))
        temp[i], pressure[i] = air, p
    return temp, pressure
