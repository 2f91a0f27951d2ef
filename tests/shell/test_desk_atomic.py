"""A decision and its notice commit together, whatever crashes and whoever else decides at the same time."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

import curewatch.desk.refresh.refresher as refreshing
from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.desk import facts_revision
from curewatch.desk.mixing import put_recipe
from curewatch.records import AlarmKind, Recipe
from curewatch.store import Store, Transaction
from curewatch.studio.wording import SAFETY
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, SHED, alarm, keys, notices, order, reading, sensed, settings_of


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "studio.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as store:
        yield store


@pytest.fixture
def desk(store: Store) -> Desk:
    """A studio in which much falls due at NOW: dates, frost, cold, each with a notice."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(at=NOON - 96 * HOUR), NOON)
    log_pour(desk, order("Reed", at=NOON - HOUR), NOON)
    store_readings(desk, sensed(NOON - 100 * HOUR, NOON - 2 * HOUR))
    store_readings(desk, sensed(NOON - 2 * HOUR + 5 * MINUTE, NOON, temp=1))
    return desk


class Crash(Exception):
    pass


def decided(store: Store) -> dict[str, int]:
    with store.read() as tx:
        counts = tx.counts()
    return {name: counts[name] for name in ("forecasts", "alarms", "notices", "deliveries")}


# --- Crashes --------------------------------------------------------------------------------------------------------


def crash_at(monkeypatch: pytest.MonkeyPatch, name: str, call: int, *, before: bool) -> None:
    """Let the transaction's method `name` crash at its `call`-th call, before or after it has done its work."""
    real, calls = getattr(Transaction, name), iter(range(1, 1000))

    def crashing(self: Transaction, *args: Any, **kwargs: Any) -> Any:
        number = next(calls)
        if before and number == call:
            raise Crash
        done = real(self, *args, **kwargs)
        if number == call:
            raise Crash
        return done

    monkeypatch.setattr(Transaction, name, crashing)


@pytest.mark.parametrize(
    ("name", "call", "before"),
    [
        ("put_forecasts", 1, False),
        ("put_alarms", 1, True),
        ("put_alarms", 1, False),
        ("add_notice", 1, True),
        ("add_notice", 1, False),
        ("add_notice", 3, True),
        ("add_notice", 4, False),
    ],
)
def test_a_crash_between_a_decision_and_its_notice_leaves_neither_and_the_next_look_makes_up_for_it(
    desk: Desk, store: Store, monkeypatch: pytest.MonkeyPatch, name: str, call: int, before: bool
) -> None:
    log_pour(desk, order("Rush", at=NOON - 95 * HOUR), NOON)
    with monkeypatch.context() as patch:
        crash_at(patch, name, call, before=before)
        with pytest.raises(Crash):
            refresh(desk, NOON)
    assert decided(store) == {"forecasts": 0, "alarms": 0, "notices": 0, "deliveries": 0}
    found = refresh(desk, NOON)
    assert found.notices == len(keys(store)) >= 4
    active = alarm(store, AlarmKind.FROST)
    assert active is not None
    assert active.is_active
    assert sum(key.startswith("alarm/frost/") for key in keys(store)) == 1
    assert decided(store)["deliveries"] == found.notices


def test_an_alarm_s_text_is_that_of_the_notice_it_was_committed_with(desk: Desk, store: Store) -> None:
    refresh(desk, NOON)
    frost = alarm(store, AlarmKind.FROST)
    assert frost is not None
    told = [str(n.text) for n in notices(store) if n.key.startswith("alarm/frost/")]
    assert [text.replace(f" {SAFETY}", "") for text in told] == [str(frost.text)], "on a page that is said once for all"


