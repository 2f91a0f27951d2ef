"""A store that is damaged, gone, on a full disk or on one that can only be read: told plainly, and nothing deleted."""

from __future__ import annotations

import random
import shutil
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.daemon import Daemon
from curewatch.daemon.daemon import open_store
from curewatch.records import Reading, Room
from curewatch.settings import Settings, WebSettings
from curewatch.store import BackupFailed, CannotOpen, DiskTrouble, PhotoFolder, Store, StoreBroken, StoreError, back_up
from curewatch.store.disk import faults
from tests.shell.disks import small_disk
from tests.shell.parts import HandClock, wait_for

NOW = datetime(2026, 11, 25, 3, 12, tzinfo=UTC)


def make(path: Path, readings: int = 0) -> None:
    with Store.open(path) as store, store.write() as tx:
        tx.add_room(Room(name="Loft"))
        tx.add_readings([reading(k) for k in range(readings)])


def reading(k: int) -> Reading:
    at = NOW - timedelta(minutes=k)
    return Reading(room="Loft", at=at, temp_c=19.0, rh_pct=55.0, received_at=at)  # typed, so none is packed


def spoil(path: Path, at: int, length: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(random.Random(at).randbytes(length))


def start(path: Path) -> Store | None:
    return open_store(str(path), None, HandClock(NOW), threading.Event())


# --- damaged ---

WAYS = {
    "its header": lambda path: spoil(path, 0, 100),
    "its first page": lambda path: spoil(path, 0, 4096),
    "a page within": lambda path: spoil(path, 8 * 4096, 4096),
    "cut short": lambda path: _cut(path, path.stat().st_size // 2),
    "empty": lambda path: _cut(path, 0),
    "zeros": lambda path: path.write_bytes(bytes(path.stat().st_size)),
}


def _cut(path: Path, size: int) -> None:
    with path.open("r+b") as file:
        file.truncate(size)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("backed_up", [True, False], ids=["with a backup", "without one"])
def test_a_damaged_store_is_set_aside_whole_at_a_start_and_its_backup_named(
    tmp_path: Path, way: str, backed_up: bool
) -> None:
    path = tmp_path / "studio.sqlite"
    make(path, readings=2000)
    with Store.open(path) as store, store.lock_for_daemon():
        pass  # a daemon has run on it
    backup = back_up(path, NOW - timedelta(hours=5)) if backed_up else None
    WAYS[way](path)
    damaged = path.read_bytes()

    with pytest.raises(StoreBroken, match=r"studio\.sqlite is damaged") as told:
        start(path)
    aside = tmp_path / "studio-damaged-20261125T031200Z.sqlite"
    assert f"It was set aside as {aside}; nothing of it was deleted." in str(told.value)
    assert aside.read_bytes() == damaged
    assert not path.exists()
    for _ in range(3):  # whoever starts it again, and however often: no empty store takes its place
        with pytest.raises(StoreBroken, match=r"is gone; the last that was set aside is .*studio-damaged"):
            start(path)
    if backup is not None:
        assert f"The last good backup is {backup.path}, made 2026-11-24 22:12 UTC" in str(told.value)
        assert f"this brings it back: curewatch --store {path} restore" in str(told.value)
    else:
        assert f"There is no backup in {tmp_path / 'backups'}" in str(told.value)
    assert not path.exists()


@pytest.mark.parametrize("way", ["its header", "empty", "zeros"])
def test_a_command_tells_of_the_damage_and_leaves_the_file(tmp_path: Path, way: str) -> None:
    path = tmp_path / "studio.sqlite"
    make(path)
    backup = back_up(path, NOW)
    WAYS[way](path)
    damaged = path.read_bytes()
    with pytest.raises(StoreBroken, match=rf"is damaged.*The newest backup is {backup.path}"):
        Store.open(path)
    assert path.read_bytes() == damaged


def test_a_command_does_not_wait_until_the_whole_file_was_looked_through(tmp_path: Path) -> None:
    path = tmp_path / "studio.sqlite"
    make(path, readings=3000)
    spoil(path, path.stat().st_size - 4096, 4096)
    with Store.open(path) as store, store.read() as tx:
        assert [room.name for room in tx.rooms()] == ["Loft"]
    with pytest.raises(StoreBroken):
        Store.open(path, look_through=True)


def test_a_flipped_bit_in_days_of_readings_is_found_at_a_start_and_by_no_backup_taken_for_sound(tmp_path: Path) -> None:
    """SQLite finds no fault with it."""
    path = tmp_path / "studio.sqlite"
    make(path)
    with Store.open(path) as store, store.write() as tx:
        tx.add_readings(reading(k).model_copy(update={"source": "window"}) for k in range(4000))
    draw = random.Random(5)
    with closing(sqlite3.connect(path, isolation_level=None)) as disk:
        days = [(table, *row) for table in faults.PACKED for row in disk.execute(_DAYS.format(table=table))]
        assert len(days) >= 4
        for table, row, data in days * 4:
            at = draw.randrange(8 * 3, 8 * len(data))  # the first byte names the form, the next two the deflation
            flipped = bytearray(data)
            flipped[at // 8] ^= 1 << at % 8
            put = f'UPDATE {table} SET "columns" = ? WHERE rowid = ?'
            disk.execute(put, (bytes(flipped), row))
            assert faults.damage(path) is not None
            with pytest.raises(BackupFailed, match=f"is damaged: the readings of source 1 of day .* in {table}"):
                back_up(path, NOW)
            disk.execute(put, (data, row))
    assert not list((tmp_path / "backups").glob("studio-*.sqlite"))
    assert back_up(path, NOW).path.exists()


_DAYS = 'SELECT rowid, "columns" FROM {table}'


@pytest.mark.parametrize("trace", ["photos", "lock", "backup"])
def test_where_a_store_was_none_begins_anew_unless_that_is_said(tmp_path: Path, trace: str) -> None:
    path = tmp_path / "studio.sqlite"
    make(path)
    if trace == "photos":
        PhotoFolder.of(path).put(b"an image")
    elif trace == "lock":
        with Store.open(path) as store, store.lock_for_daemon():
            pass
    else:
        back_up(path, NOW)
    for ending in ("", "-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
    helps = "restore" if trace == "backup" else "--new-store run"
    with pytest.raises(StoreBroken, match=f"is gone.*: curewatch --store .* {helps}$"):
        Store.open(path)
    assert not path.exists()
    Store.open(path, anew=True).close()
    with Store.open(path) as store, store.read() as tx:
        assert tx.rooms() == []


def test_an_emptied_store_behind_a_link_does_not_begin_anew_unseen(tmp_path: Path) -> None:
    """A daemon's lock lies beside the file itself, wherever the link to it is. Common practice, no source."""
    (tmp_path / "disk").mkdir()
    path, link = tmp_path / "disk" / "studio.sqlite", tmp_path / "studio.sqlite"
    link.symlink_to(path)
    make(path)
    with Store.open(link) as store, store.lock_for_daemon():
        pass  # a daemon has run on it
    WAYS["empty"](path)
    with pytest.raises(StoreBroken, match=r"is damaged: its file is empty"):
        Store.open(link)
    assert path.stat().st_size == 0


def test_the_log_is_set_aside_with_its_store_and_together_they_are_what_they_were(tmp_path: Path) -> None:
    path, original = tmp_path / "studio.sqlite", tmp_path / "original.sqlite"
    make(path)
    with Store.open(path) as store:
        with store.write() as tx:
            tx.add_room(Room(name="Slipway"))  # only in the log as yet
        for ending in ("", "-wal"):
            shutil.copy(f"{path}{ending}", f"{original}{ending}")
    for ending in ("", "-wal"):
        shutil.copy(f"{original}{ending}", f"{path}{ending}")
    spoil(path, 0, 100)
    with pytest.raises(StoreBroken):
        start(path)
    (aside,) = tmp_path.glob("studio-damaged-*.sqlite")
    header = original.read_bytes()[:100]
    with aside.open("r+b") as file:
        file.write(header)  # what a person who knows the trade would mend
    with Store.open(aside) as mended, mended.read() as tx:
        assert {room.name for room in tx.rooms()} == {"Loft", "Slipway"}


def test_a_file_that_was_never_a_store_is_not_moved_by_a_start(tmp_path: Path) -> None:
    for name, content in (("tides.csv", b"at,height\n" * 500), ("x.sqlite", b"SQLite format 3\0" + b"\xff" * 5000)):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(CannotOpen, match="is no SQLite database, so no store") as told:
            start(path)
        assert not isinstance(told.value, StoreBroken)
        assert path.read_bytes() == content


def test_damage_met_while_running_is_told_as_such(tmp_path: Path) -> None:
    path = tmp_path / "studio.sqlite"
    make(path, readings=5000)
    with closing(sqlite3.connect(path)) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'readings'").fetchone()
    with Store.open(path) as store:
        spoil(path, (root - 1) * 4096, 4096)
        with pytest.raises(StoreBroken, match="is damaged"), store.read() as tx:
            tx.readings("Loft")


def test_with_its_backups_elsewhere_they_are_named(tmp_path: Path) -> None:
    path, folder = tmp_path / "studio.sqlite", tmp_path / "stick"
    make(path)
    with Store.open(path, backups=folder) as store:
        made = store.back_up(NOW)
    assert made.path.parent == folder
    path.unlink()
    with pytest.raises(StoreBroken, match=rf"is gone.*{made.path}"):
        Store.open(path, backups=folder)


# --- the disk ---


def test_a_full_disk_refuses_a_fact_and_takes_it_when_there_is_room(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk, Store.open(disk.folder / "studio.sqlite") as store:
        with store.write() as tx:
            tx.add_room(Room(name="Loft"))
        disk.fill()
        refused = None
        stored = 0
        for k in range(0, 100_000, 100):
            try:
                with store.write() as tx:
                    tx.add_readings([reading(j) for j in range(k, k + 100)])
            except DiskTrouble as error:
                refused = error
                break
            stored = k + 100
        assert refused is not None
        assert f"the disk of {disk.folder} is full" in str(refused)
        assert "make room on it" in str(refused)
        with store.read() as tx:  # what was acknowledged is there, nothing of what was refused is
            assert tx.counts()["readings"] == stored
        disk.make_room()
        with store.write() as tx:
            tx.add_readings([reading(j) for j in range(stored, stored + 100)])
        with store.read() as tx:
            assert tx.counts()["readings"] == stored + 100


def test_a_start_on_a_full_disk_waits_until_there_is_room(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        path = disk.folder / "studio.sqlite"
        make(path)
        disk.fill()

        class Making(HandClock):
            def wait(self, event: threading.Event, timeout: float) -> bool:
                disk.make_room()
                return False

        opened = open_store(str(path), None, Making(NOW), threading.Event())
        assert opened is not None
        with opened:
            assert f"the disk of {disk.folder} is full" in caplog.text
        disk.fill()
        told_to_end = threading.Event()
        told_to_end.set()
        assert open_store(str(path), None, HandClock(NOW), told_to_end) is None


@pytest.mark.parametrize(("left_kb", "says"), [(40, "is full (40 kB left)"), (4000, "does not do what is asked of it")])
def test_a_write_that_fails_with_hardly_anything_left_is_of_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, left_kb: int, says: str
) -> None:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR | (3 << 8)  # of a write
    monkeypatch.setattr(faults, "_free_bytes", lambda folder: left_kb * 1024)
    assert says in str(faults.disk_trouble(error, tmp_path / "studio.sqlite"))


def test_a_disk_that_can_only_be_read_is_told(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        path = disk.folder / "studio.sqlite"
        make(path)
        before = path.read_bytes()
        disk.only_to_be_read()
        for where in (path, disk.folder / "new.sqlite"):
            with pytest.raises(CannotOpen, match=rf"the disk of {disk.folder} can only be read; mount it writable"):
                start(where)
        assert path.read_bytes() == before
        disk.to_be_written()
        Store.open(path).close()


def test_no_backup_is_left_by_a_full_disk(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        path = disk.folder / "studio.sqlite"
        make(path)
        disk.fill()
        with pytest.raises(Exception, match=r"no room for it|No space left|is full"):
            back_up(path, NOW)
        assert list((disk.folder / "backups").glob("*")) == []


# --- the daemon ---


def test_a_store_damaged_under_a_running_daemon_ends_it_and_the_next_start_sets_it_aside(tmp_path: Path) -> None:
    path = tmp_path / "studio.sqlite"
    make(path, readings=3000)
    looked, ended = threading.Event(), []
    daemon = Daemon(Settings(zone="UTC", web=WebSettings(enabled=False)), str(path), HandClock(NOW))

    def run() -> None:
        try:
            daemon.run(show=lambda board: looked.set())
        except StoreError as error:
            ended.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert looked.wait(30)
        spoil(path, 4096, path.stat().st_size - 4096)
        with closing(sqlite3.connect(path)) as raw:  # a change, after which nobody goes by what was read before
            raw.execute("PRAGMA user_version = 1")
        wait_for(lambda: daemon._readings_stored() or ended, 20, "the daemon noticing")
    finally:
        daemon.stop()
        thread.join(20)
    (error,) = ended
    assert isinstance(error, StoreBroken)
    assert path.exists()  # nothing is moved under other processes that may have it open
    with pytest.raises(StoreBroken, match="It was set aside as"):
        start(path)
