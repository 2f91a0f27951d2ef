"""A painter's fortnight through a real broker and a real daemon: two rooms, eight pieces, two series, finger tests that
agree and disagree, a correction, a silent sensor, a cold night. Read again and again, nothing may contradict itself.

Time is moved as for a machine that sleeps six hours and wakes: so the daemon lives through it, and fast.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from icalendar import Calendar

from curewatch.daemon import Daemon
from curewatch.desk.refresh.refresher import Refreshed, Refresher
from curewatch.records import DeliveryState
from curewatch.settings import Settings
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.shell.test_daemon import Run
from tests.shell.web_parts import words_of
from tests.whole.contradictions import View, contradictions, told_wrongly

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]

START = datetime(2026, 11, 20, 8, 0, tzinfo=UTC)
DAYS = 14
SHED, LOFT = "Boat shed", "Sail loft"
STEP = timedelta(hours=6)
TOPICS = {SHED: "shed/air", LOFT: "loft/air"}
SILENT = (START + timedelta(hours=36), START + timedelta(hours=50))
"""When the loft's sensor says nothing."""
HALF_AN_HOUR = timedelta(minutes=30)
WITHIN_S = 60.0


class MovedClock:
    """Goes on as the machine's does, and ahead by as much as it was moved: as after a sleep of that length."""

    def __init__(self, start: datetime) -> None:
        self._start, self._begun, self._ahead = start, time.monotonic(), 0.0

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self.boottime() - self._begun)

    def monotonic(self) -> float:
        return time.monotonic()

    def boottime(self) -> float:
        return time.monotonic() + self._ahead

    def boot_id(self) -> str | None:
        return None

    def vouched(self) -> datetime | None:
        return None

    def wait(self, event: threading.Event, timeout: float) -> bool:
        """Short: what is waited for may come by a move."""
        return event.wait(min(max(0.0, timeout), 0.03))

    def move_to(self, at: datetime) -> None:
        self._ahead += (at - self.now()).total_seconds()


@dataclass
class Fortnight:
    """The studio, its person and its programs."""

    clock: MovedClock
    broker: Broker
    url: str
    daemon: Run
    looked: list[datetime]
    """When the daemon looked at the studio."""
    next_reading: datetime = START - timedelta(days=2)
    sent: int = 0
    findings: list[tuple[str, str, datetime]] = field(default_factory=list)

    def api(self, path: str, values: dict[str, Any] | None = None, *, method: str = "") -> Any:
        url = f"{self.url}/api/v1{path}"
        answer = requests.request(method or ("GET" if values is None else "POST"), url, json=values, timeout=WITHIN_S)
        assert answer.ok, f"{path}: {answer.text}"
        return answer.json()

    def page(self, path: str) -> str:
        answer = requests.get(self.url + path, timeout=WITHIN_S)
        assert answer.status_code == 200, answer.text
        return words_of(answer.text)

    def go_to(self, at: datetime) -> None:
        """Time goes on until then; the sensors speak each half hour, and the daemon has looked."""
        messages: list[tuple[str, bytes | str]] = []
        while self.next_reading <= at:
            for room, topic in TOPICS.items():
                if not (room == LOFT and SILENT[0] <= self.next_reading < SILENT[1]):
                    messages.append((topic, self._air(room, self.next_reading)))
            self.next_reading += HALF_AN_HOUR
        self.clock.move_to(at)
        if messages:
            self.broker.publish_all(messages)
        self.sent += len(messages)
        wait_for(lambda: self.looked[-1] >= at and self._heard() >= self.sent, WITHIN_S, f"a look at {at}")

    def _heard(self) -> int:
        assert self.daemon.error is None, self.daemon.error
        with self.daemon.daemon._desk.store.read() as tx:
            return tx.counts()["readings"]

    def _air(self, room: str, at: datetime) -> str:
        """The loft is warm and even; the shed swings, and one night it is cold."""
        hours = (at - START) / timedelta(hours=1)
        day = math.cos((hours + 8 - 15) / 24 * math.tau)
        temp, rh = (20.5 + day, 47 - 3 * day) if room == LOFT else (17 + 2 * day, 55 - 4 * day)
        if room == SHED and 5 * 24 + 10 <= hours < 6 * 24:
            temp -= 12.0
        return json.dumps({"temperature": round(temp, 2), "humidity": round(rh, 1), "time": at.isoformat()})

    def pour(self, name: str, room: str, mm: float = 1.0, **more: Any) -> Any:
        return self.api(
            "/pours", {"name": name, "room": room, "wet_thickness_mm": mm, "width_cm": 30, "height_cm": 40} | more
        )

    def feel(self, name: str, finger: str) -> None:
        self.api(f"/pieces/{name}/observations", {"kind": "finger", "finger": finger})
        self.findings.append((name, finger, self.clock.now()))

    def notices(self) -> list[dict[str, Any]]:
        """All, the newest first, with the data that programs get."""
        with self.daemon.daemon._desk.store.read() as tx:
            told = list(tx.notices(limit=10_000))
        return [one.model_dump(mode="json") | {"title": str(one.title), "text": str(one.text)} for one in told]

    def waiting(self) -> set[str]:
        """The keys of notices that are still to be sent to somebody."""
        with self.daemon.daemon._desk.store.read() as tx:
            return {one.notice.key for one in tx.deliveries() if one.state is DeliveryState.WAITING}

    def correct(self) -> None:
        """A pour that was typed half as thick as it was is put right, and one that never was goes."""
        self.pour("Eel", SHED, 0.7)
        self.pour("Eel 2", SHED, 0.7)
        self.go_to(self.clock.now() + timedelta(hours=8))
        self.api("/pieces/Eel/correct", {"wet_thickness_mm": 1.4})
        self.api("/pieces/Eel 2/delete", {})

    def read(self, *pages: str) -> View:
        """All that can be read now; of the pieces' pages, which draw much, these."""
        board = self.api("/board")
        view = View(self.clock.now(), board, alarms=self.api("/alarms"), notices=self.notices())
        view.waiting = self.waiting()
        view.calendar = Calendar.from_ical(requests.get(f"{self.url}/calendar.ics", timeout=WITHIN_S).text)
        view.board_page = self.page("/")
        for line in board["pieces"]:
            name = line["name"]
            view.pieces[name], view.steps[name] = self.api(f"/pieces/{name}"), self.api(f"/pieces/{name}/steps")
            if name in pages or not pages:
                view.piece_pages[name] = self.page(f"/piece/{name}")
        for line in board["rooms"]:
            view.rooms[line["name"]] = self.api(f"/rooms/{line['name']}")
        return view


