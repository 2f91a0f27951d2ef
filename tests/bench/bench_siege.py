"""Three minutes of everything at once against one daemon: what its owner, its class and its sensors notice of it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from curewatch.daemon.scheduler import PAUSE_S
from tests.whole.attackers import PHONES
from tests.whole.siege import MEMORY_MB, besieged

LONG = True
LASTS_S = 180


def lines() -> Iterator[dict[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder:
        held = besieged(Path(folder), lasts_s=LASTS_S, topics=3000, retained=20_000, flood_hz=400)
    for name, value, unit, promised in (
        ("the owner's page, 95th percentile", held.page_p95_s, "s", 1.0),
        ("the owner's page at its worst", held.page_worst_s, "s", None),
        ("alarm after it was due", max(held.alarm_late_s, 0.01), "s", PAUSE_S[1]),
        ("memory at its most", held.memory_mb, "MB", float(MEMORY_MB)),
        ("end after the signal", held.ended_s, "s", 10.0),
    ):
        ratio = None if promised is None else round(promised / value, 2)
        yield {"name": name, "value": round(value, 3), "unit": unit, "baseline": promised, "ratio": ratio}
    missing = held.sent - held.stored
    yield {"name": "readings lost", "value": missing, "unit": "", "baseline": None, "ratio": None, "of": held.sent}
    yield {"name": "phones that watched live", "value": held.phones, "unit": "", "baseline": PHONES, "ratio": None,
           "answers": held.answers, "tracebacks": held.log.count("Traceback")}  # fmt: skip