@pytest.mark.parametrize("name", ["add_piece", "add_pour", "add_stay", "set_meta"])
def test_a_crash_amid_logging_a_pour_leaves_no_half_of_it(
    store: Store, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    desk = Desk(store, settings_of())
    with monkeypatch.context() as patch:
        crash_at(patch, name, 1, before=False)
        with pytest.raises(Crash):
            log_pour(desk, order(recipe="thin mix"), NOON)
    with store.read() as tx:
        assert set(tx.counts().values()) == {0}
    assert facts_revision(desk.store) == "0"
    assert log_pour(desk, order(recipe="thin mix"), NOON).piece is not None


def test_a_crash_amid_a_batch_of_readings_leaves_none_of_them(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(store, settings_of())
    with monkeypatch.context() as patch:
        crash_at(patch, "add_readings", 1, before=False)
        with pytest.raises(Crash):
            store_readings(desk, sensed(NOON, NOON + HOUR))
    with store.read() as tx:
        assert set(tx.counts().values()) == {0}
    assert store_readings(desk, sensed(NOON, NOON + HOUR)) == 13


# --- Two at once ------------------------------------------------------------------------------------------------------


def test_two_that_look_at_the_same_moment_tell_each_thing_once(
    desk: Desk, store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worst case: both have read the same studio before either writes."""
    both_have_read, real = threading.Barrier(2), refreshing.read_snapshot
    first_look = threading.local()

    def read(*args: Any, **kwargs: Any) -> Any:
        scene = real(*args, **kwargs)
        if not getattr(first_look, "over", False):
            first_look.over = True
            both_have_read.wait(30)
        return scene

    monkeypatch.setattr(refreshing, "read_snapshot", read)
    with Store.open(path) as second, ThreadPoolExecutor(2) as pool:
        desks = [desk, Desk(second, desk.settings)]
        written = [found.notices for found in pool.map(lambda one: refresh(one, NOON), desks)]
    told = keys(store)
    assert sum(written) == len(told) == len(set(told))
    assert sorted(written)[0] == 0, "one of the two found all told"
    kinds = [key.split("/")[1] for key in told if key.startswith("alarm/")]
    assert len(kinds) == len(set(kinds)), "an alarm was raised twice"
    assert decided(store)["deliveries"] == len(told)


LOOKER = """
import sys
from datetime import timedelta
from curewatch.desk import Desk
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import SHED, settings_of
with Store.open(sys.argv[1]) as store:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    print("ready", flush=True)
    sys.stdin.readline()
    print(sum(refresh(desk, NOON + timedelta(minutes=i)).notices for i in range(10)), flush=True)
"""


def test_two_processes_that_look_again_and_again_tell_each_thing_once(desk: Desk, store: Store, path: Path) -> None:
    store_readings(desk, sensed(NOON + 5 * MINUTE, NOON + 10 * MINUTE, temp=18))
    command = [sys.executable, "-c", LOOKER, str(path)]
    root = Path(__file__).parents[2]
    lookers = [
        subprocess.Popen(command, cwd=root, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for _ in range(2)
    ]
    try:
        for looker in lookers:
            assert looker.stdout is not None
            assert looker.stdout.readline() == "ready\n"
        for looker in lookers:
            assert looker.stdin is not None
            looker.stdin.write("go\n")
            looker.stdin.flush()
        written = [int(looker.communicate(timeout=120)[0]) for looker in lookers]
    finally:
        for looker in lookers:
            looker.kill()
            looker.wait()
    told = keys(store)
    assert sum(written) == len(told) == len(set(told))
    frost = [key for key in told if key.startswith("alarm/frost/") and "/raised/" in key]
    assert len(frost) == 1


# --- Facts that come in between ---------------------------------------------------------------------------------------


def between(monkeypatch: pytest.MonkeyPatch, act: Any) -> None:
    """Let `act` happen after the studio was read and before the decisions are written."""
    real = refreshing.forecasting.forecasts

    def forecasts(*args: Any, **kwargs: Any) -> Any:
        made = real(*args, **kwargs)
        act()
        return made

    monkeypatch.setattr(refreshing.forecasting, "forecasts", forecasts)


def test_a_reading_that_comes_in_between_is_not_passed_over(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It lies before what this look judges; were the alarms judged past it, it would never be looked at again."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(at=NOON - 5 * HOUR), NOON)
    store_readings(desk, [reading(NOON - i * 30 * MINUTE, 18.0, source="stove") for i in range(10)])
    frost = [reading(NOON - 3 * HOUR + i * 5 * MINUTE + MINUTE, -20.0, source="door") for i in range(8)]
    with monkeypatch.context() as patch:
        between(patch, lambda: store_readings(Desk(store, desk.settings), frost))
        refresh(desk, NOON)
    refresh(desk, NOON + MINUTE)
    assert any(key.startswith("alarm/frost/") for key in keys(store))


def test_a_piece_that_leaves_in_between_is_told_of_no_more(
    desk: Desk, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def leave() -> None:
        with store.write() as tx:
            tx.set_gone(1, NOON)

    with monkeypatch.context() as patch:
        between(patch, leave)
        refresh(desk, NOON)
    assert not [key for key in keys(store) if key.startswith("piece-1/")]
    with store.read() as tx:
        assert list(tx.forecasts()) == [2]


def test_a_recipe_that_is_corrected_in_between_makes_the_forecast_stale(
    desk: Desk, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        between(patch, lambda: put_recipe(desk, Recipe(name="house mix", solids=0.4), NOON))
        refresh(desk, NOON)
    assert refresh(desk, NOON).forecasts == 2
