"""Published and reference values as CSV, the source in the first line."""

from __future__ import annotations

import csv
from pathlib import Path


def table(name: str) -> list[dict[str, float]]:
    """The rows of `name`.csv; every column is a number (inf is one)."""
    lines = (Path(__file__).parent / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    if not lines[0].startswith("# "):
        raise ValueError(f"{name}.csv must name its source in a first line that begins with '# '")
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines[1:])]
