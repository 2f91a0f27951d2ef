"""What all tests share: how inputs are drawn, and which tests begin first."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Before NumPy is there: workers share the cores, and threads that wait by spinning take them from each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# New inputs at each run here, and the same ones under CI: a submission stands or falls by itself.
settings.register_profile("ci", derandomize=True, database=None)
if os.environ.get("CI") == "true":
    settings.load_profile("ci")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those of the real daemon first: they wait for most of their time, up to two minutes each, while others work."""
    items.sort(key=lambda item: "/whole/" not in item.path.as_posix())