@pytest.fixture
def fortnight(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Fortnight]:
    looked, real = [START - timedelta(days=1)], Refresher.refresh

    def refresh(refresher: Refresher, now: datetime, **more: Any) -> Refreshed:
        done = real(refresher, now, **more)
        if not done.left:
            looked.append(now)
        return done

    monkeypatch.setattr(Refresher, "refresh", refresh)
    with ExitStack() as held:
        broker, receiver = held.enter_context(Broker(tmp_path / "broker")), held.enter_context(Receiver())
        port = free_port()
        sensors = tuple({"id": t.split("/")[0], "room": r, "topic": t, "time": "/time"} for r, t in TOPICS.items())
        settings = Settings.model_validate(
            {
                "zone": "UTC",
                "broker": {"host": "127.0.0.1", "port": broker.port},
                "sensors": sensors,
                "webhook": {"url": receiver.url},
                "mail": {"host": "127.0.0.1", "port": free_port(), "sender": "loft@shed.example", "security": "none"},
                "people": ({"name": "Ada", "mail": "ada@shed.example"},),
                "web": {"port": port},
                "forecast": {"members": 4, "days": 20},
                "backup": {"every_h": 0},
            }
        )
        clock = MovedClock(START)
        daemon = Daemon(settings, str(tmp_path / "studio.sqlite"), clock)
        run = Run(daemon)
        held.callback(run.ended)
        held.callback(daemon.stop)
        studio = Fortnight(clock, broker, f"http://127.0.0.1:{port}", run, looked)
        wait_for(lambda: _answers(studio), WITHIN_S, "the page")
        wait_for(lambda: daemon._sensor_intake is not None and not daemon._catching_up, WITHIN_S, "the broker")
        yield studio


def _answers(studio: Fortnight) -> bool:
    assert studio.daemon.error is None, studio.daemon.error
    try:
        return requests.get(f"{studio.url}/api/v1/board", timeout=5).ok
    except requests.ConnectionError:
        return False


ACTS: tuple[tuple[float, tuple[str, ...], Callable[[Fortnight], Any]], ...] = (
    (0.5, ("Heron",), lambda it: (it.pour("Heron", SHED, 1.2, place="rack 1"), it.pour("Tile", LOFT, 0.7, times=3))),
    (8, ("Tile 1",), lambda it: it.pour("Reed", LOFT, 1.0)),
    (18, ("Tile 1", "Tile 2"), lambda it: it.feel("Tile 1", "tacky")),
    (24, ("Tile 2",), lambda it: (it.pour("Coaster", SHED, 0.8, times=2), it.feel("Tile 2", "touch-dry"))),
    (30, ("Heron",), lambda it: it.feel("Heron", "touch-dry")),
    (33, ("Heron",), lambda it: it.feel("Heron", "tacky")),
    (45, ("Tile 1",), lambda it: None),
    (54, ("Tile 1", "Heron"), lambda it: it.feel("Tile 1", "dry-through")),
    (96, ("Reed",), lambda it: it.api("/pieces/Reed/move", {"room": SHED, "place": "rack 2"})),
    (114, ("Eel",), lambda it: it.correct()),
    (135, ("Eel", "Reed"), lambda it: it.feel("Eel", "tacky")),
    (168, ("Heron",), lambda it: it.feel("Heron", "dry-through")),
    (198, ("Reed", "Tile 3"), lambda it: None),
    (264, ("Eel",), lambda it: it.api("/pieces/Tile 3/gone", {})),
)
"""When [h], whose pages are looked at then, and what the painter does."""


@pytest.mark.timeout(600)
def test_a_painters_fortnight_contradicts_itself_nowhere(fortnight: Fortnight) -> None:
    wrong: list[str] = []
    waiting = list(ACTS)
    while fortnight.clock.now() < START + timedelta(days=DAYS):
        step = fortnight.clock.now() + STEP
        if waiting and START + timedelta(hours=waiting[0][0]) <= step:
            hours, pages, act = waiting.pop(0)
            fortnight.go_to(START + timedelta(hours=hours))
            act(fortnight)
            fortnight.go_to(fortnight.clock.now() + HALF_AN_HOUR)
            wrong += contradictions(fortnight.read(*pages))
        else:
            fortnight.go_to(step)
    view = fortnight.read()
    wrong += [*contradictions(view), *told_wrongly(list(reversed(view.notices)), fortnight.findings)]
    assert not wrong, "\n".join(wrong)
    kinds = {kind for one in view.notices for kind in one["data"].get("alarms", ())}
    assert {"cold", "no_fresh_data"} <= kinds, "the cold night and the silence were told"
    assert len([one for one in view.notices if one["kind"] == "milestone"]) > 5
