"""A campaign of kills: a real daemon dies by SIGKILL again and again while people, sensors and receivers go on.

Three writers count only what was acknowledged to them: a sensor's messages by the broker (QoS 1), readings and pours by
the daemon's own HTTP answer, notices and more pours by the commit of a process beside it, as every command is one. In
the end nothing of that may be missing, and every notice of the store must have reached the receiver.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import queue
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from curewatch.desk import PourOrder
from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.desk.commands.pours import log_pour
from curewatch.records import DeliveryState, ThicknessSource
from tests.shell.parts import Broker, Receiver, free_port, wait_for
from tests.whole.service import Service

SENSOR = '[[sensors]]\nid = "window"\nroom = "Shed"\ntopic = "shed/air"\ntime = "/time"\n'
MEMBERS = 2
"""Of each forecast: the daemon is to be busy with facts and notices, not with films."""
DURING_START = 0.3
"""The share of kills that come before the daemon is ready."""
READY_WITHIN_S = 90.0
STARTS_WITHIN_S, STAYS_UP_S = 0.6, 1.0
"""How long it lives at the most where it dies while it starts, and after it is ready."""
EVERY_S = {"message": 0.01, "typed": 0.02, "notice": 0.05}
PIECES_A_KILL = 0.3


@dataclass
class Acknowledged:
    """What each writer was told is safe."""

    heard: set[datetime] = field(default_factory=set)
    typed: set[datetime] = field(default_factory=set)
    pieces: set[str] = field(default_factory=set)
    notices: set[str] = field(default_factory=set)


@dataclass
class Tally:
    kills: int
    seed: int
    readings: int
    pours: int
    notices: int
    """Acknowledged ones, but for the notices: all that were written."""
    lost_facts: int
    lost_notices: int
    duplicates: int
    """Requests the receiver got beyond the first of their key."""
    altered: int
    """Of those, how many did not say the same."""
    killed_before_ready: int
    said: list[str]
    """Of the first lost notices: key, kind and how its deliveries stand."""


class Lives:
    """Daemons of one service, one after the other, each a process that starts within a moment (see nursery.py)."""

    def __init__(self, service: Service) -> None:
        self._service = service
        nursery = Path(__file__).with_name("nursery.py")
        arguments = service._argv("run")[3:]
        self._process = subprocess.Popen(
            [sys.executable, str(nursery), str(service.folder / "log"), *arguments],
            env=service._environ(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self, *, until_ready: bool) -> None:
        before = self._service.log().count("ready: ")
        self._ask("start")
        if until_ready:
            wait_for(lambda: self._service.log().count("ready: ") > before, READY_WITHIN_S, "the daemon being ready")

    def kill(self) -> None:
        assert self._ask("kill") == -signal.SIGKILL, self._service.log()

    def _ask(self, word: str) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{word}\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def __enter__(self) -> Lives:
        return self

    def __exit__(self, *exc: object) -> None:
        with self._process:
            pass  # closes its stdin, which ends it


class Campaign:
    """`run` once, in a folder of its own. The first and the last daemon run as people run it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._folder, self._seed, self._rng = folder, seed, random.Random(seed)
        self._safe, self._stop = Acknowledged(), threading.Event()
        self._flaws: queue.SimpleQueue[BaseException] = queue.SimpleQueue()
        # whole seconds apart and in the past: what is typed and what is heard never meet under one time
        self._began = datetime.now(UTC).replace(microsecond=0) - timedelta(days=4)
        self._pours_wanted = {"page": 1, "command": 1}
        self._page = free_port()

    def run(self, kills: int) -> Tally:
        with (
            Broker(self._folder / "broker") as broker,
            Receiver() as receiver,
            Service(self._folder / "home") as service,
        ):
            service.settings(receiver, broker, SENSOR, members=MEMBERS)
            with (service.folder / "curewatch.toml").open("a") as file:
                file.write(f"\n[web]\nport = {self._page}\n")
            service.start(READY_WITHIN_S)  # its subscription makes the broker keep what comes while it is dead
            writers = [
                threading.Thread(target=self._guarded, args=(work, service, broker))
                for work in (self._publish, self._type, self._tell)
            ]
            for writer in writers:
                writer.start()
            try:
                time.sleep(STAYS_UP_S)
                service.kill()
                with Lives(service) as lives:
                    early = sum(self._live_and_die(lives) for _ in range(kills - 1))
            finally:
                self._stop.set()
                for writer in writers:
                    writer.join(30)
            if not self._flaws.empty():
                raise self._flaws.get()
            service.start(READY_WITHIN_S)
            wait_for(lambda: self._settled(service), 120, "every reading and every delivery")
            tally = self._count(service, receiver, kills, early)
            assert service.end() == 0
            return tally

    def _live_and_die(self, lives: Lives) -> bool:
        """A daemon from its start to its kill at a random moment; True if that was not to wait until it was ready."""
        early = self._rng.random() < DURING_START
        if self._rng.random() < PIECES_A_KILL:
            self._pours_wanted[self._rng.choice(["page", "command"])] += 1
        lives.start(until_ready=not early)
        time.sleep(self._rng.uniform(0.0, STARTS_WITHIN_S if early else STAYS_UP_S))
        lives.kill()
        return early

    # --- the writers ---

    def _guarded(self, work: Callable[[Service, Broker], None], service: Service, broker: Broker) -> None:
        try:
            work(service, broker)
        except BaseException as flaw:
            self._flaws.put(flaw)

    def _publish(self, service: Service, broker: Broker) -> None:
        """A sensor: it counts what the broker has acknowledged."""
        client = Client(CallbackAPIVersion.VERSION2, client_id="sensor")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        k = 0
        while not self._stop.wait(EVERY_S["message"]):
            at, k = self._began + timedelta(seconds=2 * k), k + 1
            body = json.dumps({"temperature": 19.0 + k % 5 / 10, "humidity": 55, "time": at.isoformat()})
            info = client.publish("shed/air", body, qos=1)
            info.wait_for_publish(10)
            if info.is_published():
                self._safe.heard.add(at)
        client.disconnect()
        client.loop_stop()

    def _type(self, service: Service, broker: Broker) -> None:
        """Somebody at the page: what was answered 201 is counted, what was not is written anew."""
        k = pieces = 0
        while not self._stop.wait(EVERY_S["typed"]):
            if pieces < self._pours_wanted["page"]:
                pieces += 1
                name = f"page {pieces}"
                poured = self._poured(pieces).isoformat()
                body = {"name": name, "room": "Shed", "wet_thickness_mm": 0.8, "at": poured}
                if self._posted("pours", body):
                    self._safe.pieces.add(name)
                else:
                    self._pours_wanted["page"] += 1
                continue
            at, k = self._began + timedelta(seconds=2 * k + 1), k + 1
            if self._posted("readings", {"room": "Shed", "temp_c": 19.5, "rh_pct": 54, "at": at.isoformat()}):
                self._safe.typed.add(at)

    def _posted(self, what: str, body: dict[str, object]) -> bool:
        connection = http.client.HTTPConnection("127.0.0.1", self._page, timeout=10)
        with contextlib.closing(connection):
            try:
                connection.request("POST", f"/api/v1/{what}", json.dumps(body), {"content-type": "application/json"})
                answer = connection.getresponse()
                said = answer.read()
            except (OSError, http.client.HTTPException):
                return False  # dead, or died meanwhile: whether it was stored is not known
        assert answer.status in (201, 503), (answer.status, said)
        return answer.status == 201

    def _tell(self, service: Service, broker: Broker) -> None:
        """A process beside the daemon writes notices and pours: committed is acknowledged."""
        pieces = 0
        while not self._stop.wait(EVERY_S["notice"]):
            now = datetime.now(UTC)
            self._safe.notices.add(send_test_notice(service.desk, now).key)
            if pieces < self._pours_wanted["command"]:
                pieces += 1
                order = PourOrder(f"command {pieces}", "Shed", self._poured(pieces), 0.8e-3, ThicknessSource.GAUGE)
                log_pour(service.desk, order, now)
                self._safe.pieces.add(order.name)

    def _poured(self, number: int) -> datetime:
        """Days ago: what has dried since is told at once, in notices the daemon decides on."""
        return self._began + timedelta(hours=number % 60)

    # --- the reckoning ---

    def _settled(self, service: Service) -> bool:
        with service.desk.store.read() as tx:
            waiting = tx.deliveries(state=DeliveryState.WAITING)
            forecasts, pieces = tx.forecasts(), tx.pieces()
        service.alive()
        return not waiting and not self._missing_readings(service) and len(forecasts) == len(pieces)

    def _missing_readings(self, service: Service) -> set[tuple[str, datetime]]:
        safe = {("window", at) for at in self._safe.heard} | {("typed", at) for at in self._safe.typed}
        with service.desk.store.read() as tx:
            return safe - {(reading.source, reading.at) for reading in tx.readings("Shed")}

    def _count(self, service: Service, receiver: Receiver, kills: int, early: int) -> Tally:
        with service.desk.store.read() as tx:
            pieces = {piece.name for piece in tx.pieces()}
            stays = {stay.piece_id for stay in tx.stays()}
            whole = {piece.name for piece in tx.pieces() if piece.id in stays} & pieces
            notices = {notice.key for notice in tx.notices(limit=1_000_000)}
        bodies: dict[str, bytes] = {}
        altered = 0
        for request in list(receiver.requests):
            altered += bodies.setdefault(request.headers["webhook-id"], request.body) != request.body
        times = Counter(receiver.keys())
        # what came about while nobody looked is told in one message, which names each by its key
        joined = {key for body in bodies.values() for key in json.loads(body)["data"].get("members", ())}
        lost = (notices | self._safe.notices | due_keys(service)) - times.keys() - joined
        return Tally(
            kills=kills,
            seed=self._seed,
            readings=len(self._safe.heard) + len(self._safe.typed),
            pours=len(self._safe.pieces),
            notices=len(notices),
            lost_facts=len(self._missing_readings(service)) + len(self._safe.pieces - whole),
            lost_notices=len(lost),
            duplicates=times.total() - len(times),
            altered=altered,
            killed_before_ready=early,
            said=[_standing(service, key) for key in sorted(lost)[:10]],
        )


def _standing(service: Service, key: str) -> str:
    with service.desk.store.read() as tx:
        found = [(d.notice.kind, d.channel, d.state.value, d.last_error) for d in tx.deliveries(keys=[key])]
    return f"{key}: {found or 'no delivery'}"


def due_keys(service: Service) -> set[str]:
    """Of each milestone that is due by its safe date, the key it is told under."""
    now = datetime.now(UTC)
    with service.desk.store.read() as tx:
        told = tx.known_keys(
            keys := {
                f"piece-{forecast.piece_id}/{milestone.kind}/safe"
                for forecast in tx.forecasts().values()
                for milestone in forecast.milestones
                if milestone.kind in service.desk.settings.notices.milestones
                and milestone.safe_at is not None
                and milestone.safe_at <= now
            }
        )
    assert told == keys, f"decided and never written: {keys - told}"
    return keys
