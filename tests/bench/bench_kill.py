"""Hundreds of kills of a real daemon under load, and what they cost: nothing acknowledged, some notices twice."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.whole.kills import Campaign

LONG = True
"""Seven to twenty minutes, by the machine."""

KILLS, SEED = 200, 20261126


def lines() -> Iterator[Mapping[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder:
        counts = asdict(Campaign(Path(folder), SEED).run(KILLS))
    for name in ("lost_facts", "lost_notices", "altered", "duplicates"):
        yield {"name": f"kills_{name}", "value": counts[name], "unit": "", "baseline": None, "ratio": None, **counts}
