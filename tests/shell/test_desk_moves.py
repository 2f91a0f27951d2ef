"""A move is told with the air there: as it was said, or as the settings have it of the room; and it is a fact."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands import pours
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.commands.undo import undo_last
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import Forecast, MilestoneKind
from curewatch.store import FactRefused, Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.moved_studio import everything, from_json
from tests.shell.test_desk import HOUR, LOFT, MINUTE, SHED, forecasts, order, sensed, settings_of

SETTINGS = settings_of(rooms={LOFT: {"air": "draughty"}}, forecast={"members": 8, "days": 60})
STILL, DRAUGHTY, FAN = 0.1, 0.3, 1.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield store


@pytest.fixture
def desk(store: Store) -> Desk:
    return Desk(store, SETTINGS)


def speed(desk: Desk) -> float:
    """Of the air over the piece [m/s], by all that is stored."""
    return piece_report(desk, "Heron", NOON + HOUR).drying.air_speed


def test_what_was_said_of_the_air_holds_for_the_place_it_was_said_of(desk: Desk) -> None:
    log_pour(desk, order(air_speed_m_s=FAN), NOON)
    assert speed(desk) == FAN
    pours.move(desk, "Heron", LOFT, None, NOON + MINUTE)
    assert speed(desk) == DRAUGHTY, "as the settings say of the loft"
    pours.move(desk, "Heron", LOFT, "sill", NOON + 2 * MINUTE, 0.7)
    assert speed(desk) == 0.7
    pours.move(desk, "Heron", SHED, None, NOON + 3 * MINUTE)
    assert speed(desk) == STILL
    undo_last(desk, "Heron", NOON + 4 * MINUTE, [LogKind.MOVE])
    assert speed(desk) == 0.7


def test_an_air_that_cannot_be_is_refused_and_nothing_is_stored(desk: Desk) -> None:
    log_pour(desk, order(), NOON)
    with pytest.raises(ValueError, match="air_speed_m_s"):
        pours.move(desk, "Heron", LOFT, None, NOON + MINUTE, 7.0)
    assert piece_report(desk, "Heron", NOON + HOUR).line.room == SHED
    with desk.store.write() as tx:
        (stay,) = tx.stays()
        # the store itself refuses what the record would not have let through
        with pytest.raises(FactRefused):
            tx.add_stay(stay.model_copy(update={"since": NOON + MINUTE, "air_speed_m_s": 7.0}))


def packed(found: dict[int, Forecast]) -> float:
    (at,) = (m.worth_checking_at for m in found[1].milestones if m.kind is MilestoneKind.SET)
    assert at is not None
    return (at - NOON) / HOUR


def test_a_piece_moved_into_a_draught_is_ready_sooner_and_the_move_travels(
    desk: Desk, store: Store, tmp_path: Path
) -> None:
    """Both rooms are read the same, so that the dates differ by the air's speed alone."""
    for room in (SHED, LOFT):
        store_readings(desk, sensed(NOON - HOUR, NOON + 2 * HOUR, room=room))
    log_pour(desk, order(), NOON)
    refresh(desk, NOON + 2 * HOUR)
    before = forecasts(store)
    pours.move(desk, "Heron", LOFT, None, NOON + HOUR)
    assert refresh(desk, NOON + 2 * HOUR).forecasts == 1
    # three times as fast an air dries sqrt(3) times as fast at a given film temperature (Incropera & DeWitt 7.31)
    assert packed(forecasts(store)) < 0.8 * packed(before)
    with Store.open(tmp_path / "other.sqlite") as other:
        there = Desk(other, settings_of(forecast={"members": 8, "days": 60}))
        import_facts(there, from_json(everything(desk)))
        assert speed(there) == DRAUGHTY, "a fact, whatever the settings there say of the room"
        refresh(there, NOON + 2 * HOUR)
        assert packed(forecasts(other)) == packed(forecasts(store))
