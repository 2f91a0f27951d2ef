"""What several tests of the page begin from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, copied, prepare, served


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the store of `prepare`; to be copied."""
    return prepare(tmp_path_factory.mktemp("prepared"), hours=40)


@pytest.fixture
def studio(prepared: Path, tmp_path: Path) -> Iterator[Studio]:
    """That studio, served. Tests with another one define their own."""
    with copied(prepared, tmp_path) as studio:
        yield studio


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """One for all tests of a module, which only look: Curlew, poured 20 h ago, with its dates."""
    with served(tmp_path_factory.mktemp("studio")) as studio:
        studio.pour(hours_ago=20)
        studio.read()
        refresh(studio.desk, NOW)
        yield studio
