"""The air to come as an ensemble wants it: one plausible future of the room for each member.

For 48 hours a member follows the outlook's middle, off by what a forecast made in the past was off by, hour after hour
(so errors last as long as they do in this room), stretched to the outlook's bands. Then come the room's usual days: the
mean day of the last two weeks, less and less of what the member was off by, and a slow drift of its own. After some
days only the mean of the usual day is left: what is still wet then does not notice the hour, and to go through every
night to come would take three times as long.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from curewatch.physics.air import Array, Flags
from curewatch.physics.ensemble import design
from curewatch.studio.air.climate import HOUR_S
from curewatch.studio.outlook.experts import AHEAD, DAY
from curewatch.studio.outlook.outlook import Z90, Band, Outlook, fading

DAY_S = 24 * HOUR_S
USUAL_DAYS = 14
"""Days whose mean is the usual day."""
WEEK = 7
"""How far ahead the usual day is judged [days]: a drift has by then grown as far as it mostly will."""
FUSING_C = (7.0, 13.0)
"""Film-forming temperatures of the members lie in here [°C]: a usual day that passes through can fuse at noon only."""
HOURLY_DAYS, HOURLY_DAYS_FUSING = 2, 14
"""So many usual days are gone through by the hour (every STEP_H), more where the hour decides..."""
STEP_H = 3
LATER_DAYS = 5.0
"""...and then by their mean, with a knot every so many days."""
DEPARTURE_DAYS, DEPARTURE_DAYS_MOST = 2.0, 21.0
"""How long a departure from the usual day lasts beyond the outlook in rooms in general, and at most in any: time
constant [days]."""
JUDGED_DAYS = 4
"""How far ahead it is judged in a room of its own [days]; rooms in general count as much as two weeks of it."""
DRIFT_TIME_CONSTANT_S = 5 * DAY_S
"""How slowly rooms drift from the usual: time constant [s]."""
LONGER_S = 28 * DAY_S
"""A drift grows further over this time, as the season does, and then no more [s]."""
LEAST_TRAJECTORIES = 24
"""Past errors to draw from; with fewer, made-up ones that die away over LASTS_H stand in."""
ERROR_TIME_CONSTANT_H = 12.0
WHOLE_SHARE = 0.8
"""Hours of a past error that must be known for it to be drawn from."""
FARTHEST = 3.0
"""No member strays further than this many times its band."""
TEMP_RANGE, RH_RANGE = (-60.0, 90.0), (1.0, 98.0)
"""What a future may hold [°C, %]; saturated air for days would be fog indoors."""
DRIFT_SD = np.array([2.0, 6.0])
"""How far the days of rooms in general differ from each other [°C, %]."""
SEED = 20260514
"""Of the draw: fixed, so that equal facts give an equal forecast."""


@dataclass(frozen=True)
class RoomScenarios:
    """A room's air from the end of its record on; row 0 is the middle, rows 1.. one for each member."""

    time_s: Array
    """[s since 1970 UTC], strictly increasing; before the first and after the last the values hold."""
    temp_c: Array
    """(1 + members, knots)"""
    rh_pct: Array


def future(seen: Outlook, temp_c: float, rh_pct: float, members: int, until_s: float) -> RoomScenarios:
    """The room from `seen.first_s`, where it was at `temp_c` and `rh_pct`, to `until_s` at least."""
    units = _standardized_errors(seen.errors, members)
    near = np.stack([_within_band(seen.temp_c, units[0]), _within_band(seen.rh_pct, units[1])])
    hours = np.arange(AHEAD) + 0.5
    day = usual_day(seen)
    decides = day[0].min() < FUSING_C[1] and day[0].max() > FUSING_C[0]
    later, by_hour = _later_hours(until_s - seen.first_s, HOURLY_DAYS_FUSING if decides else HOURLY_DAYS)
    far = _usual(seen, day, near[..., -1], later, by_hour)
    start = np.broadcast_to(np.array([temp_c, rh_pct])[:, None, None], (2, 1 + members, 1))
    values = np.concatenate([start, near, far], axis=-1)
    time = seen.first_s + HOUR_S * np.concatenate([[0.0], hours, later])
    return RoomScenarios(time, np.clip(values[0], *TEMP_RANGE), np.clip(values[1], *RH_RANGE))


