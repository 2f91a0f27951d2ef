"""Backups: made beside a writer, proven before they count, kept by number, brought back without deleting anything."""

from __future__ import annotations

import json
import sqlite3
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.daemon import Daemon
from curewatch.daemon.backups import SETTLED_AFTER_S, Backups
from curewatch.desk import Desk
from curewatch.records import Reading, Room
from curewatch.settings import BackupSettings, Settings, WebhookSettings, WebSettings
from curewatch.store import (
    AlreadyRunning,
    BackupFailed,
    Store,
    StoreBroken,
    back_up,
    backups_of,
    restore,
    set_broken_aside,
)
from curewatch.store.disk.backup import prune
from tests.shell.parts import HandClock, wait_for

NOW = datetime(2026, 11, 25, 3, 12, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "studio.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as store:
        yield store


def add(store: Store, *rooms: str) -> None:
    with store.write() as tx:
        for room in rooms:
            tx.add_room(Room(name=room))


def rooms_in(path: Path) -> list[str]:
    with Store.open(path) as store, store.read() as tx:
        return [room.name for room in tx.rooms()]


def spoil(path: Path, at: int = 4096, length: int = 4096) -> None:
    """Overwrite part of a file, as a worn-out card would."""
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * length)


# --- making one ---


def test_a_backup_holds_what_was_committed_also_what_only_the_log_has(store: Store, path: Path) -> None:
    add(store, "Loft")
    assert Path(f"{path}-wal").stat().st_size > 0
    made = store.back_up(NOW)
    assert made.path == path.parent / "backups" / "studio-20261125T031200Z.sqlite"
    assert (made.at, made.size) == (NOW, made.path.stat().st_size)
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.path.parent.stat().st_mode) == 0o700
    assert sorted(entry.name for entry in made.path.parent.iterdir()) == [made.path.name]  # one file, nothing beside it
    assert store.backups() == backups_of(path) == [made]
    assert rooms_in(made.path) == ["Loft"]


def test_a_backup_beside_a_busy_writer_is_a_moment_of_it(store: Store) -> None:
    """Every transaction writes two rooms: a copy from within one would hold an odd number."""
    stop = threading.Event()

    def write_on() -> None:
        k = 0
        while not stop.is_set():
            add(store, f"a {k}", f"b {k}")
            k += 1

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        counts = []
        for k in range(10):
            made = store.back_up(NOW + timedelta(seconds=k))
            with closing(sqlite3.connect(made.path)) as copy:
                counts.append(copy.execute("SELECT count(*) FROM rooms").fetchone()[0])
    finally:
        stop.set()
        writer.join()
    assert all(count % 2 == 0 for count in counts)
    assert counts == sorted(counts)
    assert counts[-1] > counts[0], "the writer was kept waiting"


def test_a_damaged_store_makes_no_backup_and_the_good_one_stays(store: Store, path: Path) -> None:
    add(store, *(f"room {k}" for k in range(500)))
    good = store.back_up(NOW)
    store.close()
    with closing(sqlite3.connect(path)) as raw:
        page = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_rooms_1'").fetchone()[0]
        size = raw.execute("PRAGMA page_size").fetchone()[0]
    spoil(path, (page - 1) * size, size)
    with pytest.raises(BackupFailed, match=r"no backup of .*studio\.sqlite was made|what is to be copied is damaged"):
        back_up(path, NOW + timedelta(days=1))
    assert [entry.name for entry in good.path.parent.iterdir()] == [good.path.name]


def test_what_is_there_is_never_written_over(store: Store, tmp_path: Path) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("the tide table")
    with pytest.raises(BackupFailed, match=r"mine\.txt is there already; name another file"):
        store.back_up(NOW, to=mine)
    assert mine.read_text() == "the tide table"


