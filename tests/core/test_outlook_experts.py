"""The simple forecasts that an outlook weighs: causal, and each as good as its kind can be."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.studio.outlook import experts
from curewatch.studio.outlook.experts import (
    AHEAD,
    AUTOREGRESSIONS,
    DAY,
    LAGS,
    MEMORIES,
    Array,
    Autoregression,
    forecasts,
    iterated,
    regressors,
    waves_of,
)


def read(x: Array) -> np.ndarray:
    """Every hour was."""
    return np.ones(x.shape, dtype=bool)


def by_kind(said: Array) -> Array:
    """Of what `forecasts` says the autoregressions': (kinds, memories, 2, AHEAD, origins)."""
    return said[-len(AUTOREGRESSIONS) * len(MEMORIES) :].reshape(len(AUTOREGRESSIONS), len(MEMORIES), *said.shape[1:])


def handed_on(hour: np.ndarray) -> np.ndarray:
    """The share of a departure that is left an hour later in the room below: nearly all at night, little by day."""
    return np.asarray(0.65 + 0.3 * np.cos(2 * np.pi * hour / DAY))


def room_by_the_clock(days: int, seed: int) -> Array:
    """Two quantities whose departures from a daily wave are handed on by the clock: (2, hours)."""
    draw = np.random.default_rng(seed)
    hours = np.arange(days * DAY)
    u = np.zeros((2, len(hours)))
    for i in range(1, len(hours)):
        u[:, i] = handed_on(hours[i]) * u[:, i - 1] + draw.standard_normal(2) * (0.4, 1.5)
    wave = np.sin(2 * np.pi * hours / DAY)
    return np.stack([19 + 2 * wave, 50 - 4 * wave]) + u


def test_where_departures_last_by_the_clock_the_periodic_ones_come_nearest_to_the_truth() -> None:
    """Jones & Brelsford, Biometrika 54 (1967), eq. 1: of such a room the best forecast is known, for it was made so."""
    hours = np.arange(1, 13)
    wave = np.sin(2 * np.pi * np.arange(80 * DAY) / DAY)
    off = np.zeros(len(AUTOREGRESSIONS))
    for seed in range(4):
        x = room_by_the_clock(60, seed)
        origins = np.arange(40 * DAY, 60 * DAY - 13, 7)
        at = origins + hours[:, None]
        left = np.cumprod(handed_on(at), axis=0)
        best = 19 + 2 * wave[at] + left * (x[0] - 19 - 2 * wave[: x.shape[1]])[origins]
        said = by_kind(forecasts(x, read(x), origins))[:, -1, 0, : len(hours)]
        off += np.abs(said - best).mean(axis=(1, 2))
    periodic = np.array([kind.periodic for kind in AUTOREGRESSIONS])
    assert off[periodic].max() < off[~periodic].min()


@pytest.mark.parametrize(
    "kind",
    [
        Autoregression(3, 28),
        Autoregression(3, 28, joint=True),
        Autoregression(6, 28, periodic=True),
        AUTOREGRESSIONS[-1],
    ],
)
def test_each_hour_ahead_leans_on_what_the_coefficients_were_fitted_to(kind: Autoregression) -> None:
    """The march builds its regressors step by step; they are those of the table, with what it says put in."""
    draw = np.random.default_rng(2)
    u = draw.standard_normal((1, 2, 5 * DAY))
    u /= np.sqrt((u * u).mean(axis=2, keepdims=True))
    n = u.shape[2]
    columns = kind.columns()
    coefficients = draw.uniform(-0.05, 0.05, (1, 1, 2, len(columns) * (2 if kind.joint else 1)))
    waves = waves_of(n + AHEAD)
    path = iterated(u, coefficients, kind, np.array([n - 1]), waves)[..., 0]
    table = regressors(np.concatenate([u, path], axis=2), waves)[0, :, n - LAGS :][..., columns]
    for quantity in range(2):
        leans = np.concatenate(list(table), axis=-1) if kind.joint else table[quantity]
        # the march scales by the spread plus a millionth
        np.testing.assert_allclose(path[0, quantity], leans @ coefficients[0, 0, quantity], rtol=1e-4, atol=1e-6)


def test_one_that_leans_on_both_quantities_waits_for_twice_as_long_a_record() -> None:
    """It has twice the coefficients: of three hours of both it has as many as of six of one."""
    x = room_by_the_clock(40, 2)
    began = {}
    for days in range(3, 40):
        here, last = x[:, : days * DAY], np.array([days * DAY - 1])
        kinds = (len(forecasts(here, read(here), last)) - len(experts._plain(here, last))) // len(MEMORIES)
        began.setdefault(kinds, days - 1)  # the first day has no departures
    assert list(began)[-3:] == [2, 3, 4]
    assert began[4] == pytest.approx(2 * began[3], abs=1)
    short = x[:, : (began[3] + 1) * DAY]
    damper, last = short + np.array([[0.0], [1.0]]) * np.sin(np.arange(short.shape[1])), np.array([short.shape[1] - 1])
    ours, other = (forecasts(one, read(one), last)[-len(MEMORIES) :] for one in (short, damper))
    np.testing.assert_array_equal(ours[:, 0], other[:, 0], "the one that came first leans on its own quantity alone")
    assert (ours[:, 1] != other[:, 1]).any()


def test_a_forecast_of_the_past_is_what_was_said_then() -> None:
    """Verified errors judge the forecasts: one that had seen what came would be believed too much."""
    x = room_by_the_clock(50, 7)
    at = np.array([45 * DAY - 1])
    changed = x.copy()
    changed[:, 45 * DAY :] += np.random.default_rng(1).normal(0, 1, (2, 5 * DAY))
    then, now = (forecasts(one, read(one), at) for one in (x[:, : 45 * DAY], changed))
    # only the scale of the ridge, a ten-thousandth, is that of the whole record
    np.testing.assert_allclose(then[:, 0], now[:, 0], atol=0.02)
    np.testing.assert_allclose(then[:, 1], now[:, 1], atol=0.06)
