"""Simple forecasts of a room's air, many at once: what `outlook` weighs against each other.

Three kinds, every one causal (a forecast made at hour H reads hours up to H only):

- seasonal autoregressions. s is the exponentially weighted mean of the same hour on the days before, with memory
  theta; u = x - s follows an AR(p). With theta the parameter of the seasonal moving average, this is what
  SARIMA(p,0,0)(0,1,1)24 says (Box, Jenkins & Reinsel, Time Series Analysis, ch. 9), fitted by least squares;
- the same for temperature and humidity together, each leaning on both (a vector autoregression);
- damped anomalies: the trailing week's mean of the hour plus factor^k of today's departure from it; with persistence,
  "the same hour of the last day" and that mean itself.

Shapes: q quantities (temperature, humidity), m memories, o origins, k hours ahead, n hours of history.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AHEAD = 48
"""Hours ahead that every expert speaks for."""
DAY = 24
MEMORIES = np.array([0.3, 0.5, 0.7, 0.8, 0.9])
ALONE = ((2, 28), (3, 14), (6, 14), (6, 28), (10, 28))
"""Autoregressions of one quantity: their order [h] and the days they are fitted to."""
JOINT = ((3, 28), (6, 28))
"""Autoregressions of both quantities together."""
DAMPING = np.array([0.8, 0.9, 0.95, 0.98, 0.99, 0.995])
LAGS = max(p for p, _ in ALONE)
RIDGE = 1e-4
"""Of the mean square of the regressors: keeps what moves together solvable."""
RESOLUTION = np.array([0.02, 0.1])
"""Departures smaller than this are a sensor's last digit [°C, %], and nothing is learned from them."""
ROWS_PER_LAG = 12
"""Hours of history that a fitted coefficient needs at least."""
FILLED_WEIGHT = 0.1
"""What an hour without a reading, filled in, counts for in the mean of its hour."""


@dataclass(frozen=True)
class Habit:
    """The usual value of each hour by the days before it, for each memory; and what the air made of it."""

    usual: Array
    """(m, q, n + 24): known a day ahead."""
    gain: Array
    """(m, q, n + 24): how far one more day moves it."""
    departure: Array
    """u (m, q, n); zero on the first day, which has no day before it."""


def habit(x: Array, known: NDArray[np.bool_]) -> Habit:
    """The habit of `x` (q, n), of which the hours not `known` (q, n) were filled in."""
    quantities, n = x.shape
    usual = np.zeros((len(MEMORIES), quantities, n + DAY))
    gain = np.zeros_like(usual)
    memory = MEMORIES[:, None, None]
    total, weight = np.zeros((2, len(MEMORIES), quantities, DAY))
    for begin in range(0, n + DAY, DAY):
        end = min(begin + DAY, n + DAY)
        if begin:
            here = slice(begin - DAY, end - DAY)
            counts = np.where(known[:, here], 1.0, FILLED_WEIGHT)
            width = end - begin
            total = memory * total[..., :width] + counts * x[:, here]
            weight = memory * weight[..., :width] + counts
            usual[..., begin:end] = total / weight
            gain[..., begin:end] = 1.0 / (1.0 + memory * weight)
    usual[..., : min(DAY, n)] = x[:, : min(DAY, n)]
    return Habit(usual, gain, x - usual[..., :n])


def forecasts(x: Array, known: NDArray[np.bool_], origins: NDArray[np.intp]) -> Array:
    """What every expert says at each origin (index of the last hour it sees): (experts, q, AHEAD, origins).

    `x` (q, n) has no gaps; hours not `known` were filled in. Experts that need more history are left out.
    """
    parts = [_plain(x, origins)]
    n = x.shape[1]
    if n >= 3 * DAY:
        own = habit(x, known)
        parts += _autoregressions(x, own, origins)
    return np.concatenate(parts)


