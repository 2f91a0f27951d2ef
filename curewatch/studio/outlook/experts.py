"""Simple forecasts of a room's air, many at once: what `outlook` weighs against each other.

Four kinds, every one causal (a forecast made at hour H reads hours up to H only):

- seasonal autoregressions. s is the exponentially weighted mean of the same hour on the days before, with memory
  theta; u = x - s follows an AR(p). With theta the parameter of the seasonal moving average, this is what
  SARIMA(p,0,0)(0,1,1)24 says (Box, Jenkins & Reinsel, Time Series Analysis, ch. 9), fitted by least squares;
- the same for temperature and humidity together, each leaning on both (a vector autoregression);
- periodic ones: what an hour hands on to the next depends on the hour of the day (sun, heating and people come by the
  clock), as a daily and a half-daily wave of the coefficients (Jones & Brelsford, Biometrika 54, 1967); beside the
  hours before stands the mean of the last day, which weather moves slowly (Corsi, J. Financial Econometrics 7, 2009);
- damped anomalies: the trailing week's mean of the hour plus factor^k of today's departure from it; with persistence,
  "the same hour of the last day" and that mean itself.

Shapes: q quantities (temperature, humidity), m memories, o origins, k hours ahead, n hours of history.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array, Flags

AHEAD = 48
"""Hours ahead that every expert speaks for."""
DAY = 24
MEMORIES = np.array([0.8, 0.97])
"""What a day back counts for of one later in the usual value of an hour: a week's mean and a month's. Shorter ones
(down to 0.3) were tried, and made every room worse, rooms in general by a hundredth."""
DAMPING = np.array([0.8, 0.9, 0.95, 0.98, 0.99, 0.995])
LAGS = 10
"""The most hours before that an autoregression leans on."""
WAVED = 2
"""Of how many of them the coefficients go with the hour of the day."""
WAVES = 4
"""Cosine and sine of the day and of the half day."""
COLUMNS = 1 + LAGS + 1 + WAVES * WAVED
"""Of a quantity in the table of regressors: itself, its lags, the mean of the day before, lags times waves."""
RIDGE = 1e-4
"""Of the mean square of the regressors: keeps what moves together solvable."""
RESOLUTION = np.array([0.02, 0.1])
"""Departures smaller than this are a sensor's last digit [°C, %], and nothing is learned from them."""
ROWS_PER_LAG = 12
"""Hours of history that a fitted coefficient needs at least."""
FILLED_WEIGHT = 0.1
"""What an hour without a reading, filled in, counts for in the mean of its hour."""


@dataclass(frozen=True)
class Autoregression:
    """An autoregression: on how many hours before, fitted to how many days."""

    order: int
    days: int
    joint: bool = False
    """Of temperature and humidity together."""
    periodic: bool = False

    def columns(self) -> NDArray[np.intp]:
        """What it leans on, in the table of one quantity's regressors."""
        lags = np.arange(1, self.order + 1)
        return np.concatenate([lags, np.arange(LAGS + 1, COLUMNS)]) if self.periodic else lags


AUTOREGRESSIONS = (
    Autoregression(6, 14),
    Autoregression(3, 28, joint=True),
    Autoregression(6, 28, periodic=True),
    Autoregression(6, 28, joint=True, periodic=True),
)
PLAIN_BELIEVED = np.array([4.0, 4.0, 1.0, *[0.5] * len(DAMPING)])
"""What the plain forecasts count for, an autoregression 1, where all have missed by as much: many much alike, that all
lean on habits, would else outvote the few that do not."""


def believed(count: int) -> Array:
    """The same for so many forecasts as `forecasts` makes; while there is no day before, all alike."""
    found = np.ones(count)
    if count >= len(PLAIN_BELIEVED):
        found[: len(PLAIN_BELIEVED)] = PLAIN_BELIEVED
    return found


@dataclass(frozen=True)
class SeasonalMean:
    """The usual value of each hour by the days before it, for each memory; and what the air made of it."""

    usual: Array
    """(m, q, n + 24): known a day ahead."""
    gain: Array
    """(m, q, n + 24): how far one more day moves it."""
    departure: Array
    """u (m, q, n); zero on the first day, which has no day before it."""


def seasonal_mean(x: Array, known: Flags) -> SeasonalMean:
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
    return SeasonalMean(usual, gain, x - usual[..., :n])


