"""The room outlook measured on recorded rooms: against simple forecasts by the hour, and beyond its 48 hours by the
day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.studio.air.climate import HOUR_S, Hourly
from curewatch.studio.outlook.experts import DAY
from curewatch.studio.outlook.outlook import HISTORY, Outlook, outlook
from curewatch.studio.outlook.scenarios import future

HORIZONS = (1, 6, 12, 24, 48)
"""Hours ahead."""
LEAD_H = 15 * DAY
"""History before the first origin [h]."""
STRIDE_LEAST, ORIGINS_MOST = 5, 720
"""Origins lie at least so many hours apart; of a long record about so many are taken."""
TUNED_H = 21 * DAY
FACTORS = np.linspace(0.0, 1.0, 21)
"""Shares of today's departure that the tuned damped anomaly chooses from, per horizon."""
QUANTITIES = ("temp_c", "rh_pct")
Forecaster = Callable[[Array, int], Array]
"""From a history of hourly means to the next HORIZONS[-1] hours; the number is that of the quantity."""


@dataclass(frozen=True)
class Score:
    """One quantity of one record at one horizon."""

    room: str
    quantity: str
    hours_ahead: int
    pairs: int
    mae: float
    baselines: dict[str, float]
    """MAE of each baseline on the same pairs."""
    coverage: float
    """Share of what came that lay in the outlook's 10-90 % band."""

    @property
    def ratio(self) -> float:
        """MAE relative to the best of the baselines, chosen in hindsight."""
        return self.mae / max(min(self.baselines.values()), 1e-9)