def _plain(x: Array, origins: NDArray[np.intp]) -> Array:
    """Persistence, the same hour of the last day, the trailing week's mean of the hour, and damped anomalies."""
    q, n = x.shape
    ahead = np.arange(1, AHEAD + 1)
    now = np.broadcast_to(x[:, None, origins], (q, AHEAD, len(origins)))
    if n < DAY + 1:  # no day before: only this hour, and the mean of those so far
        mean = np.cumsum(x, axis=1) / np.arange(1, n + 1)
        rest = mean[:, None, origins]
        return np.stack([now, *(rest + f ** ahead[None, :, None] * (now - rest) for f in DAMPING[2:])])
    same_hour = origins[None, :] + ahead[:, None] - DAY * ((ahead[:, None] + DAY - 1) // DAY)
    back = np.arange(7)[:, None, None] * DAY
    days = same_hour[None] - back
    there = days >= 0
    values = x[:, np.maximum(days, 0)]
    week = (values * there).sum(1) / np.maximum(there.sum(0), 1)
    before = origins[None, :] - back[:, 0] - DAY
    seen = before >= 0
    count = seen.sum(0)
    today = np.where(count > 0, (x[:, np.maximum(before, 0)] * seen).sum(1) / np.maximum(count, 1), x[:, origins])
    last_day = np.where(same_hour >= 0, x[:, np.maximum(same_hour, 0)], now)
    week = np.where(there.any(0), week, now)
    anomaly = (x[:, origins] - today)[:, None, :]
    damped = [week + factor ** ahead[None, :, None] * anomaly for factor in DAMPING]
    return np.stack([now, last_day, week, *damped])


def _autoregressions(x: Array, own: Habit, origins: NDArray[np.intp]) -> list[Array]:
    moments = _moments(own.departure)
    n = x.shape[1]
    noise = DAY * np.square(RESOLUTION / _scale(own.departure)[..., 0])
    found = []
    for joint, kinds in ((False, ALONE), (True, JOINT)):
        for order, days in kinds:
            if n - DAY < ROWS_PER_LAG * order * (2 if joint else 1):
                continue
            fitted = _fitted(moments, order, days, noise, joint=joint)
            # of the fits made at the end of each day (counted back from the last hour) the newest one at each origin
            refit = len(moments) - 1 - (n - 1 - origins + DAY - 1) // DAY
            # before the first fit there is nothing to go by but the habit
            known = np.where(refit[:, None, None, None] >= 0, fitted[np.maximum(refit, 0)], 0.0)
            found.append(_marched(own, known, order, origins, joint=joint))
    return found


def _moments(u: Array) -> Array:
    """Cumulative second moments of the departures and their lags, by day: (days, m, 2 (1 + LAGS), 2 (1 + LAGS)).

    Days are counted back from the last hour, so that the last one is whole. Scaled so that both quantities have
    about the same spread, as the ridge asks.
    """
    m, q, n = u.shape
    days = (n - LAGS) // DAY
    first = n - days * DAY
    rows = np.lib.stride_tricks.sliding_window_view(u / _scale(u), LAGS + 1, axis=2)[..., first - LAGS :, ::-1]
    table = np.ascontiguousarray(rows.transpose(0, 2, 1, 3)).reshape(m, days, DAY, q * (LAGS + 1))
    daily = table.transpose(0, 1, 3, 2) @ table
    return np.cumsum(daily, axis=1).transpose(1, 0, 2, 3)


def _scale(u: Array) -> Array:
    return np.asarray(np.sqrt((u * u).mean(axis=2, keepdims=True)) + 1e-6)


def _fitted(moments: Array, order: int, days: int, noise: Array, *, joint: bool) -> Array:
    """Coefficients at the end of each day: (days, m, q, regressors), regressors being lags 1..order of one or both.

    `noise`: a sensor's own, squared and summed over a day (m, q), in the units of `moments`.
    """
    window = moments.copy()
    window[days:] -= moments[:-days]
    span = np.minimum(np.arange(1, len(moments) + 1), days)
    found = []
    for quantity in range(2):
        at = quantity * (LAGS + 1)
        lags = np.arange(1, order + 1)
        columns = np.concatenate([lags, lags + LAGS + 1]) if joint else lags + at
        gram = window[..., columns[:, None], columns[None, :]]
        ridge = RIDGE * np.trace(gram, axis1=-2, axis2=-1)[..., None] / len(columns)
        whose = (columns > LAGS).astype(np.intp)
        # as if each lag had been read with that much noise: over the days of the window
        ridge = ridge + noise[:, whose] * span[:, None, None]
        right = window[..., columns, at]
        found.append(np.linalg.solve(gram + ridge[..., None] * np.eye(len(columns)), right[..., None])[..., 0])
    return np.stack(found, axis=2)


def _marched(own: Habit, fitted: Array, order: int, origins: NDArray[np.intp], *, joint: bool) -> Array:
    """The autoregression run AHEAD hours from each origin on top of the habit: (m, q, AHEAD, origins)."""
    scale = _scale(own.departure)
    u = own.departure / scale
    m, q, _ = u.shape
    path = np.zeros((order + AHEAD, m, q, len(origins)))
    for i in range(order):
        path[i] = u[..., np.maximum(origins - order + 1 + i, 0)]
    weights = np.moveaxis(fitted, 0, -1)  # (m, q, regressors, origins)
    weights = np.ascontiguousarray(np.moveaxis(weights, 2, 0))[::-1]  # the oldest lag first, as the path has them
    farthest = np.abs(u).max(axis=2)[..., None]  # no room leaves its habits further than it ever has
    for step in range(AHEAD):
        seen = path[step : step + order]
        if joint:
            # reversed: humidity's lags come first
            path[order + step] = np.einsum("pmqo,pmo->mqo", weights[:order], seen[:, :, 1])
            path[order + step] += np.einsum("pmqo,pmo->mqo", weights[order:], seen[:, :, 0])
        else:
            path[order + step] = (weights * seen).sum(0)
        np.clip(path[order + step], -farthest, farthest, out=path[order + step])
    ahead = origins[None, :] + np.arange(1, DAY + 1)[:, None]
    departures = np.moveaxis(path[order:], 0, 2) * scale[..., None]
    first = own.usual[..., ahead]
    tomorrow = first + departures[..., :DAY, :]
    gain = own.gain[..., ahead]
    second = first + gain * (tomorrow - first) + departures[..., DAY:, :]
    return np.concatenate([tomorrow, second], axis=2)
