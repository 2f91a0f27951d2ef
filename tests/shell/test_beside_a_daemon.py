"""Commands on a store that a daemon watches: what takes long is left to it, and its lock is never in its way."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from curewatch.cli import main, session
from curewatch.clock import SystemClock
from curewatch.desk import Desk
from curewatch.settings import ForecastSettings, Settings
from curewatch.store import Store
from tests.refreshing import refresh

Run = Callable[..., tuple[str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "curewatch.toml").write_text("[forecast]\nmembers = 8\n")
    monkeypatch.setattr(session, "AT_HAND", 2)

    def run(*words: str) -> tuple[str, str]:
        where = ("--store", str(tmp_path / "shed.sqlite"), "--config", str(tmp_path / "curewatch.toml"))
        assert main([*where, *words]) == 0, capsys.readouterr()
        said = capsys.readouterr()
        return said.out, said.err

    run("reading", "--room", "shed", "--temperature", "19C", "--humidity", "55%")
    run("pour", "Reed", "--room", "shed", "--wet-thickness", "1.2mm", "--times", "3", "--at", "20 h ago")
    return run


def dates(run: Run) -> list[str]:
    return [piece["safe_at"] for piece in json.loads(run("board", "--json")[0])["pieces"]]


def test_many_dates_are_left_to_the_daemon_and_that_is_said(run: Run, tmp_path: Path) -> None:
    before = dates(run)
    with Store.open(tmp_path / "shed.sqlite") as store, store.lock_for_daemon():
        run("feel", "Reed 1", "tacky")
        out, err = run("board", "--json")
        assert err == "Note: the daemon is working out 3 pieces anew; the dates shown are from before.\n"
        # what a finger found counts at once, the others' dates are those of before
        assert [piece["safe_at"] for piece in json.loads(out)["pieces"]] == [None, *before[1:]]
        refresh(Desk(store, Settings(forecast=ForecastSettings(members=8))), SystemClock().now())  # as the daemon does
        assert run("board", "--json")[1] == ""
        assert dates(run) != before


def test_without_a_daemon_the_command_does_it_itself(run: Run) -> None:
    before = dates(run)
    run("feel", "Reed 1", "tacky")
    assert dates(run) != before


def test_few_are_done_at_once_beside_a_daemon_too(run: Run, tmp_path: Path) -> None:
    with Store.open(tmp_path / "shed.sqlite") as store, store.lock_for_daemon():
        out, err = run("pour", "Heron", "--room", "shed", "--wet-thickness", "1.4mm", "--json")
        assert json.loads(out)["milestones"]["touch_dry"]["safe_at"] is not None
        assert err == ""


def test_whether_a_daemon_watches_is_known_and_asking_keeps_none_from_starting(tmp_path: Path) -> None:
    with Store.open(tmp_path / "shed.sqlite") as store:
        assert not store.has_daemon()
        assert not (tmp_path / "shed.sqlite.lock").exists()
        stop = threading.Event()

        def ask() -> None:
            while not stop.is_set():
                store.has_daemon()

        asking = threading.Thread(target=ask)
        asking.start()
        try:
            for _ in range(300):
                with store.lock_for_daemon():
                    assert store.has_daemon()
        finally:
            stop.set()
            asking.join()
        assert not store.has_daemon()
