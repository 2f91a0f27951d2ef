"""As bench_rolling, for a board of 10,000 pieces beside one of 100 of the same run: is the cost still linear?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tests.bench import bench_rolling

LONG = True


def lines() -> Iterator[dict[str, Any]]:
    yield from bench_rolling.lines((100, 10_000))
