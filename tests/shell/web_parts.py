"""The page on a real port over a real store, and a browser of few talents for it."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any
from unittest import mock

import requests

from curewatch.daemon.page_server import PageServer
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import ForecastSettings, Settings, WebSettings
from curewatch.store import Store
from curewatch.web import site
from curewatch.web.site import Upkeep
from tests.refreshing import refresh, refresher_of
from tests.shell.parts import HandClock, free_port

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
PASSWORD = "slack water at noon"
TIMEOUT_S = 90
"""For a plan, which is seconds of work, on a machine that does much else [s]."""


class Studio:
    """One served studio; `get` and `post` as a browser would, cookies kept."""

    def __init__(self, store: Store, clock: HandClock, settings: WebSettings) -> None:
        self.clock, self.web = clock, settings
        self.desk = Desk(store, Settings(zone="Europe/Lisbon", forecast=ForecastSettings(members=32), web=settings))
        self.store = store
        self.told = 0
        self.browser = requests.Session()
        self.url = f"{settings.scheme}://127.0.0.1:{settings.port}"

    def logged(self) -> None:
        self.told += 1

    def get(self, path: str, **options: Any) -> requests.Response:
        return self.browser.get(self.url + path, timeout=TIMEOUT_S, **options)

    def page(self, path: str) -> str:
        """A page's text, tags and all."""
        answer = self.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text

    def post(self, path: str, fields: dict[str, Any], *, on: str | None = None, **options: Any) -> requests.Response:
        """Send a form that stands on the page `on` (default: the same path), with its token."""
        token = token_on(self.get(on or path).text)
        return self.browser.post(self.url + path, data={"token": token, **fields}, timeout=TIMEOUT_S, **options)

    def undo(self, page: str) -> str:
        """Press the button beside what was just logged; the page that follows."""
        form = re.search(r'<div class="done".*?<form method="post" action="/undo">(.*?)</form>', page, re.DOTALL)
        assert form, page
        fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
        answer = self.browser.post(self.url + "/undo", data=fields, timeout=TIMEOUT_S)
        assert answer.status_code == 200, answer.text
        return answer.text

    def names(self) -> list[str]:
        with self.store.read() as tx:
            return [piece.name for piece in tx.pieces()]

    def pour(
        self,
        name: str = "Curlew",
        room: str = "Shed",
        hours_ago: float = 2,
        place: str | None = "rack 1",
        wet_mm: float = 1.2,
    ) -> None:
        now = self.clock.now()
        order = PourOrder(
            name,
            room,
            now - timedelta(hours=hours_ago),
            wet_mm * 1e-3,
            ThicknessSource.GAUGE,
            place=place,
            size_m=(0.3, 0.4),
            recipe="river white",
        )
        log_pour(self.desk, order, now)

    def read(self, room: str = "Shed", temp_c: float = 21, rh_pct: float = 50, hours: int = 6) -> None:
        """Readings of the room, one an hour up to now."""
        now = self.clock.now()
        moments = [now - timedelta(hours=ago) for ago in range(hours, -1, -1)]
        store_readings(
            self.desk,
            [
                Reading(room=room, at=at, temp_c=temp_c, rh_pct=rh_pct, source="window", received_at=at)
                for at in moments
            ],
        )


@contextmanager
def served(
    folder: Path, now: datetime = NOW, patience_s: float = TIMEOUT_S, upkeep: Upkeep | None = None, **settings: Any
) -> Iterator[Studio]:
    """`patience_s`: how long an answer waits for new dates; as long as they take, where a test is not about that."""
    with mock.patch.object(site, "PATIENCE_S", patience_s), Store.open(folder / "studio.sqlite") as store:
        studio = Studio(store, HandClock(now), WebSettings(port=free_port(), **settings))
        server = PageServer(refresher_of(studio.desk), studio.web, studio.clock, studio.logged, upkeep=upkeep)
        assert server.start() is not None
        try:
            yield studio
        finally:
            studio.browser.close()
            server.stop()


def prepare(folder: Path, *, hours: int) -> Path:
    """A store for `copied`: Curlew, poured 20 h ago in a room that was read for `hours`, with its dates."""
    with served(folder) as studio:
        studio.pour(hours_ago=20)
        studio.read(hours=hours)
        refresh(studio.desk, NOW)
    return folder


@contextmanager
def copied(prepared: Path, folder: Path, **settings: Any) -> Iterator[Studio]:
    """A studio whose store begins as a copy of one that was prepared: forecasting is most of what a test would take."""
    shutil.copy(prepared / "studio.sqlite", folder / "studio.sqlite")
    with served(folder, **settings) as studio:
        yield studio


def get(studio: Studio, path: str) -> Any:
    """What the API answers."""
    answer = studio.get(f"/api/v1{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


def token_on(page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found, page
    return found[1]


def words_of(page: str) -> str:
    """What a page says, without its tags."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"</?time[^>]*>", "", page))))