def _later_hours(span_s: float, hourly_days: int) -> tuple[Array, Flags]:
    """Knots beyond the outlook [h], and which of them tell the hour of the day."""
    by_hour = np.arange(AHEAD + STEP_H, AHEAD + hourly_days * DAY + 1, STEP_H, dtype=float) - 0.5
    mean_from = by_hour[-1] + DAY
    by_day = np.arange(mean_from, max(span_s / HOUR_S, mean_from) + LATER_DAYS * DAY, LATER_DAYS * DAY)
    return np.concatenate([by_hour, by_day]), np.arange(len(by_hour) + len(by_day)) < len(by_hour)


def _within_band(band: Band, unit: Array) -> Array:
    """Paths (1 + members, AHEAD): `unit` of 1 is the 90 % edge, -1 the 10 % edge; row 0 is the middle."""
    off = np.where(unit > 0, unit * (band.high - band.mid), unit * (band.mid - band.low))
    return np.concatenate([band.mid[None], band.mid + off])


def _standardized_errors(errors: Array, members: int) -> Array:
    """What each member is off by, in units of the band: (2, members, AHEAD)."""
    whole = np.isfinite(errors).mean(axis=(0, 1)) >= WHOLE_SHARE
    if whole.sum() < LEAST_TRAJECTORIES:
        return _synthetic_errors(members)
    kept = np.stack(
        [[_interpolated(column) for column in quantity.T] for quantity in errors[..., whole]]
    )  # (2, n, AHEAD)
    low, high = np.quantile(kept, (0.1, 0.9), axis=1)
    edge = np.where(kept > 0, np.maximum(high, 1e-3)[:, None], np.maximum(-low, 1e-3)[:, None])
    # spread evenly over the past, and given out by how warm they are: to members in an order of its own
    drawn = np.linspace(0, kept.shape[1] - 1, members).round().astype(np.intp)
    drawn = drawn[np.argsort(kept[0, drawn].mean(axis=-1), kind="stable")]
    drawn = drawn[decorrelated(np.random.default_rng(SEED).standard_normal(members)).argsort().argsort()]
    return np.asarray(np.clip(kept / edge, -FARTHEST, FARTHEST)[:, drawn])


def _interpolated(column: Array) -> Array:
    known = np.isfinite(column)
    return np.interp(np.arange(len(column)), np.flatnonzero(known), column[known])


def _synthetic_errors(members: int) -> Array:
    """Errors that stay with a member for LASTS_H, in units of the band; as many above as below."""
    draw = np.random.default_rng(SEED)
    kept = np.exp(-1.0 / ERROR_TIME_CONSTANT_H)
    shocks = decorrelated(draw.standard_normal((2, AHEAD, members))).swapaxes(1, 2)
    shocks[1] = -0.4 * shocks[0] + np.sqrt(1 - 0.4**2) * shocks[1]  # warmer air is drier air
    path = np.empty_like(shocks)
    path[..., 0] = shocks[..., 0]
    for k in range(1, AHEAD):
        path[..., k] = kept * path[..., k - 1] + np.sqrt(1 - kept**2) * shocks[..., k]
    path /= np.maximum(path.std(axis=1, keepdims=True), 1e-9)
    return np.asarray(np.clip(path / Z90, -FARTHEST, FARTHEST))


def decorrelated(draw: Array) -> Array:
    """Standard normal deviates (…, members) made to have nothing to do with what else tells the members apart.

    Among a few dozen members, chance alone would give the thick films the warm rooms, and narrow the dates.
    """
    members = draw.shape[-1]
    if members == 1:
        return np.zeros_like(draw)
    traits = np.column_stack([np.ones(members), design(members)])
    if members < 2 * traits.shape[1]:
        traits = traits[:, :1]
    basis = np.linalg.qr(traits)[0]
    rest = draw - draw @ basis @ basis.T
    return np.asarray(rest / np.maximum(rest.std(axis=-1, keepdims=True), 1e-9))