def test_a_backup_that_would_fill_the_disk_is_not_begun(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("curewatch.store.disk.backup.LEFT_FREE_BYTES", 1 << 60)
    with pytest.raises(BackupFailed, match=r"has no room for it: \d+ kB free, \d+ kB wanted"):
        store.back_up(NOW)
    assert store.backups() == []


def test_what_a_cut_off_run_left_does_not_count_and_is_cleared(store: Store, path: Path) -> None:
    folder = path.parent / "backups"
    folder.mkdir()
    for name in (".studio-20261125T031200Z.sqlite.part", "studio-yesterday.sqlite", "other-20261125T031200Z.sqlite"):
        (folder / name).write_bytes(b"SQLite format 3\0" + b"half")
    (folder / "studio-20269999T031200Z.sqlite").touch()
    assert store.backups() == []
    made = store.back_up(NOW)
    assert store.backups() == [made]
    assert not (folder / ".studio-20261125T031200Z.sqlite.part").exists()


def test_only_the_newest_are_kept_and_those_of_a_date_to_come_stay_beside_them(store: Store, path: Path) -> None:
    ahead = store.back_up(NOW + timedelta(days=9000))  # made when the clock was wrong
    others = [store.back_up(NOW + timedelta(days=k)) for k in range(4)]
    deleted = store.prune_backups(3, others[-1].at)
    assert deleted == [others[0].path]
    assert store.backups() == [*others[1:], ahead]
    assert store.prune_backups(1, others[-1].at) == [others[1].path, others[2].path]
    assert store.backups() == [others[3], ahead]


# --- going back to one ---


def test_a_restore_brings_back_the_backup_and_sets_aside_what_was_there(store: Store, path: Path) -> None:
    add(store, "Loft")
    made = store.back_up(NOW)
    add(store, "Slipway")
    store.close()
    done = restore(path, made.path, NOW)
    assert done.before == path.with_name("studio-before-restore-20261125T031200Z.sqlite")
    assert rooms_in(path) == ["Loft"]
    assert rooms_in(done.before) == ["Loft", "Slipway"]
    assert made.path.exists()
    again = restore(path, done.before, NOW)  # within the same second: another name
    assert again.before == path.with_name("studio-before-restore-20261125T031200Z-2.sqlite")
    assert rooms_in(path) == ["Loft", "Slipway"]


def test_a_restore_sets_the_log_of_a_damaged_store_aside_with_it(store: Store, path: Path) -> None:
    """Left there it would be taken for the log of the new file, and written into it."""
    add(store, "Loft")
    made = store.back_up(NOW)
    add(store, "Slipway")
    log = Path(f"{path}-wal").read_bytes()
    store.close()
    Path(f"{path}-wal").write_bytes(log)
    spoil(path, 0, 100)
    done = restore(path, made.path, NOW)
    assert done.before is not None
    assert Path(f"{done.before}-wal").read_bytes() == log
    assert rooms_in(path) == ["Loft"]


def test_a_damaged_or_foreign_backup_is_refused_and_the_store_stays(store: Store, path: Path) -> None:
    add(store, "Loft")
    made = store.back_up(NOW)
    add(store, "Slipway")
    store.close()
    spoil(made.path, 0, 100)
    foreign = path.with_name("tides.sqlite")
    with closing(sqlite3.connect(foreign)) as raw:
        raw.execute("CREATE TABLE tides (at TEXT)")
    for backup, why in ((made.path, "not a database"), (foreign, "no store of curewatch"), (path, "the store itself")):
        with pytest.raises(BackupFailed, match=why):
            restore(path, backup, NOW)
    with pytest.raises(BackupFailed, match="there is no backup at"):
        restore(path, path.with_name("none.sqlite"), NOW)
    assert rooms_in(path) == ["Loft", "Slipway"]


def test_days_of_readings_lie_beside_the_backups_once_and_come_back_whole(store: Store, path: Path) -> None:
    """Backups of three days, a late reading between them, and the first single readings let go: each comes back as it
    was; what no backup holds any more goes."""
    post = [
        Reading(room="Loft", at=at, received_at=at, source="post", temp_c=20 + k % 7 / 10, rh_pct=50 + k % 5 / 10)
        for k in range(30 * 288)
        for at in [NOW - timedelta(days=30) + timedelta(minutes=5 * k)]
    ]
    add(store, "Loft")
    folder, said = path.parent / "backups", list[list[Reading]]()
    late = Reading(room="Loft", at=post[5].at + timedelta(minutes=1), received_at=NOW, source="post", temp_c=30.0)
    for day in range(3):
        with store.write() as tx:
            tx.add_readings([*(one for one in post if one.at < NOW - timedelta(days=2 - day)), *[late][: day and 1]])
            if day == 2:
                tx.pack()
                tx.thin(NOW - timedelta(days=20), 100)
            said.append(tx.readings("Loft"))
        store.back_up(NOW + timedelta(days=day))
    kept, months = (
        store.backups(),
        [f"studio-2026-{which}.days" for which in ("10-raw", "10-rolled", "11-raw", "11-rolled")],
    )
    assert sorted(one.name for one in folder.glob("*.days")) == months
    store.close()
    for backup, readings in zip(kept, said, strict=True):
        restore(path, backup.path, NOW)
        with Store.open(path) as again, again.read() as tx:
            assert tx.readings("Loft") == readings
            assert len(tx._rolled(tx._sources_of("Loft"), None, None)) > 25
    whole = path.with_name("whole.sqlite")
    back_up(path, NOW, to=whole)
    with Store.open(whole) as again, again.read() as tx:
        assert tx.readings("Loft") == said[-1], "one file, to take elsewhere"
    prune(path, 1, NOW + timedelta(days=9))
    assert sorted(one.name for one in folder.glob("*.days")) == months[1:], "all of October's were let go"
    (folder / months[2]).unlink()
    with pytest.raises(BackupFailed, match=r"days of readings are missing or damaged: they lay in .*-raw\.days"):
        restore(path, kept[-1].path, NOW + timedelta(days=9))
    with Store.open(path) as again, again.read() as tx:
        assert tx.readings("Loft") == said[-1], "the store stays"


def test_a_restore_is_refused_while_a_daemon_holds_the_store(store: Store, path: Path) -> None:
    made = store.back_up(NOW)
    with store.lock_for_daemon(), pytest.raises(AlreadyRunning):
        restore(path, made.path, NOW)
    assert [entry.name for entry in path.parent.glob("*restore*")] == []


@pytest.mark.parametrize("moment", ["set_aside", "_put"])
def test_a_restore_cut_off_leaves_a_store_or_one_that_says_it_is_gone(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    """Never an empty store that passes for the studio's."""
    add(store, "Loft")
    made = store.back_up(NOW)
    store.close()

    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    where = "curewatch.store.disk.faults.set_aside" if moment == "set_aside" else "curewatch.store.disk.backup._put"
    monkeypatch.setattr(where, cut)
    with pytest.raises(KeyboardInterrupt):
        restore(path, made.path, NOW)
    monkeypatch.undo()
    if moment == "_put":
        with pytest.raises(Exception, match=r"is gone.*The newest backup is .*brings the last good one back"):
            Store.open(path)
        restore(path, made.path, NOW)
    assert rooms_in(path) == ["Loft"]


# --- the daily one ---


class Sleepless(HandClock):
    """Its time since boot moves with the hand too."""

    def __init__(self, now: datetime) -> None:
        super().__init__(now)
        self._boot = now

    def boottime(self) -> float:
        return (self.now() - self._boot).total_seconds()


def backups_by(store: Store, clock: HandClock, **settings: float) -> Backups:
    hook = WebhookSettings(url="http://127.0.0.1:9/")
    return Backups(Desk(store, Settings(zone="UTC", webhook=hook, backup=BackupSettings(**settings))), clock)


@pytest.fixture
def clock() -> Sleepless:
    return Sleepless(NOW)


def test_the_daemon_backs_up_a_new_store_at_once_then_once_a_day_and_keeps_the_last(
    store: Store, clock: Sleepless
) -> None:
    backups = backups_by(store, clock, keep=3)
    made_at = []
    for minute in range(0, 5 * 24 * 60, 10):
        if backups.make_if_due():
            made_at.append(minute)
        clock.move(timedelta(minutes=10))
    assert made_at == [24 * 60 * day for day in range(5)]
    assert [backup.at for backup in store.backups()] == [NOW + timedelta(minutes=made_at[k]) for k in (2, 3, 4)]


def test_a_restart_does_not_make_it_twice_a_day(store: Store, clock: Sleepless) -> None:
    made = 0
    for _ in range(20):  # a start every two and a half hours
        backups = backups_by(store, clock)
        for _ in range(15):
            made += backups.make_if_due()
            clock.move(timedelta(minutes=10))
    assert made == 3  # in fifty hours


def test_a_backup_from_the_future_stops_no_later_one(store: Store, clock: Sleepless) -> None:
    store.back_up(NOW + timedelta(days=400))
    backups = backups_by(store, clock)
    made = 0
    for _ in range(3 * 24):
        made += backups.make_if_due()
        clock.move(timedelta(hours=1))
    assert made == 3


def test_backups_from_the_future_push_none_out_and_make_no_start_copy_again(store: Store, clock: Sleepless) -> None:
    """Seven of next year: a week of a wrong clock."""
    ahead = [store.back_up(NOW + timedelta(days=400 + k)).path for k in range(7)]
    made = 0
    for _ in range(20):  # a start every two and a half hours, for fifty hours
        backups = backups_by(store, clock, keep=7)
        for _ in range(15):
            made += backups.make_if_due()
            clock.move(timedelta(minutes=10))
    assert made == 3
    assert len(store.backups()) == 10
    assert all(path.exists() for path in ahead)


def test_the_last_good_backup_is_none_from_the_future(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both where a damaged store is told of and where one is brought back by a command that names none."""
    now = SystemClock().now()
    good = store.back_up(now - timedelta(days=1)).path
    ahead = store.back_up(now + timedelta(days=400)).path
    told = set_broken_aside(StoreBroken(path.parent / "studio.sqlite", "is damaged", ""), now)
    assert f"The last good backup is {good}," in str(told)
    monkeypatch.setenv("CUREWATCH_STORE", str(path))
    assert main(["restore", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["backup"] == str(good)
    good.unlink()
    assert main(["restore", "--json"]) == 0  # better than none
    assert json.loads(capsys.readouterr().out)["backup"] == str(ahead)


def test_one_that_fails_is_told_and_tried_again_in_an_hour(
    store: Store, clock: Sleepless, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (path.parent / "backups").write_text("not a folder")
    backups = backups_by(store, clock)
    clock.move(timedelta(seconds=SETTLED_AFTER_S))
    assert not backups.make_if_due()
    assert "no backup of" in caplog.text
    assert "trying again in an hour" in caplog.text
    clock.move(timedelta(hours=1))
    assert not backups.make_if_due()
    with store.read() as tx:
        (notice,) = tx.notices()  # once, however often it fails
        (delivery,) = tx.deliveries()
    assert notice.key == "backup/late/never"
    assert str(notice.text).startswith("There is none yet, because no backup of")
    assert delivery.channel == "webhook"
    (path.parent / "backups").unlink()
    assert not backups.make_if_due()
    clock.move(timedelta(hours=1))
    assert backups.make_if_due()


def test_people_are_told_once_of_each_gap_that_grows_past_two_days(
    store: Store, clock: Sleepless, monkeypatch: pytest.MonkeyPatch
) -> None:
    backups = backups_by(store, clock)
    told = []
    for gap in (1, 2):
        clock.move(timedelta(hours=24))
        assert backups.make_if_due()
        with monkeypatch.context() as fault:
            fault.setattr("curewatch.store.disk.backup.LEFT_FREE_BYTES", 1 << 60)
            for _ in range(100):
                clock.move(timedelta(hours=1))
                assert not backups.make_if_due()
                with store.read() as tx:
                    told.append(len(tx.notices()))
        assert told[-100:] == [gap - 1] * 47 + [gap] * 53
    with store.read() as tx:
        assert "has no room for it" in str(tx.notices()[0].text)
        assert "The newest is of" in str(tx.notices()[0].text)


def test_nothing_is_backed_up_under_a_date_that_cannot_be(store: Store) -> None:
    clock = Sleepless(datetime(1970, 1, 1, tzinfo=UTC))
    backups = backups_by(store, clock)
    clock.move(timedelta(hours=2))
    assert not backups.make_if_due()
    assert store.backups() == []


def test_the_thread_makes_it_when_rung_and_ends(store: Store, clock: Sleepless) -> None:
    backups = backups_by(store, clock)
    clock.move(timedelta(hours=1))
    backups.start()
    backups.ring()
    wait_for(store.backups, what="the backup")
    backups.stop(5)
    assert not any(thread.name == "backups" for thread in threading.enumerate())


def test_the_daemon_makes_one_as_its_settings_say(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("curewatch.daemon.backups.SETTLED_AFTER_S", 0.0)
    folder = path.parent / "stick"
    settings = Settings(zone="UTC", web=WebSettings(enabled=False), backup=BackupSettings(folder=folder))
    daemon = Daemon(settings, str(path), HandClock(NOW))
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        (made,) = wait_for(lambda: backups_of(path, folder), 20, "the backup")
    finally:
        daemon.stop()
        thread.join(20)
    assert made.path == folder / "studio-20261125T031200Z.sqlite"
    with closing(sqlite3.connect(made.path)) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_zero_hours_mean_never(store: Store, clock: Sleepless) -> None:
    backups = backups_by(store, clock, every_h=0)
    backups.start()
    clock.move(timedelta(days=9))
    backups.ring()
    assert not backups.make_if_due()
    assert backups.due_at(clock.now()) is None
    backups.stop(1)
    assert store.backups() == []


# --- by command ---

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    from curewatch.cli import main

    def run(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["curewatch", "--store", str(path), *arguments])
        code = main()
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_by_command_backed_up_listed_and_brought_back(run: Run, path: Path) -> None:
    assert run("reading", "--room", "Loft", "--temperature", "19C", "--humidity", "55%")[0] == 0
    code, out, _ = run("backup")
    assert (code, "it is sound" in out) == (0, True)
    other = path.with_name("before the fair.sqlite")
    made = json.loads(run("backup", "--to", str(other), "--json")[1])
    assert (made["path"], made["size_bytes"]) == (str(other), other.stat().st_size)
    code, _, err = run("backup", "--to", str(other))
    assert (code, "expected a file that is not there yet" in err) == (2, True)
    (listed,) = json.loads(run("restore", "--list", "--json")[1])["backups"]
    assert Path(listed["path"]).parent == path.parent / "backups"
    assert listed["path"] in run("restore", "--list")[1]

    assert run("reading", "--room", "Slipway", "--temperature", "12C", "--humidity", "70%")[0] == 0
    code, out, _ = run("restore")
    assert code == 0
    assert "is again as it was in" in out
    assert "What was there before is kept as" in out
    assert rooms_in(path) == ["Loft"]
    done = json.loads(run("restore", str(other), "--json")[1])
    assert Path(done["before"]).exists()


def test_by_command_what_cannot_be_is_said(run: Run, path: Path) -> None:
    code, _, err = run("backup")
    assert (code, "there is no store at" in err) == (1, True)
    code, _, err = run("restore")
    assert (code, "there is no backup of" in err) == (1, True)
    assert run("restore", "--list")[1] == "There are no backups yet.\n"
    code, _, err = run("restore", str(path), "--list")
    assert (code, "left out beside --list" in err) == (2, True)
    code, _, err = run("--store", "postgresql://ann:hush@db/studio", "backup")
    assert (code, "hush" in err, "tools of their own" in err) == (2, False, True)


def test_check_tells_how_old_the_newest_backup_is(run: Run, store: Store) -> None:
    store.back_up(datetime.now(UTC) - timedelta(days=5))
    out = run("check")[1]
    assert "WARN  backups      the newest of 1 is from 5 d ago" in out
