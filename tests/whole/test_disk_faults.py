"""The daemon on a disk that fills up or can only be read, and with a store that is damaged: real mounts, real files."""

from __future__ import annotations

import json
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.records import Room
from curewatch.store import Store, back_up
from tests.shell.disks import small_disk
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.whole.service import Service

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]

SENSOR = '[[sensors]]\nid = "window"\nroom = "Shed"\ntopic = "shed/air"\ntime = "/time"\n'
BEGAN = datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)


class Elsewhere(Service):
    """Its store on a disk of its own; settings and log stay where they are."""

    disk: Path

    @property
    def store(self) -> Path:
        return self.disk / "studio.sqlite"


def messages(first: int, count: int) -> list[tuple[str, bytes | str]]:
    return [
        (
            "shed/air",
            json.dumps({"temperature": 19.0, "humidity": 55, "time": (BEGAN + timedelta(seconds=10 * k)).isoformat()}),
        )
        for k in range(first, first + count)
    ]


@pytest.mark.xdist_group("kills")
def test_a_disk_that_fills_up_and_is_cleared_loses_nothing(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk", 6) as disk,
        Broker(tmp_path / "broker") as broker,
        Receiver() as receiver,
        Elsewhere(tmp_path / "home") as service,
    ):
        service.disk = disk.folder
        service.settings(receiver, broker, SENSOR, members=2)
        with (service.folder / "curewatch.toml").open("a") as file:
            file.write(f"\n[web]\nport = {free_port()}\n")
        service.start()
        # until then a broker keeps nothing for us
        wait_for(lambda: "the broker grants the topic" in service.log(), 20, "the subscription being granted")
        broker.publish_all(messages(0, 50))
        wait_for(lambda: service.readings() == 50, 20, "the readings before")

        disk.fill()
        flood = threading.Thread(target=broker.publish_all, args=(messages(50, 4000),))
        flood.start()
        wait_for(lambda: "readings wait for the store" in service.log(), 30, "the daemon telling of the full disk")
        flood.join(30)  # the broker has taken them all, and keeps what the daemon does not acknowledge
        assert f"the disk of {disk.folder} is full" in service.log()
        said = service.command("reading", "--room", "Shed", "--temperature", "18C", "--humidity", "50%", fails_with=1)
        assert "is full" in said
        assert "make room on it" in said
        assert service.readings() < 4050
        service.alive()

        disk.make_room()
        wait_for(lambda: service.readings() == 4050, 60, "every reading after there was room")
        service.command("reading", "--room", "Shed", "--temperature", "18C", "--humidity", "50%")
        assert service.readings() == 4051
        service.alive()
        assert service.end() == 0
        assert "unexpected" not in service.log()


@pytest.mark.xdist_group("kills")
def test_a_start_on_a_damaged_store_or_a_read_only_disk_is_refused_with_what_helps(tmp_path: Path) -> None:
    with Service(tmp_path / "home") as service:
        service.folder.mkdir()
        (service.folder / "curewatch.toml").write_text('zone = "UTC"\n[web]\nenabled = false\n')
        with Store.open(service.store) as store, store.write() as tx:
            tx.add_room(Room(name="Shed"))
        back_up(service.store, BEGAN)
        with closing(sqlite3.connect(service.store)) as raw:
            (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'rooms'").fetchone()
        damaged = bytearray(service.store.read_bytes())
        damaged[(root - 1) * 4096 : root * 4096] = b"\xa5" * 4096
        service.store.write_bytes(damaged)

        said = service.command("run", fails_with=4)
        (aside,) = service.folder.glob("studio-damaged-*.sqlite")
        (backup,) = (service.folder / "backups").iterdir()
        assert f"It was set aside as {aside}; nothing of it was deleted" in said
        assert f"The last good backup is {backup}" in said
        assert aside.read_bytes() == damaged
        assert "is gone" in service.command("run", fails_with=4)
        command = said[said.index("curewatch --store") :].strip().removeprefix("curewatch ").split()
        service.command(*command[2:])  # the one command it names, to the same store
        assert "Shed" in service.command("board")

    with small_disk(tmp_path / "disk", 6) as disk, Elsewhere(tmp_path / "home2") as other:
        other.folder.mkdir()
        (other.folder / "curewatch.toml").write_text('zone = "UTC"\n[web]\nenabled = false\n')
        other.disk = disk.folder
        Store.open(other.store).close()
        disk.only_to_be_read()
        assert f"the disk of {disk.folder} can only be read" in other.command("run", fails_with=2)
