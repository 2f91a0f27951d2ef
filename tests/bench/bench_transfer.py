"""The largest files that an import takes, a gigabyte of JSON and a ZIP that holds as much: memory and time.

With 100,000 pieces that have left, each with its pour, its stay and a notice; the rest are readings.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from curewatch.desk.transfer.importing import MOST_OF_A_KIND
from curewatch.intake.files.export_file import MAX_BYTES
from tests.shell.large_export import ROOMS, peak_mb, write_json, write_zip

LONG = True
MOST_MB = 150.0
A_READING, A_PIECE = 147, 870
"""Of the JSON text [bytes], a little more than they take."""


def lines() -> Iterator[Mapping[str, Any]]:
    readings = (MAX_BYTES - A_PIECE * MOST_OF_A_KIND) // A_READING // ROOMS
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder:
        for kind, write in (("json", write_json), ("zip", write_zip)):
            file = Path(folder) / f"all.{kind}"
            write(file, pieces=MOST_OF_A_KIND, readings=readings)
            began = time.perf_counter()
            before, peak, facts = peak_mb(file, Path(folder) / f"{kind}.sqlite")
            took, size = time.perf_counter() - began, file.stat().st_size
            file.unlink()
            (Path(folder) / f"{kind}.sqlite").unlink()
            told = {"before": round(before, 1), "facts": facts, "file_mb": round(size / 1e6), "took_s": round(took)}
            yield {
                "name": f"memory to take the largest {kind} in", "value": round(peak, 1), "unit": "MB",
                "baseline": MOST_MB, "ratio": round(MOST_MB / peak, 2), **told,
            }  # fmt: skip
