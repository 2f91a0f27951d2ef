"""On a real store: a room's bad readings are kept and marked, its habits enter the dates of what dries in it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from curewatch.cli.output import Page
from curewatch.cli.texts.board_text import text
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.piece import piece_report
from curewatch.physics.ensemble import SPREADS
from curewatch.records import MilestoneKind, Reading, ThicknessSource
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio.forecasting import simulation
from curewatch.views.board import BoardOut
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.derived import drop_forecasts

SHED = "Boat shed"
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    settings = Settings.model_validate({"zone": "UTC", "forecast": {"members": 24}})
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield Desk(store, settings)


def wave(at: datetime) -> float:
    return math.sin(2 * math.pi * at.timestamp() / 86400)


def record(first: datetime, last: datetime, step: timedelta = 10 * MINUTE, swing: float = 1.0) -> list[Reading]:
    """A sensor's readings of a room with a daily wave."""
    moments = [first + i * step for i in range(int((last - first) / step) + 1)]
    return [
        Reading(
            room=SHED,
            at=at,
            received_at=at,
            temp_c=19 + 2 * swing * wave(at),
            rh_pct=50 - 5 * swing * wave(at),
            source="post",
        )
        for at in moments
    ]


def pour(desk: Desk, name: str, at: datetime, room: str = SHED) -> None:
    log_pour(desk, PourOrder(name, room, at, 1.2e-3, ThicknessSource.GAUGE), at)


def band_h(desk: Desk, name: str, now: datetime, kind: MilestoneKind) -> float:
    """From the earliest to the latest date of a milestone [h]."""
    forecast = piece_report(desk, name, now).forecast
    assert forecast is not None
    (found,) = [m for m in forecast.milestones if m.kind is kind]
    assert found.early_at is not None
    assert found.safe_at is not None
    return (found.safe_at - found.early_at) / HOUR


def test_a_spike_is_kept_in_the_store_marked_on_the_board_and_changes_no_date(desk: Desk) -> None:
    clean = record(NOON - 2 * DAY, NOON)
    pour(desk, "Heron", NOON - 20 * HOUR)
    store_readings(desk, clean)
    refresh(desk, NOON)
    before = piece_report(desk, "Heron", NOON).forecast
    i = len(clean) - 30
    spiked = [*clean[:i], clean[i].model_copy(update={"room": "Loft", "temp_c": 60.0}), *clean[i + 1 :]]
    store_readings(desk, [reading.model_copy(update={"room": "Loft"}) for reading in spiked])
    pour(desk, "Egret", NOON - 20 * HOUR, "Loft")
    refresh(desk, NOON)
    after = piece_report(desk, "Egret", NOON).forecast
    assert before is not None
    assert after is not None
    for one, other in zip(before.milestones, after.milestones, strict=True):
        assert one.worth_checking_at is not None
        assert other.worth_checking_at is not None
        assert abs(one.worth_checking_at - other.worth_checking_at) < 0.01 * (one.worth_checking_at - NOON + DAY)
    with desk.store.read() as tx:
        assert max(r.temp_c or 0 for r in tx.readings("Loft")) == 60.0
    seen = board_of(desk, NOON)
    shown = BoardOut.of(seen, desk.settings.tz)
    rooms = {room.name: room for room in shown.rooms}
    assert rooms[SHED].quality == []
    (finding,) = rooms["Loft"].quality
    assert (finding.flaw, finding.source, finding.quantity) == ("spike", "post", "temp_c")
    assert finding.size == pytest.approx(41, abs=3)  # a room that swings by 2 °C about 19
    assert "not used" in text(shown, Page())


def test_a_single_spike_raises_no_alarm_once_the_next_reading_is_there(desk: Desk) -> None:
    readings = record(NOON - DAY, NOON)
    readings[-5] = readings[-5].model_copy(update={"temp_c": -8.0})
    pour(desk, "Heron", NOON - 20 * HOUR)
    store_readings(desk, readings)
    refresh(desk, NOON)
    assert board_of(desk, NOON).alarms == ()


def test_a_room_that_is_known_well_gives_narrower_dates_than_one_typed_once(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a film of which all is known: what its dates spread by is the air to come."""
    monkeypatch.setattr(simulation, "deviates", lambda _, members: np.zeros((1 + members, len(SPREADS))))
    store_readings(desk, record(NOON - 25 * DAY, NOON, 30 * MINUTE, swing=0.1))
    last = record(NOON, NOON, swing=0.1)[0]
    log_reading(desk, last.model_copy(update={"room": "Loft", "source": "typed"}))
    for name, room in (("Heron", SHED), ("Egret", "Loft")):
        pour(desk, name, NOON, room)
    refresh(desk, NOON)
    for kind in (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY):
        assert band_h(desk, "Egret", NOON, kind) > 1.2 * band_h(desk, "Heron", NOON, kind)


def test_a_desk_without_memory_comes_to_the_same_dates(desk: Desk) -> None:
    """What is kept between looks is only a copy: a new desk, on the facts alone, makes an equal forecast."""
    pour(desk, "Heron", NOON - 5 * HOUR)
    for hours in range(-4, 1):
        store_readings(desk, record(NOON - 3 * DAY, NOON + hours * HOUR))
        refresh(desk, NOON + hours * HOUR)
    was = piece_report(desk, "Heron", NOON).forecast
    with desk.store.write() as tx:
        drop_forecasts(tx)
    refresh(Desk(desk.store, desk.settings), NOON)
    now = piece_report(desk, "Heron", NOON).forecast
    assert was is not None
    assert now is not None
    assert now.fingerprint == was.fingerprint
    assert now.milestones == was.milestones
