"""The state of films under integration: columns, one a film, that can be taken out and put back; and kept on the way,
so that another integration can go on from there instead of from the pour.

A film's state is kept as of its last step that ends at or before a moment, found without a look at the air beyond. An
integration through the same air up to there passes through the very same state, whatever the air is after it. States
are kept in single precision; so an integration that keeps some rounds its own to that after every step, and going on
from a kept state is then going on with it, digit for digit but for the last ones of the times in a series of the air.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import milestones as ms
from curewatch.physics.air import Array, Flags
from curewatch.physics.film import Columns, Films, Grid
from curewatch.physics.milestones import CONDITIONS, MILESTONES

STEP_FIRST = 20.0
"""The first step tried on a fresh film [s]."""


@dataclass
class State(Columns):
    """Everything that an integration needs in order to go on, one column a film. Times are in seconds from the pour."""

    t: Array
    u: Array
    """Water and glycol ratios (cells, 2, films)."""
    age: Array
    """Ageing c towards a fused film (0 to 1 and beyond)."""
    lost: Array
    """Water and glycol that have left, by whatever way (2, films) [m3 of liquid per m3 of solids]."""
    soaked: Array
    """Water that the support holds of it [m3 per m3 of solids]."""
    step: Array
    """Next step to try [s]."""
    t_film: Array
    """Film temperature [K]."""
    since: Array
    """Since when each condition holds (6, films), inf where it does not."""
    reached: Array
    """When each milestone was reached (4, films), inf where not yet."""
    before: Array
    """Margins of the conditions one step ago (6, films)..."""
    stride: Array
    """...and how long that step was [s]; 0: there was none."""
    failed: Flags
    """The last step tried was too long."""
    coalescent: Array
    """Slow solvent ratios (cells, films)..."""
    coalescent_lost: Array
    """...and what has left of it [m3 per m3 of solids]."""

    @classmethod
    def poured(cls, films: Films, grid: Grid, start: Array | float = 0.0) -> State:
        n = len(films)
        return cls(
            t=np.full(n, start, dtype=float) if np.isscalar(start) else np.array(start, dtype=float),
            u=films.initial(grid.cells),
            age=np.zeros(n),
            lost=np.zeros((2, n)),
            soaked=np.zeros(n),
            step=np.full(n, STEP_FIRST),
            t_film=np.full(n, np.nan),
            since=np.full((len(ms.CONDITIONS), n), np.inf),
            reached=np.full((len(ms.MILESTONES), n), np.inf),
            before=np.zeros((len(ms.CONDITIONS), n)),
            stride=np.zeros(n),
            failed=np.zeros(n, dtype=bool),
            coalescent=np.tile(films.coalescent, (grid.cells, 1)),
            coalescent_lost=np.zeros(n),
        )


_LEVEL = 1
"""Of compression: what squeezes is that films of one piece are alike in sign and size; more effort finds no more."""
_EXACT = ("t", "stride", "since", "reached")
"""Times are in double precision, all else is in single, and flags are a byte."""


def to_single(values: Array) -> Array:
    """The same in double, rounded to what single precision holds."""
    return values.astype(np.float32).astype(float)


class CheckpointRecorder:
    """Which states an integration keeps, and then those states."""

    def __init__(self, at: Array, state: State) -> None:
        """`at`: the moment of each film [s], -inf: none; before the end. `state`: where it begins."""
        self.at, self.state = at, state.take(slice(None))
        self.passed = np.zeros(len(at), dtype=bool)

    def put(self, film: NDArray[np.intp], part: State) -> None:
        """This is the last state of these films before their moments."""
        self.state.put(film, part)
        self.passed[film] = True

    def finish(self, end: State) -> None:
        """The integration is over: films that were finished before their moments are kept as they ended."""
        left = np.flatnonzero(~self.passed & np.isfinite(self.at))
        self.state.put(left, end.take(left))


def pack(state: State) -> bytes:
    """The films of `state`, compressed."""
    columns = [(f.name, getattr(state, f.name)) for f in fields(state)]
    return zlib.compress(b"".join(_bytes(column.astype(_kind(name, column))) for name, column in columns), _LEVEL)


def unpack(packed: bytes, films: int, cells: int) -> State:
    """What was packed of so many films on a grid of so many cells. Raises ValueError where it is not that."""
    try:
        raw = zlib.decompress(packed)
    except zlib.error as error:
        raise ValueError(f"kept states cannot be read: {error}") from None
    shapes = _shapes(films, cells)
    sizes = [int(np.prod(shape)) * np.dtype(kind).itemsize for shape, kind in shapes.values()]
    if sum(sizes) != len(raw):
        raise ValueError(f"kept states of {films} films on {cells} cells are {sum(sizes)} bytes, not {len(raw)}")
    ends = np.cumsum(sizes).tolist()
    parts = zip(shapes.items(), sizes, ends, strict=True)
    return State(**{name: _values(raw[end - size : end], *kept) for (name, kept), size, end in parts})


def _shapes(films: int, cells: int) -> dict[str, tuple[tuple[int, ...], Any]]:
    """Of each column of a State: its shape and the type it is kept in."""
    rows = {"u": (cells, 2), "lost": (2,), "since": (len(CONDITIONS),), "before": (len(CONDITIONS),)}
    rows |= {"reached": (len(MILESTONES),), "coalescent": (cells,)}
    kinds = dict.fromkeys(_EXACT, np.float64) | {"failed": np.bool_}
    return {f.name: ((*rows.get(f.name, ()), films), kinds.get(f.name, np.float32)) for f in fields(State)}


def _kind(name: str, column: NDArray[Any]) -> Any:
    return column.dtype if name in _EXACT or column.dtype == np.bool_ else np.float32


def _bytes(column: NDArray[Any]) -> bytes:
    """The first bytes of all its values, then the second ones, and so on: bytes of one rank are alike."""
    flat = np.ascontiguousarray(column).ravel()
    return flat.view(np.uint8).reshape(flat.size, flat.itemsize).T.tobytes()


def _values(raw: bytes, shape: tuple[int, ...], kind: Any) -> NDArray[Any]:
    size = np.dtype(kind).itemsize
    planes = np.frombuffer(raw, np.uint8).reshape(size, -1)
    values = np.ascontiguousarray(planes.T).view(kind).reshape(shape)
    return np.array(values, dtype=kind if kind == np.bool_ else float)
