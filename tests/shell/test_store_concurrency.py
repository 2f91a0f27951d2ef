"""Several at one store: threads, processes that are killed, two daemons. And the PRAGMAs all of that rests on."""

from __future__ import annotations

import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.records import Reading, Room
from curewatch.store import AlreadyRunning, DuplicateName, Store, StoreError
from curewatch.store.engine import BUSY_TIMEOUT_S

NOON = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)

MIGRATES = True


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "studio.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as store:
        with store.write() as tx:
            tx.add_room(Room(name="Boat shed"))
        yield store


def reading(i: int) -> Reading:
    at = NOON + timedelta(seconds=i)
    return Reading(room="Boat shed", at=at, received_at=at, temp_c=18.0, source="window")


# --- PRAGMAs ---------------------------------------------------------------------------------------------------


def test_every_connection_keeps_the_promises(store: Store) -> None:
    promised = {
        "journal_mode": "wal",
        "synchronous": 3,  # EXTRA: FULL, and a journal that is done with stays gone
        "foreign_keys": 1,
        "busy_timeout": int(BUSY_TIMEOUT_S * 1000),
    }
    held = [store.read() for _ in range(8)]  # more than the pool keeps, so some are new
    try:
        for context in held:
            tx = context.__enter__()
            kept = {name: tx._connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in promised}
            assert kept == promised
    finally:
        for context in held:
            context.__exit__(None, None, None)
    with store.write() as tx:
        assert {name: tx._connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in promised} == promised


def test_the_connection_that_migrated_checks_foreign_keys_again(path: Path) -> None:
    with Store.open(path) as store, store.write() as tx:
        assert tx._connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


# --- Threads ---------------------------------------------------------------------------------------------------


def test_four_threads_write_at_once_and_nothing_is_lost_or_refused(store: Store) -> None:
    """Each transaction reads, then writes: under a plain BEGIN most of these would fail."""

    def count_up(thread: int) -> None:
        for i in range(25):
            with store.write() as tx:
                so_far = int(tx.get_meta("so far") or 0)
                tx.add_piece(f"{thread}/{i}", NOON)
                tx.set_meta("so far", str(so_far + 1))

    with ThreadPoolExecutor(4) as threads:
        list(threads.map(count_up, range(4)))
    with store.read() as tx:
        assert tx.get_meta("so far") == "100"
        assert tx.counts()["pieces"] == 100


def test_one_name_in_four_threads_is_given_once(store: Store) -> None:
    start = threading.Barrier(4)

    def take(_thread: int) -> bool:
        start.wait(10)
        try:
            with store.write() as tx:
                tx.add_piece("Low tide", NOON)
        except DuplicateName:
            return False
        return True

    with ThreadPoolExecutor(4) as threads:
        assert sorted(threads.map(take, range(4))) == [False, False, False, True]


def test_a_reader_sees_one_moment_and_neither_waits_nor_keeps_anyone_waiting(store: Store) -> None:
    with store.read() as early:
        assert early.get_meta("x") is None
        with store.write() as tx:
            tx.set_meta("x", "new")
            with store.read() as during:
                assert during.get_meta("x") is None, "not committed yet"
        assert early.get_meta("x") is None, "still the moment of its first look"
    with store.read() as late:
        assert late.get_meta("x") == "new"


def test_writing_inside_read_is_an_error_and_the_connection_can_write_again_afterwards(store: Store) -> None:
    with pytest.raises(StoreError, match="readonly"), store.read() as tx:
        tx.set_meta("x", "1")
    with store.write() as tx:
        tx.set_meta("x", "2")
    with store.read() as tx:
        assert tx.get_meta("x") == "2"


def test_a_writer_that_waits_too_long_is_told_which_store_is_busy(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("curewatch.store.engine.BUSY_TIMEOUT_S", 0.05)
    with (
        Store.open(path) as impatient,
        store.write(),
        pytest.raises(StoreError, match=r"studio\.sqlite failed: .*locked"),
    ):
        impatient.write().__enter__()


# --- Death -----------------------------------------------------------------------------------------------------

WRITER = """
import sys
from datetime import UTC, datetime, timedelta
from curewatch.records import Reading
from curewatch.store import Store
path, first, batch = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
noon = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
with Store.open(path) as store:
    for start in range(first, first + 1_000_000, batch):
        times = [noon + timedelta(seconds=i) for i in range(start, start + batch)]
        with store.write() as tx:
            tx.add_readings(
                Reading(room="Boat shed", at=at, received_at=at, temp_c=18.0, source="window") for at in times
            )
            tx.set_meta("written", str(start + batch))
        print(start + batch, flush=True)  # acknowledged: from here on it must not be lost
"""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_kill_9_amid_writes_loses_no_acknowledged_commit_and_leaves_no_half_one(
    store: Store, path: Path, seed: int
) -> None:
    rng, first, batch = random.Random(seed), 0, 7
    for _ in range(2):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(first), str(batch)], stdout=subprocess.PIPE, text=True
        ) as writer:
            assert writer.stdout is not None
            acknowledged = first
            for _ in range(rng.randrange(1, 60)):
                acknowledged = int(writer.stdout.readline())
            threading.Event().wait(rng.random() * 0.003)  # to fall anywhere between two commits
            writer.send_signal(signal.SIGKILL)
            acknowledged = max([acknowledged, *(int(line) for line in writer.stdout if line.endswith("\n"))])
        with store.read() as tx:
            written = int(tx.get_meta("written") or 0)
            assert written >= acknowledged
            assert tx.readings("Boat shed") == [reading(i) for i in range(written)]
        first = written
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# --- One daemon ------------------------------------------------------------------------------------------------

HOLDER = """
import sys
from curewatch.store import Store
with Store.open(sys.argv[1]) as store, store.lock_for_daemon():
    print("held", flush=True)
    sys.stdin.read()
"""


def holder(path: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_second_daemon_is_told_who_runs_and_takes_over_after_kill_9(store: Store, path: Path) -> None:
    with holder(path) as first:
        with pytest.raises(AlreadyRunning, match=f"process {first.pid} on {socket.gethostname()} since 20") as refused:
            store.lock_for_daemon().__enter__()
        assert (refused.value.pid, refused.value.host) == (first.pid, socket.gethostname())
        assert refused.value.since is not None
        assert abs(refused.value.since.timestamp() - path.with_name("studio.sqlite.lock").stat().st_mtime) < 1
        first.kill()
        first.wait(10)
        with store.lock_for_daemon():
            pass


def test_the_lock_holds_within_one_process_and_through_a_link_and_ends_with_its_block(
    store: Store, path: Path, tmp_path: Path
) -> None:
    link = tmp_path / "link.sqlite"
    link.symlink_to(path)
    with Store.open(link) as same:
        with store.lock_for_daemon(), pytest.raises(AlreadyRunning, match=f"process {os.getpid()}"):
            same.lock_for_daemon().__enter__()
        with same.lock_for_daemon():
            pass


def test_the_lock_keeps_nobody_from_writing(store: Store, path: Path) -> None:
    """The command line and the page write while the daemon runs."""
    with holder(path) as daemon:
        with store.write() as tx:
            tx.set_meta("x", "1")
        daemon.kill()


def test_a_child_that_outlives_the_daemon_does_not_hold_its_lock(store: Store) -> None:
    with store.lock_for_daemon():
        child = subprocess.Popen(["sleep", "60"], close_fds=False)
    try:
        with store.lock_for_daemon():
            pass
    finally:
        child.kill()
        child.wait()