def _usual(seen: Outlook, day: Array, last: Array, hours: Array, by_hour: Flags) -> Array:
    """The members on usual days: (2, 1 + members, len(hours)), from where they were (2, 1 + members) at the end."""
    phase = np.floor(hours).astype(np.int64) % DAY
    usual = np.where(by_hour, day[:, phase], day.mean(axis=1, keepdims=True))
    beyond_s = (hours - AHEAD) * HOUR_S
    kept = np.exp(-beyond_s / (DAY_S * departure_days(seen)[:, None, None]))
    departed = (last - day[:, (AHEAD - 1) % DAY][:, None])[..., None] * kept
    grown = np.sqrt(-np.expm1(-2 * beyond_s / DRIFT_TIME_CONSTANT_S) * (1 + np.minimum(beyond_s / LONGER_S, 1)))
    which_way = np.concatenate([np.zeros((2, 1)), correlated_normals(last.shape[1] - 1, SEED + 1)], axis=1)
    # known from no more weeks than were read: Student's 10 and 90 % lie further out than a normal distribution's by
    # some 3/4 over their number
    weeks = max(seen.past.shape[1] / (WEEK * DAY), 1.0)
    drift = which_way[..., None] * (1 + 0.75 / weeks) * daily_sd(seen)[:, None, None] * grown
    return np.asarray(usual[:, None] + departed + drift)


def usual_day(seen: Outlook) -> Array:
    """The mean day (2, 24) of the last two weeks, by hours after the record's end; flat while days are few."""
    days = min(seen.past.shape[1] // DAY, USUAL_DAYS)
    if days < 2:
        middle = np.stack([seen.temp_c.mid, seen.rh_pct.mid])[:, -DAY:].mean(axis=1)
        return np.repeat(middle[:, None], DAY, axis=1)
    recent = seen.past[:, -days * DAY :].reshape(2, days, DAY)
    weight = np.where(seen.known[:, -days * DAY :].reshape(2, days, DAY), 1.0, 0.1)
    return np.asarray((recent * weight).sum(axis=1) / weight.sum(axis=1))


def departure_days(seen: Outlook) -> Array:
    """How long the days of this room stay off the mean of two weeks [days], by quantity: time constants.

    A damp hall keeps for a month what a room with open windows has forgotten overnight.
    """
    days = seen.past.shape[1] // DAY
    general = float(np.exp(-JUDGED_DAYS / DEPARTURE_DAYS))
    if days <= USUAL_DAYS + JUDGED_DAYS:
        return np.full(2, DEPARTURE_DAYS)
    means = seen.past[:, -days * DAY :].reshape(2, days, DAY).mean(axis=2)
    usual = np.lib.stride_tricks.sliding_window_view(means, USUAL_DAYS, axis=1).mean(axis=2)[:, :-JUDGED_DAYS]
    off = means[:, USUAL_DAYS - 1 : -JUDGED_DAYS] - usual
    later = means[:, USUAL_DAYS - 1 + JUDGED_DAYS :] - usual
    prior = USUAL_DAYS * (np.square(off).mean(axis=1) + 1e-9)
    kept = ((off * later).sum(axis=1) + prior * general) / (np.square(off).sum(axis=1) + prior)
    kept = np.clip(kept, np.exp(-JUDGED_DAYS / 0.5), np.exp(-JUDGED_DAYS / DEPARTURE_DAYS_MOST))
    return np.asarray(-JUDGED_DAYS / np.log(kept))


def daily_sd(seen: Outlook) -> Array:
    """How far off this room's usual day was a week later [°C, %], leaning on how rooms do in general.

    The days' own spread would be too little: the mean of two weeks is not what the room comes back to.
    """
    days = seen.past.shape[1] // DAY
    if not days:
        return DRIFT_SD
    means = seen.past[:, -days * DAY :].reshape(2, days, DAY).mean(axis=2)
    # a day that was not read holds what was filled in: it tells of nothing
    read: Flags = np.asarray(seen.known[:, -days * DAY :].reshape(2, days, DAY).any(axis=2).all(axis=0))
    prior = fading(float(read.sum()))
    lead = max(min(WEEK, (days - 1) // 2), 1)  # of a short record, as far ahead as half of its days can tell
    missed = []
    for day in np.flatnonzero(read).tolist():
        before = slice(max(day - lead + 1 - USUAL_DAYS, 0), max(day - lead + 1, 0))
        if read[before].any():
            missed.append(means[:, day] - means[:, before][:, read[before]].mean(axis=1))
    own = np.sqrt(np.mean(np.square(missed), axis=0)) if missed else np.zeros(2)
    return np.asarray(np.sqrt((1 - prior) * np.square(own) + prior * DRIFT_SD**2))


def correlated_normals(members: int, seed: int | tuple[int, int]) -> Array:
    """Standard normal deviates (2, members) of temperature and humidity: warmer air is drier air."""
    z = decorrelated(np.random.default_rng(seed).standard_normal((2, members)))
    z[1] = -0.3 * z[0] + np.sqrt(1 - 0.3**2) * z[1]
    return z
