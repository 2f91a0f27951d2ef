"""What comes after the outlook's 48 hours, measured on recorded rooms: the room's usual days as the members see them.

So far ahead only the mean of a day is spoken of. Beside it stand the mean of the last day and of the last week.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from curewatch.backtest.outlook import LEAD_H, QUANTITIES
from curewatch.studio.air.part_studio_hourly import HOUR_S, Hourly
from curewatch.studio.outlook.experts import DAY, Array
from curewatch.studio.outlook.outlook import HISTORY, outlook
from curewatch.studio.outlook.scenarios import future

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
    begin = max(0, at + 1 - HISTORY)
    columns = [values[begin : at + 1] for values in (record.temp_c, record.rh_pct)]
    now_s = record.first_s + HOUR_S * (at + 1)
    made = outlook(Hourly(record.first_s + HOUR_S * begin, *columns), now_s)
    temp_c, rh_pct = (float(past[-1]) for past in made.past)
    ahead = future(made, temp_c, rh_pct, MEMBERS, now_s + HOUR_S * (HOURS_AHEAD[-1] + DAY))
    found = np.empty((5, 2, len(HOURS_AHEAD)))
    for number, paths in enumerate((ahead.temp_c, ahead.rh_pct)):
        for day, k in enumerate(HOURS_AHEAD):
            times = now_s + HOUR_S * (k - DAY / 2 + 0.5 + np.arange(DAY))
            means = np.array([np.interp(times, ahead.time_s, path).mean() for path in paths])
            low, high = np.quantile(means[1:], (0.1, 0.9))
            past = columns[number]
            found[:, number, day] = low, means[0], high, _mean(past[-DAY:]), _mean(past[-7 * DAY :])
    return found


def _mean(values: Array) -> float:
    """NaN where too little of it was read."""
    known = np.isfinite(values)
    return float(values[known].mean()) if known.sum() >= KNOWN_H * len(values) / DAY else float("nan")
