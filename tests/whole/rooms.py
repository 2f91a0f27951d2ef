"""Recorded rooms, unpacked from tests/data/rooms, where their sources and licence (CC BY 4.0) are told."""

from __future__ import annotations

import atexit
import csv
import itertools
import json
import lzma
import tempfile
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import NamedTuple

PACKED = Path(__file__).resolve().parents[1] / "data" / "rooms"
RECORDING = "semiwarm_room_fi.csv"
"""A half-heated room in Finland, every ten minutes."""
ROWS = 14 * 144
"""Two weeks."""


class Row(NamedTuple):
    at: datetime
    temp_c: float
    rh_pct: float

    def payload(self) -> str:
        at = self.at.isoformat().replace("+00:00", "Z")
        return json.dumps({"temperature": self.temp_c, "humidity": self.rh_pct, "time": at})


@cache
def folder() -> Path:
    """Where the recordings lie as CSV, for as long as this process lives."""
    unpacked = tempfile.TemporaryDirectory(prefix="rooms-")
    atexit.register(unpacked.cleanup)
    for packed in PACKED.glob("*.csv.xz"):
        (Path(unpacked.name) / packed.stem).write_bytes(lzma.decompress(packed.read_bytes()))
    return Path(unpacked.name)


def rows_of(recording: str, most: int) -> list[Row]:
    """The first `most` rows."""
    with (folder() / recording).open(newline="") as file:
        rows = itertools.islice(csv.DictReader(file), most)
        return [
            Row(datetime.fromisoformat(row["time_utc"]), float(row["temp_c"]), float(row["rh_pct"])) for row in rows
        ]


def two_weeks(until: datetime) -> list[Row]:
    """The first two weeks, all moved by as much as makes the last row end them at `until`, to the second."""
    rows = rows_of(RECORDING, ROWS)
    moved = until.replace(microsecond=0) - rows[-1].at
    return [row._replace(at=row.at + moved) for row in rows]
