"""What all tests share: how inputs are drawn, and which tests begin first."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from sqlalchemy import Engine

# Before NumPy is there: workers share the cores, and threads that wait by spinning take them from each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# New inputs at each run here, and the same ones under CI: a submission stands or falls by itself.
settings.register_profile("ci", derandomize=True, database=None)
if os.environ.get("CI") == "true":
    settings.load_profile("ci")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those of the real daemon first: they wait for most of their time, up to two minutes each, while others work."""
    items.sort(key=lambda item: "/whole/" not in item.path.as_posix())


@pytest.fixture(scope="session", autouse=True)
def new_stores_are_copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A new store is a copy of one that the migrations made: they take a tenth of a second, and tests make thousands.

    Modules with `MIGRATES = True` look at the migrations themselves.
    """
    from curewatch.store import Store, schema

    path: Path = tmp_path_factory.mktemp("template") / "made.sqlite3"
    Store.open(path).close()
    template = sqlite3.connect(path, check_same_thread=False)
    migrated = schema._upgrade

    def copied(engine: Engine) -> None:
        with engine.connect() as connection:
            if MIGRATING or engine.dialect.name != "sqlite" or schema.revision(connection) is not None:
                return migrated(engine)
            into = connection.connection.driver_connection
            if not isinstance(into, sqlite3.Connection):  # a disk that is cut off, with a driver of its own
                return migrated(engine)
            template.backup(into)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(schema, "_upgrade", copied)
        yield
    template.close()


MIGRATING: set[str] = set()
"""The tests that run which look at migrations."""


@pytest.fixture(autouse=True)
def _migrates(request: pytest.FixtureRequest) -> Iterator[None]:
    if getattr(request.module, "MIGRATES", False):
        MIGRATING.add(request.node.nodeid)
    yield
    MIGRATING.discard(request.node.nodeid)
