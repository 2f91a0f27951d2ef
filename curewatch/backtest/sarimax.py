# By itself: all that needs statsmodels, an optional package.
"""A slow baseline for `backtest outlook --sarimax`: statsmodels' SARIMAX(2,0,0)(0,1,1)24 on the last 14 days.

statsmodels is only needed here: `pip install curewatch[backtest]`.
"""

from __future__ import annotations

import importlib.util
import warnings

import numpy as np

from curewatch.backtest.outlook import HORIZONS, Forecaster
from curewatch.physics.air import Array

ORDER, SEASONAL = (2, 0, 0), (0, 1, 1, 24)
WINDOW_H = 14 * 24


def sarimax() -> Forecaster:
    """The forecaster. Raises ModuleNotFoundError where statsmodels is not installed."""
    if importlib.util.find_spec("statsmodels") is None:
        raise ModuleNotFoundError("statsmodels")
    return _forecast


def _forecast(x: Array, quantity: int) -> Array:
    from statsmodels.tsa.statespace.sarimax import SARIMAX  # pyright: ignore[reportMissingImports]  # an extra

    recent = x[-WINDOW_H:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of starting values and unfinished fits: counted as they come out
        fitted = SARIMAX(recent, order=ORDER, seasonal_order=SEASONAL).fit(disp=0)
        return np.asarray(fitted.forecast(HORIZONS[-1]), dtype=float)