def forecasts(x: Array, known: Flags, origins: NDArray[np.intp]) -> Array:
    """What every expert says at each origin (index of the last hour it sees): (experts, q, AHEAD, origins).

    `x` (q, n) has no gaps; hours not `known` were filled in. Experts that need more history are left out.
    """
    parts = [_plain(x, origins)]
    n = x.shape[1]
    if n >= 3 * DAY:
        own = seasonal_mean(x, known)
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
    mean = _week(x)
    today = np.where(origins >= DAY, mean[:, np.maximum(origins - DAY, 0)], x[:, origins])
    known, same_hour = same_hour >= 0, np.maximum(same_hour, 0)
    last_day, week = (np.where(known, one[:, same_hour], now) for one in (x, mean))
    anomaly = (x[:, origins] - today)[:, None, :]
    damped = [week + factor ** ahead[None, :, None] * anomaly for factor in DAMPING]
    return np.stack([now, last_day, week, *damped])


def _week(x: Array) -> Array:
    """Of each hour the mean with the same hour of the six days before it, as far as they go back: (q, n)."""
    total, count = x.copy(), np.ones(x.shape[1])
    for back in range(DAY, min(7 * DAY, x.shape[1]), DAY):
        total[:, back:] += x[:, :-back]
        count[back:] += 1
    return total / count


def _autoregressions(x: Array, own: SeasonalMean, origins: NDArray[np.intp]) -> list[Array]:
    n = x.shape[1]
    waves = waves_of(n + AHEAD)
    moments = _moments(own.departure, waves)
    noise = DAY * np.square(RESOLUTION / _scale(own.departure)[..., 0])
    # of the fits made at the end of each day (counted back from the last hour) the newest one at each origin
    refit = len(moments) - 1 - (n - 1 - origins + DAY - 1) // DAY
    since = max(int(refit[0]), 0)
    found = []
    for kind in AUTOREGRESSIONS:
        if n - DAY < ROWS_PER_LAG * len(kind.columns()) * (2 if kind.joint else 1):
            continue
        fitted = _fitted(moments, kind, noise, since)
        # before the first fit there is nothing to go by but the habit
        known = np.where(refit[:, None, None, None] >= 0, fitted[np.maximum(refit - since, 0)], 0.0)
        found.append(_plus_seasonal_mean(own, iterated(own.departure, known, kind, origins, waves), origins))
    return found


def waves_of(hours: int) -> Array:
    """(WAVES, hours)"""
    day = 2 * np.pi * np.arange(hours) / DAY
    return np.stack([np.cos(day), np.sin(day), np.cos(2 * day), np.sin(2 * day)])


def regressors(u: Array, waves: Array) -> Array:
    """The table that autoregressions are fitted to, from hour LAGS on: (…, n - LAGS, COLUMNS)."""
    lags = np.lib.stride_tricks.sliding_window_view(u, LAGS + 1, axis=-1)[..., ::-1]
    total = np.concatenate([np.zeros((*u.shape[:-1], DAY + 1)), np.cumsum(u, axis=-1)], axis=-1)
    mean = (total[..., DAY:-1] - total[..., : -DAY - 1]) / DAY
    table = np.empty((*lags.shape[:-1], COLUMNS))
    table[..., : LAGS + 1] = lags
    table[..., LAGS + 1] = mean[..., LAGS:]
    for i, wave in enumerate(waves[:, LAGS : u.shape[-1]]):
        at = LAGS + 2 + WAVED * i
        table[..., at : at + WAVED] = lags[..., 1 : 1 + WAVED] * wave[:, None]
    return table


def _moments(u: Array, waves: Array) -> Array:
    """Cumulative second moments of the regressors, by day: (days, m, 2 COLUMNS, 2 COLUMNS).

    Days are counted back from the last hour, so that the last one is whole. Scaled so that both quantities have
    about the same spread, as the ridge asks.
    """
    m, q, n = u.shape
    days = (n - LAGS) // DAY
    rows = regressors(u / _scale(u), waves)[:, :, n - LAGS - days * DAY :]
    table = np.ascontiguousarray(rows.transpose(0, 2, 1, 3)).reshape(m, days, DAY, q * COLUMNS)
    daily = table.transpose(0, 1, 3, 2) @ table
    return np.cumsum(daily, axis=1).transpose(1, 0, 2, 3)


