"""A day of one source's readings as a few thousand bytes: columns of numbers, each as differences in as few bytes as
they need, deflated together. Exact: what comes out is what went in, to the last bit."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.store.disk.months import LEFT_OUT
from curewatch.store.errors import StoreError

FORM = b"\x01"
"""The first byte; another form gets another."""
DECIMALS = 6
"""Values of up to so many decimals are kept as whole numbers, others as they are."""
_COLUMN = struct.Struct("<BBBBIqq")
_WIDTHS = ((1, 1 << 7), (2, 1 << 15), (4, 1 << 31), (8, 1 << 63))
_WHOLE, _FLOAT, _TEXT = 0, 1, 2
Columns = Mapping[str, Any]


def packed(columns: Columns) -> bytes:
    """Arrays of whole numbers, flags or floats (NaN: none), or bytes. `unpacked` takes them by their order."""
    return FORM + zlib.compress(b"".join(_packed(values) for values in columns.values()), 6)


def unpacked(data: bytes, names: tuple[str, ...]) -> dict[str, Any]:
    """The columns in the order they were packed, as int64, float64 or bytes; flags come back as 0 and 1.

    ValueError where it is not what `packed` made: the deflated data carries its checksum.
    """
    if data[:1] == LEFT_OUT:
        raise StoreError("a backup holds its readings beside it, by the month; `curewatch restore` brings them back")
    if data[:1] != FORM:
        raise ValueError(f"packed readings of an unknown form {data[:1]!r}")
    try:
        plain = zlib.decompress(data[1:])
    except zlib.error as error:
        raise ValueError(f"packed readings are damaged: {error}") from error
    found, at = {}, 0
    for name in names:
        found[name], at = _unpacked(plain, at)
    return found


def _packed(values: Any) -> bytes:
    if isinstance(values, bytes):
        return _COLUMN.pack(_TEXT, 0, 1, 0, len(values), 0, 0) + values
    if values.dtype.kind != "f":
        return _whole(values.astype(np.int64), _WHOLE, 0, b"")
    known = np.isfinite(values)
    mask = b"" if known.all() else np.packbits(known).tobytes()
    some = values[known]
    size = np.abs(some).max(initial=0.0)
    for decimals in range(DECIMALS + 1 if size < 1e6 else 0):
        whole = np.rint(some * 10.0**decimals)
        if (whole / 10.0**decimals == some).all() and not (np.signbit(some) & (some == 0)).any():
            return _whole(whole.astype(np.int64), _FLOAT, decimals, mask, len(values))
    raw = _shuffled(some.astype("<f8"))
    return _COLUMN.pack(_FLOAT, 255, 8, bool(mask), len(values), len(some), 1) + mask + raw


def _whole(values: NDArray[np.int64], kind: int, decimals: int, mask: bytes, length: int | None = None) -> bytes:
    base = int(values[0]) if len(values) else 0
    steps = np.diff(values, prepend=base)
    unit = int(np.gcd.reduce(steps)) if len(steps) else 1
    steps = steps // unit if unit > 1 else steps
    most = int(np.abs(steps).max(initial=0))
    width = next(width for width, limit in _WIDTHS if most < limit)
    head = _COLUMN.pack(kind, decimals, width, bool(mask), len(values) if length is None else length, base, unit or 1)
    return head + mask + _shuffled(steps.astype(f"<i{width}"))


def _shuffled(values: NDArray[Any]) -> bytes:
    """First bytes first: those of numbers alike are alike."""
    return values.view(np.uint8).reshape(-1, values.itemsize).T.tobytes()


def _unpacked(plain: bytes, at: int) -> tuple[Any, int]:
    kind, decimals, width, masked, length, base, unit = _COLUMN.unpack_from(plain, at)
    at += _COLUMN.size
    if kind == _TEXT:
        return plain[at : at + length], at + length
    known = None
    if masked:
        size = (length + 7) // 8
        known = np.unpackbits(np.frombuffer(plain, np.uint8, size, at), count=length).astype(bool)
        at += size
    count = length if known is None else int(known.sum())
    shuffled = np.frombuffer(plain, np.uint8, count * width, at).reshape(width, count)
    end = at + count * width
    apart = np.ascontiguousarray(shuffled.T).reshape(-1)
    if decimals == 255:
        values: Any = apart.view("<f8").astype(np.float64)
    else:
        values = np.cumsum(apart.view(f"<i{width}"), dtype=np.int64) * unit + base
        if kind == _FLOAT:
            values = values / 10.0**decimals
    if known is not None:
        full = np.full(length, np.nan)
        full[known] = values
        values = full
    return values, end
