"""A recorded room for the whole service to live through, or an invented one where no recording is at hand."""

from __future__ import annotations

import csv
import itertools
import json
import math
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

RECORDING = "semiwarm_room_fi.csv"
"""A half-heated room in Finland, every ten minutes: "TRH-database" (A. Laukkarinen, Tampere University, and
contributors), CC BY 4.0."""
ROWS = 14 * 144
"""Two weeks."""


class Row(NamedTuple):
    at: datetime
    temp_c: float
    rh_pct: float

    def payload(self) -> str:
        at = self.at.isoformat().replace("+00:00", "Z")
        return json.dumps({"temperature": self.temp_c, "humidity": self.rh_pct, "time": at})


def folder() -> Path:
    """CUREWATCH_ROOMS, else `shared/rooms` beside the checkout."""
    given = os.environ.get("CUREWATCH_ROOMS")
    return Path(given) if given else Path(__file__).resolve().parents[3] / "shared" / "rooms"


def absent() -> str | None:
    """Why tests of recorded rooms are skipped, or None: the recordings are not ours to carry in this repository.

    What must hold in any room is proven without them, by published tables and by rooms made up.
    """
    if any(folder().glob("*.csv")):
        return None
    return f"no recorded rooms in {folder()}; CUREWATCH_ROOMS names the folder that has them"


def two_weeks(until: datetime) -> list[Row]:
    """The first two weeks, all moved by as much as makes the last row end them at `until`, to the second."""
    rows = _recorded() or list(map(_invented, range(ROWS)))
    moved = until.replace(microsecond=0) - rows[-1].at
    return [row._replace(at=row.at + moved) for row in rows]


def _recorded() -> list[Row]:
    path = folder() / RECORDING
    if not path.exists():
        return []
    with path.open(newline="") as file:
        rows = itertools.islice(csv.DictReader(file), ROWS)
        return [
            Row(datetime.fromisoformat(row["time_utc"]), float(row["temp_c"]), float(row["rh_pct"])) for row in rows
        ]


def _invented(step: int) -> Row:
    """Cold in the first night, half warm later: as eventful for wet paint as the recording."""
    at = datetime(2020, 12, 18, 13, 15, tzinfo=UTC) + timedelta(minutes=10 * step)
    day = math.cos(step / 144 * math.tau)
    cold = 9 * math.exp(-(((step - 80) / 30) ** 2))
    return Row(at, round(17 + 3 * day - cold, 2), round(45 - 5 * day + cold, 2))
