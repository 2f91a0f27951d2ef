"""The store taken from under a running daemon: what is stored nowhere is not acknowledged, and nothing begins anew."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import requests

from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.whole.service import Service

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]
SENSOR = '[[sensors]]\nid = "window"\nroom = "Shed"\ntopic = "shed/air"\n'
WITHIN_S = 30.0


def removed(store: Path) -> None:
    store.unlink()


def replaced(store: Path) -> None:
    other = store.with_name("other.sqlite")
    with closing(sqlite3.connect(other)) as made:
        made.execute("CREATE TABLE another (one)")
    os.replace(other, store)


def without_its_log(store: Path) -> None:
    Path(f"{store}-wal").unlink()


@pytest.mark.parametrize("fate", [removed, replaced, without_its_log])
def test_a_store_that_is_taken_away_ends_the_daemon_and_loses_nothing(
    tmp_path: Path, fate: Callable[[Path], object]
) -> None:
    port = free_port()
    with Broker(tmp_path / "broker", persistent=True) as broker, Receiver() as receiver:
        with Service(tmp_path / "home") as service:
            service.settings(receiver, broker, f"{SENSOR}[web]\nport = {port}\n", members=8)
            service.start()
            wait_for(lambda: "the broker grants the topic" in service.log(), WITHIN_S, "the topic")
            backups = service.folder / "backups"
            wait_for(lambda: list(backups.glob("studio-*.sqlite")), WITHIN_S, "the first backup, at once")
            publish(broker, range(20))
            wait_for(lambda: service.readings() == 20, WITHIN_S, "the readings")
            service.desk.store.close()
            fate(service.store)
            publish(broker, range(20, 40))
            page = requests.get(f"http://127.0.0.1:{port}/healthz", timeout=10)
            assert page.status_code == 503
            assert "while it was in use" in page.text
            assert service.process is not None
            assert service.process.wait(WITHIN_S) == 4
            assert "while it was in use" in service.log()
            (aside,) = service.folder.glob("studio-damaged-*.sqlite")
            assert temps(aside) >= {10 + n / 100 for n in range(20)}, "what was acknowledged"
            if fate is removed:
                said = service.command("board", "--json", fails_with=4)
                assert "is gone" in said
                service.command("board", "--new-store")
        if fate is not removed:
            for ending in ("", "-wal", "-shm"):
                Path(f"{service.store}{ending}").unlink(missing_ok=True)
        with Service(tmp_path / "home") as service:
            service.command("restore", str(aside))
            service.start()
            wait_for(lambda: service.readings() >= 40, WITHIN_S, "what the broker had kept")
            service.desk.store.close()
            assert service.end() == 0
            assert temps(service.store) == {10 + n / 100 for n in range(40)}


def publish(broker: Broker, numbers: range) -> None:
    broker.publish_all([("shed/air", f'{{"temperature": {10 + n / 100:.2f}, "humidity": 50}}') for n in numbers])


def temps(store: Path) -> set[float]:
    with closing(sqlite3.connect(store)) as read:
        return {temp for (temp,) in read.execute("SELECT temp_c FROM readings")}
