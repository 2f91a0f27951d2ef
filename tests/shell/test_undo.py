"""One rule for whatever was logged by a slip: a day from when it was logged, whatever date it bears."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import observing, pours
from curewatch.desk.commands.log import LogKind, logged_lately
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.commands.undo import undo, undo_last, undo_observation
from curewatch.records import Stay
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger, ObservationKind
from tests.new_store import NOON
from tests.shell.test_desk import HOUR, SHED, order, reading
from tests.shell.test_desk import desk as desk
from tests.shell.test_desk import store as store

SECOND, DAY = timedelta(seconds=1), timedelta(days=1)


@pytest.fixture
def poured(desk: Desk) -> Desk:
    """Heron, poured nine days ago and logged then."""
    log_pour(desk, order(at=NOON - 9 * DAY), NOON - 9 * DAY)
    return desk


def kinds(desk: Desk, now: datetime) -> list[str]:
    with desk.store.read() as tx:
        return [entry.kind.value for entry in logged_lately(tx, now)]


def test_a_move_of_30_hours_ago_is_taken_back_a_second_after_it_was_logged(poured: Desk) -> None:
    pours.move(poured, "Heron", "Loft", None, NOON, at=NOON - 30 * HOUR)
    undo_last(poured, "Heron", NOON + SECOND, [LogKind.MOVE])
    with poured.store.read() as tx:
        assert [stay.room for stay in tx.stays()] == [SHED]


@pytest.mark.parametrize("at", [NOON - 30 * HOUR, NOON - 2 * DAY])
def test_a_finger_test_logged_30_hours_ago_stands(poured: Desk, at: datetime) -> None:
    observing.feel(poured, "Heron", Finger.TACKY, at, NOON - 30 * HOUR)
    with pytest.raises(InputError, match="last 24 hours"):
        undo_observation(poured, "Heron", ObservationKind.FINGER, NOON)
    undo_observation(poured, "Heron", ObservationKind.FINGER, NOON - 6 * HOUR)


def test_a_reading_and_a_leaving_of_days_ago_are_taken_back_on_the_day_they_were_logged(poured: Desk) -> None:
    at = NOON - 7 * DAY
    log_reading(poured, reading(at).model_copy(update={"received_at": NOON}))
    pours.leave(poured, "Heron", NOON, at=NOON - 3 * DAY)
    assert kinds(poured, NOON + HOUR) == ["reading", "gone"]
    undo(poured, LogKind.READING, [SHED, at.isoformat()], NOON + HOUR)
    undo_last(poured, "Heron", NOON + HOUR, [LogKind.GONE])
    with poured.store.read() as tx:
        assert (tx.count_readings(SHED), [piece.gone_at for piece in tx.pieces()]) == (0, [None])


def test_a_tilt_is_taken_back_and_one_that_was_told_with_the_pour_goes_with_it(poured: Desk) -> None:
    pours.measured(poured, "Heron", 0.01, NOON - HOUR, NOON)
    log_pour(poured, order("Reed", at=NOON - HOUR, tilt_rad=0.02), NOON)
    assert kinds(poured, NOON) == ["pour", "tilt"]
    undo_last(poured, "Heron", NOON, list(LogKind))
    undo_last(poured, "Reed", NOON, list(LogKind))
    with poured.store.read() as tx:
        assert tx.tilts() == []


def test_what_was_logged_before_the_clock_was_set_back_can_be_taken_back(poured: Desk) -> None:
    pours.move(poured, "Heron", "Loft", None, NOON)
    undo_last(poured, "Heron", NOON - 2 * HOUR, [LogKind.MOVE])


def test_of_what_is_not_known_when_it_was_logged_nothing_is_taken_back(poured: Desk) -> None:
    """As an older curewatch stored it."""
    with poured.store.write() as tx:
        tx.add_stay(Stay(piece_id=1, room=SHED, place="rack 9", since=NOON))
    assert kinds(poured, NOON + SECOND) == []
    with pytest.raises(InputError):
        undo_last(poured, "Heron", NOON + SECOND, list(LogKind))


def test_of_several_pours_all_are_taken_back_or_none(poured: Desk) -> None:
    log_pour(poured, order("Reed"), NOON)
    with pytest.raises(InputError):
        undo(poured, LogKind.POUR, ["2", "1"], NOON)  # the first was logged days ago
    with poured.store.read() as tx:
        assert len(tx.pieces()) == 2


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> Any:
    assert main([*line, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.usefixtures("studio")
def test_the_command_takes_back_what_was_logged_last_of_a_piece_or_room(capsys: pytest.CaptureFixture[str]) -> None:
    main(["reading", "--room", SHED, "--temperature", "21C", "--humidity", "50%", "--at", "50 h ago"])
    main(["pour", "Heron", "--room", SHED, "--layer", "thin", "--at", "40 h ago"])
    main(["feel", "Heron", "tacky", "--at", "30 h ago"])
    capsys.readouterr()
    assert printed(capsys, "undo", "Heron")["done"] == "found"
    assert main(["undo", "Heron"]) == 0
    assert capsys.readouterr().out == "Taken back: Poured: Heron.\n"
    assert printed(capsys, "board")["pieces"] == []
    assert printed(capsys, "undo", "--room", SHED)["text"] == f"Reading of {SHED}: 21.0 °C, 50 %"
    assert main(["undo", "--room", SHED]) == 2
    assert "last 24 hours" in capsys.readouterr().err
    assert main(["undo"]) == 2
    assert main(["undo", "Heron", "--room", SHED]) == 2
