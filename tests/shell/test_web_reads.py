"""Looking changes nothing: a page reads the store once, infers nothing and writes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from curewatch.desk import PourOrder
from curewatch.desk.commands import observing
from curewatch.desk.commands.pours import log_pours
from curewatch.records import ThicknessSource
from curewatch.records.facts import Finger
from curewatch.store import Store
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, served

PLAN = "room=Shed&due={due:%Y-%m-%dT18:00:00Z}"
PAGES = (
    "/", "/wall", "/series/Smew", "/piece/Curlew", "/room/Shed", "/record/Curlew", "/labels", "/alarms", "/lately",
    "/names", "/metrics", "/offline", "/help", "/help/alarms", "/language",
    f"/plan?{PLAN.replace('T18:00:00Z', '')}&thickness=medium&recipe=river%20white",
    *(f"/api/v1/{path}" for path in (
        "board", "pieces/Curlew", "pieces/Curlew/record", "pieces/Curlew/curve", "pieces/Curlew/observations",
        "pieces/Curlew/photos",
        "pieces/Curlew/steps", "pieces/Curlew/advice", "pieces/Curlew/air", "rooms/Shed", "rooms/Shed/outlook",
        "learned", "names", "series", "compare?one=Smew",
        f"plan?{PLAN}&wet_thickness_mm=1.2&recipe=river%20white",
    )),
)  # fmt: skip


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """A piece that was felt, so that something was learned of its recipe and its place."""
    with served(Path(tmp_path_factory.mktemp("studio"))) as studio:
        studio.pour(hours_ago=20)
        studio.read(hours=60)
        pair = PourOrder("Smew 1", "Shed", NOW - timedelta(hours=9), 1.2e-3, ThicknessSource.GAUGE, series="Smew")
        log_pours(studio.desk, [pair, replace(pair, name="Smew 2", silicone=True)], NOW)
        observing.feel(studio.desk, "Curlew", Finger.TACKY, NOW - timedelta(hours=2), NOW)
        refresh(studio.desk, NOW)
        yield studio


@contextmanager
def counted() -> Iterator[list[str]]:
    """The transactions begun meanwhile."""
    begun: list[str] = []

    def noting(name: str, real: Any) -> Any:
        return lambda store, *given, **more: begun.append(name) or real(store, *given, **more)

    with ExitStack() as held:
        for name in ("read", "write"):
            held.enter_context(mock.patch.object(Store, name, noting(name, getattr(Store, name))))
        yield begun


@pytest.mark.parametrize("asked", ["", "?done=found&of=Curlew&of=1", "?done=cleared&of=Curlew"])
def test_a_pieces_page_is_one_read_beside_the_look_at_the_boards_marks(studio: Studio, asked: str) -> None:
    studio.page("/")  # the board is kept from here on
    with counted() as begun:
        page = studio.page(f"/piece/Curlew{asked}")
    assert begun == ["read", "read"]
    assert "this recipe dries" in page, "what was learned"
    assert "still tacky" in page, "what was found"
    assert "How it dries" in page


@pytest.mark.parametrize("path", PAGES)
def test_whoever_looks_infers_nothing_and_writes_nothing(studio: Studio, path: str) -> None:
    called = AssertionError("a view inferred, refreshed or wrote")
    with ExitStack() as held:
        for name in (
            "curewatch.studio.inference.posterior.FactorBlock.update_sites",
            "curewatch.desk.snapshot.pieces.teach",
            "curewatch.desk.snapshot.pieces.learned",
            "curewatch.desk.refresh.refresher.Refresher.refresh",
            "curewatch.store.Store.write",
        ):
            held.enter_context(mock.patch(name, side_effect=called))
        answer = studio.get(path.format(due=NOW + timedelta(days=9)))
    assert answer.status_code == 200, answer.text


def test_what_was_learned_is_told_as_it_was_stored(studio: Studio) -> None:
    told = studio.get("/api/v1/learned").json()
    assert [(one["about"], one["name"]) for one in told] == [("recipe", "river white"), ("place", "Shed, rack 1")]
    assert told[0]["observations"] == {"finger": 1}