def _scale(u: Array) -> Array:
    return np.asarray(np.sqrt((u * u).mean(axis=2, keepdims=True)) + 1e-6)


def _fitted(moments: Array, kind: Autoregression, noise: Array, since: int) -> Array:
    """Coefficients by day from `since` on: (days, m, q, regressors), a joint one's of temperature first.

    `noise`: a sensor's own, squared and summed over a day (m, q), in the units of `moments`.
    """
    window = moments[since:].copy()
    full = max(since, kind.days)
    window[full - since :] -= moments[full - kind.days : max(len(moments) - kind.days, 0)]
    span = np.minimum(np.arange(since + 1, len(moments) + 1), kind.days)
    found = []
    for quantity in range(2):
        at = quantity * COLUMNS
        columns = kind.columns()
        columns = np.concatenate([columns, columns + COLUMNS]) if kind.joint else columns + at
        gram = window[..., columns[:, None], columns[None, :]]
        ridge = RIDGE * np.trace(gram, axis1=-2, axis2=-1)[..., None] / len(columns)
        whose = (columns >= COLUMNS).astype(np.intp)
        # as if each lag had been read with that much noise: over the days of the window
        ridge = ridge + noise[:, whose] * span[:, None, None]
        right = window[..., columns, at]
        found.append(np.linalg.solve(gram + ridge[..., None] * np.eye(len(columns)), right[..., None])[..., 0])
    return np.stack(found, axis=2)


def iterated(u: Array, fitted: Array, kind: Autoregression, origins: NDArray[np.intp], waves: Array) -> Array:
    """Departures by the autoregression run AHEAD hours from each origin: (m, q, AHEAD, origins)."""
    scale = _scale(u)
    u = u / scale
    before = DAY if kind.periodic else kind.order
    path = np.empty((before + AHEAD, *u.shape[:2], len(origins)))
    for i in range(before):
        path[i] = u[..., np.maximum(origins - before + 1 + i, 0)]
    total = path[:before].sum(axis=0)
    farthest = np.abs(u).max(axis=2)[..., None]  # no room leaves its habits further than it ever has
    steady, waved = _split(fitted, kind)
    weights = steady.copy()
    for now in range(before, before + AHEAD):
        seen = path[now - kind.order : now][::-1]
        if kind.periodic:
            hour = waves[:, origins + 1 + now - before]
            weights[:, :WAVED] = steady[:, :WAVED] + np.einsum("swlmqo,wo->slmqo", waved, hour)
            seen = np.concatenate([seen, total[None] / DAY])
        if kind.joint:
            path[now] = sum(np.einsum("rmqo,rmo->mqo", weights[i], seen[:, :, i]) for i in range(2))
        else:
            path[now] = (weights[0] * seen).sum(axis=0)
        np.clip(path[now], -farthest, farthest, out=path[now])
        total += path[now] - path[now - before]
    return np.asarray(np.moveaxis(path[before:], 0, 2) * scale[..., None])


def _split(fitted: Array, kind: Autoregression) -> tuple[Array, Array]:
    """Coefficients (origins, m, q, regressors) by source (itself, or both quantities), those of waves apart.

    (sources, order or order + 1, m, q, origins) and (sources, waves, WAVED, m, q, origins).
    """
    origins, m, q, _ = fitted.shape
    weights = np.moveaxis(fitted, (3, 0), (0, 3)).reshape(2 if kind.joint else 1, -1, m, q, origins)
    steady, waved = np.split(weights, [kind.order + kind.periodic], axis=1)
    return np.ascontiguousarray(steady), np.ascontiguousarray(waved.reshape(len(weights), -1, WAVED, m, q, origins))


def _plus_seasonal_mean(own: SeasonalMean, departures: Array, origins: NDArray[np.intp]) -> Array:
    """The `departures` to come (m, q, AHEAD, origins) on top of the habit, which the first day moves."""
    ahead = origins[None, :] + np.arange(1, DAY + 1)[:, None]
    first = own.usual[..., ahead]
    tomorrow = first + departures[..., :DAY, :]
    gain = own.gain[..., ahead]
    second = first + gain * (tomorrow - first) + departures[..., DAY:, :]
    return np.concatenate([tomorrow, second], axis=2)
