"""Readings as arrays, and what they come to in five minutes each: the grain that a room's air is made of, so that
nothing that is forecast can tell the two apart."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Whole = NDArray[np.int64]

BIN_S = 300.0
"""What a source says within this many seconds counts as one reading; what people type stands for itself."""
BIN_US = 300_000_000
"""The same [us]."""
CALM = (1.5, 6.0)
"""Five minutes in which a source said values further apart than this [°C, %] stay as they were read: one of them may
be a spike, and which is judged by its neighbours. Half of what makes one (`studio/air/quality.py`)."""
_TICK_US = 1000
"""The mean time of several readings is kept to the millisecond,"""
_DIGITS, _SPREAD_DIGITS = 4, 3
"""their means and spreads to so many digits [°C, %]: far below any instrument."""


class ReadingColumns(NamedTuple):
    """A room's readings as arrays of one length, ordered by time. A row is one reading, or several of five minutes."""

    epoch_s: Array
    """Seconds since 1970-01-01 UTC [s], to the microsecond; of several readings the mean."""
    temp_c: Array
    """Temperature [°C], of several the mean; NaN where the reading has none."""
    rh_pct: Array
    """Relative humidity [%], of several the mean; NaN where the reading has none."""
    source: Whole
    """Index into `sources`."""
    sources: tuple[str, ...]
    """Every source the room has ever had, by name."""
    retained: NDArray[np.bool_]
    """Whether the broker had kept it from earlier."""
    number: Whole
    """How many readings the row stands for."""
    temp_low: Array
    temp_high: Array
    temp_sd: Array
    """Spread of the readings, 1 sd [°C]; 0 of one."""
    rh_low: Array
    rh_high: Array
    rh_sd: Array


ROWS = tuple(name for name in ReadingColumns._fields if name != "sources")
"""The columns that have a value a row."""


def columns_of(
    at_us: Whole, temp_c: Array, rh_pct: Array, source: Whole, sources: Sequence[str], retained: NDArray[np.bool_]
) -> ReadingColumns:
    """Single readings in time order; `at_us` since 1970 [us]."""
    import numpy as np

    zero = np.zeros(len(at_us))
    # Microseconds of our time need 51 bits: exact in a float's 53 until the division.
    epoch_s, one = at_us.astype(np.float64) / 1e6, np.ones(len(at_us), dtype=np.int64)
    return ReadingColumns(
        epoch_s, temp_c, rh_pct, source, tuple(sources), retained, one,
        temp_c, temp_c, zero, rh_pct, rh_pct, zero,
    )  # fmt: skip


def micros(epoch_s: Array) -> Whole:
    """The inverse of what `columns_of` makes of times."""
    import numpy as np

    return np.rint(epoch_s * 1e6).astype(np.int64)


def taken(columns: ReadingColumns, which: NDArray[np.intp] | NDArray[np.bool_] | slice) -> ReadingColumns:
    """Some of the rows."""
    return columns._replace(**{name: getattr(columns, name)[which] for name in ROWS})


def joined(parts: Sequence[ReadingColumns], sources: Sequence[str]) -> ReadingColumns:
    """Rows of several, by `sources`, which has the names of all; in the order of time."""
    import numpy as np

    place = {name: i for i, name in enumerate(sources)}
    renumbered = [
        part._replace(source=np.array([place[name] for name in part.sources], dtype=np.int64)[part.source])
        for part in parts
    ]
    columns = {name: np.concatenate([getattr(part, name) for part in renumbered]) for name in ROWS}
    return _by_time(ReadingColumns(**columns, sources=tuple(sources)))


def _by_time(c: ReadingColumns) -> ReadingColumns:
    import numpy as np

    return taken(c, np.lexsort((_measures(c), c.source, c.epoch_s)))


def _measures(c: ReadingColumns) -> Whole:
    import numpy as np

    return np.asarray(np.isfinite(c.temp_c) + 2 * np.isfinite(c.rh_pct))


def rolled_up(columns: ReadingColumns, *, alone: Collection[str] = (), whole: bool = False) -> ReadingColumns:
    """One row for each source's five minutes, with their number, mean, least, most and spread.

    What stays as it was read: all of the sources `alone`; five minutes that were not calm, or of which some readings
    lack a quantity that others have, or were kept by the broker; and, unless it is of a `whole` past, each source's
    last five minutes, so that how old its last word is can be told. Rolled up again with more readings it is as if all
    had been rolled up at once.
    """
    import numpy as np

    if not len(columns.epoch_s):
        return columns
    at, kinds = micros(columns.epoch_s), _measures(columns)
    order = np.lexsort((at, kinds, at // BIN_US, columns.source))
    c, at, kinds = taken(columns, order), at[order], kinds[order]
    bins = at // BIN_US
    first = np.append(True, (np.diff(c.source) != 0) | (np.diff(bins) != 0))
    starts = np.flatnonzero(first)

    def any_of(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(np.logical_or.reduceat(flags, starts))

    both = kinds == 3
    stays = (any_of(both) & any_of(~both)) | (any_of(c.retained) & any_of(~c.retained))
    for low, high, calm in ((c.temp_low, c.temp_high, CALM[0]), (c.rh_low, c.rh_high, CALM[1])):
        stays |= np.fmax.reduceat(high, starts) - np.fmin.reduceat(low, starts) > calm
    if not whole:
        stays |= np.append(np.diff(c.source[starts]) != 0, True)
    if alone:
        stays |= np.isin(c.source[starts], [i for i, name in enumerate(c.sources) if name in alone])
    apart = first | np.append(True, np.diff(kinds) != 0) | np.repeat(stays, np.diff(np.append(starts, len(at))))
    return _by_time(_merged(c, at, bins, np.flatnonzero(apart)))


def _merged(c: ReadingColumns, at: Whole, bins: Whole, starts: NDArray[np.intp]) -> ReadingColumns:
    """The rows from each of `starts` to the next as one."""
    import numpy as np

    rows = np.diff(np.append(starts, len(at)))
    several = rows > 1
    total = np.add.reduceat(c.number, starts)
    if not several.any():
        return taken(c, starts)

    def mean(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values * c.number, starts) / total)

    # relative to each first reading: a sum of microseconds since 1970 would lose the last digits
    mean_us = at[starts] + mean((at - np.repeat(at[starts], rows)).astype(np.float64))
    ticks = np.rint(mean_us / _TICK_US).astype(np.int64) * _TICK_US
    within = np.minimum(ticks, (bins[starts] + 1) * BIN_US - _TICK_US)  # not into the next five minutes
    new: dict[str, Any] = {"epoch_s": np.where(several, within, at[starts]).astype(np.float64) / 1e6, "number": total}
    for name in ("temp", "rh"):
        value = "temp_c" if name == "temp" else "rh_pct"
        values, sd = getattr(c, value), getattr(c, f"{name}_sd")
        low = np.minimum.reduceat(getattr(c, f"{name}_low"), starts)
        high = np.maximum.reduceat(getattr(c, f"{name}_high"), starts)
        middle = np.round(values[starts] + mean(values - np.repeat(values[starts], rows)), _DIGITS)
        middle = np.where(several & (low != high), middle, values[starts])
        spread = np.round(np.sqrt(mean(sd**2 + (values - np.repeat(middle, rows)) ** 2)), _SPREAD_DIGITS)
        spread = np.where(several, spread, sd[starts])
        new |= {value: middle, f"{name}_low": low, f"{name}_high": high}
        new[f"{name}_sd"] = np.where(np.isfinite(middle), spread, 0.0)
    return taken(c, starts)._replace(**new)