def origins_of(hours: int, every: int = 1) -> NDArray[np.intp]:
    """The hours H that forecasts are made at the end of; about one in `every` of them, and still all of the day."""
    stride = max(STRIDE_LEAST, (hours - LEAD_H) // ORIGINS_MOST) * every
    while gcd(stride, DAY) != 1:
        stride -= 1
    return np.arange(LEAD_H, hours - 1, stride)


def scores(room: str, record: Hourly, others: dict[str, Forecaster] | None = None, every: int = 1) -> list[Score]:
    """The outlook and the baselines on one record, `others` (slower ones) too, by quantity and horizon.

    From about one in `every` of the protocol's origins. Raises ValueError for a record with no more than
    LEAD_H + HORIZONS[-1] hours, or in which nothing was read where it would be scored.
    """
    if len(record) <= LEAD_H + HORIZONS[-1]:
        raise ValueError(f"a record of {len(record)} h, expected more than {LEAD_H + HORIZONS[-1]} h")
    origins = origins_of(len(record), every)
    low, mid, high = _outlooks(record, origins)
    found = []
    for number, quantity in enumerate(QUANTITIES):
        x: Array = getattr(record, quantity)
        slow = {name: _made(forecaster, x, number, origins) for name, forecaster in (others or {}).items()}
        for k in HORIZONS:
            said = {**baselines(x, k), **{name: made[:, k] for name, made in slow.items()}}
            at = origins[origins + k < len(x)]
            at = at[np.isfinite(x[at + k]) & np.isfinite(x[at]) & np.isfinite([s[at] for s in said.values()]).all(0)]
            if not len(at):
                raise ValueError(f"no reading of {quantity} {k} h after any of {len(origins)} moments")
            came = x[at + k]
            inside = (came >= low[number, at, k - 1]) & (came <= high[number, at, k - 1])
            maes = {name: float(np.abs(values[at] - came).mean()) for name, values in said.items()}
            mae = float(np.abs(mid[number, at, k - 1] - came).mean())
            found.append(Score(room, quantity, k, len(at), mae, maes, float(inside.mean())))
    return found


def _outlook_at(record: Hourly, at: int) -> tuple[Outlook, Hourly]:
    """The outlook at the end of hour `at`, and the history it saw."""
    begin = max(0, at + 1 - HISTORY)
    seen = Hourly(record.first_s + HOUR_S * begin, record.temp_c[begin : at + 1], record.rh_pct[begin : at + 1])
    return outlook(seen, record.first_s + HOUR_S * (at + 1)), seen


def _outlooks(record: Hourly, origins: NDArray[np.intp]) -> Array:
    """The outlook's band at each origin: (low mid high, 2, hours, HORIZONS[-1]), NaN elsewhere."""
    found = np.full((3, 2, len(record), HORIZONS[-1]), np.nan)
    for at in origins.tolist():
        made, _ = _outlook_at(record, at)
        for number, band in enumerate((made.temp_c, made.rh_pct)):
            found[:, number, at] = band.low, band.mid, band.high
    return found


def _made(forecaster: Forecaster, x: Array, quantity: int, origins: NDArray[np.intp]) -> Array:
    """What `forecaster` says by origin and horizon (hours, 1 + HORIZONS[-1]), NaN where it was not asked."""
    found = np.full((len(x), 1 + HORIZONS[-1]), np.nan)
    for at in origins.tolist():
        found[at, 1:] = forecaster(x[: at + 1], quantity)
    return found


def baselines(x: Array, k: int) -> dict[str, Array]:
    """What the simple forecasts say of x[H + k], at every hour H."""
    hours = np.arange(len(x))
    same_hour = hours + k - DAY * ((k + DAY - 1) // DAY)
    week = _mean_of_days(x, same_hour)
    return {
        "persist": x,
        "last24": np.where(same_hour >= 0, x[np.maximum(same_hour, 0)], np.nan),
        "clim7": week,
        "damptuned": _tuned(x, k, week, x - _mean_of_days(x, hours - DAY)),
    }


def _mean_of_days(x: Array, newest: NDArray[np.intp]) -> Array:
    """Mean of the hours `newest` and those one to six days before them, of which there are readings."""
    at = newest[:, None] - DAY * np.arange(7)
    values = np.where(at >= 0, x[np.maximum(at, 0)], np.nan)
    number = np.isfinite(values).sum(axis=1)
    mean = np.nansum(values, axis=1) / np.maximum(number, 1)
    return np.where(number > 0, mean, np.nan)


def _tuned(x: Array, k: int, week: Array, anomaly: Array) -> Array:
    """`week` plus the share of `anomaly` that did best over the last TUNED_H hours of verified forecasts."""
    said = week[:, None] + FACTORS * anomaly[:, None]
    missed = np.zeros((len(x) + 1, len(FACTORS)))
    missed[k + 1 :] = np.nan_to_num(np.abs(said[:-k] - x[k:, None])) if k < len(x) else 0.0
    total = np.cumsum(missed, axis=0)[1:]
    before = np.zeros_like(total)
    before[TUNED_H:] = total[:-TUNED_H]
    best = (total - before).argmin(axis=1)
    return np.asarray(said[np.arange(len(x)), best])


@dataclass(frozen=True)
class Summary:
    """The scores of all rooms in a few numbers. A ratio is the outlook's MAE over another's, averaged over cells."""

    ratio_to_best: float
    worst_ratio_to_best: float
    ratio_by_room: dict[str, float]
    """To the best, averaged over a room's cells."""
    ratio_to_each: dict[str, float]
    coverage: float


def summary(found: list[Score]) -> Summary:
    """Averages over rooms, quantities and horizons alike."""
    names = list(found[0].baselines)
    return Summary(
        ratio_to_best=float(np.mean([score.ratio for score in found])),
        worst_ratio_to_best=max(score.ratio for score in found),
        ratio_by_room={
            room: float(np.mean([score.ratio for score in found if score.room == room]))
            for room in dict.fromkeys(score.room for score in found)
        },
        ratio_to_each={
            name: float(np.mean([score.mae / max(score.baselines[name], 1e-9) for score in found])) for name in names
        },
        coverage=float(np.mean([score.coverage for score in found])),
    )


HOURS_AHEAD = (72, 120, 168)
"""Middle of the day that is foreseen [h]."""
ORIGINS, MEMBERS = 60, 64
KNOWN_H = 18
"""Hours of a day that must have been read for its mean to count."""


@dataclass(frozen=True)
class DailyScore:
    """The mean of a day of one quantity of one record, so many hours ahead. Errors are mean absolute ones."""

    room: str
    quantity: str
    hours_ahead: int
    pairs: int
    mae: float
    last_day: float
    last_week: float
    coverage: float
    """Share of what came that lay within 10 and 90 % of the members."""


def daily_scores(room: str, record: Hourly, most: int = ORIGINS) -> list[DailyScore]:
    """By quantity and day, from so many origins at `most`; nothing of a record that is too short."""
    last = len(record) - HOURS_AHEAD[-1] - DAY
    if last <= LEAD_H:
        return []
    origins = np.unique(np.linspace(LEAD_H, last, most).astype(np.intp)).tolist()
    said = np.stack([_said(record, at) for at in origins], axis=-1)  # (5, 2, days, origins)
    found = []
    for number, quantity in enumerate(QUANTITIES):
        x: Array = getattr(record, quantity)
        for day, k in enumerate(HOURS_AHEAD):
            came = np.array([_mean(x[at + 1 + k - DAY // 2 : at + 1 + k + DAY // 2]) for at in origins])
            low, mid, high, before, week = said[:, number, day]
            ok = np.isfinite(came) & np.isfinite(before) & np.isfinite(week)
            if not ok.any():
                continue
            inside = (came >= low) & (came <= high)
            mae, day_off, week_off = (float(np.abs(one - came)[ok].mean()) for one in (mid, before, week))
            held = float(inside[ok].mean())
            found.append(DailyScore(room, quantity, k, int(ok.sum()), mae, day_off, week_off, held))
    return found


def _said(record: Hourly, at: int) -> Array:
    """At the end of hour `at`: 10 %, middle and 90 % of the members, last day, last week (5, 2, days)."""
    (made, seen), now_s = _outlook_at(record, at), record.first_s + HOUR_S * (at + 1)
    temp_c, rh_pct = (float(past[-1]) for past in made.past)
    ahead = future(made, temp_c, rh_pct, MEMBERS, now_s + HOUR_S * (HOURS_AHEAD[-1] + DAY))
    found = np.empty((5, 2, len(HOURS_AHEAD)))
    for number, paths in enumerate((ahead.temp_c, ahead.rh_pct)):
        for day, k in enumerate(HOURS_AHEAD):
            times = now_s + HOUR_S * (k - DAY / 2 + 0.5 + np.arange(DAY))
            means = np.array([np.interp(times, ahead.time_s, path).mean() for path in paths])
            low, high = np.quantile(means[1:], (0.1, 0.9))
            past = (seen.temp_c, seen.rh_pct)[number]
            found[:, number, day] = low, means[0], high, _mean(past[-DAY:]), _mean(past[-7 * DAY :])
    return found


def _mean(values: Array) -> float:
    """NaN where too little of it was read."""
    known = np.isfinite(values)
    return float(values[known].mean()) if known.sum() >= KNOWN_H * len(values) / DAY else float("nan")
