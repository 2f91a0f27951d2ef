"""The kept board: right after whatever happens, and without reading the pieces again after a mere reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.desk.commands import pours
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.desk import FACTS_REVISION
from curewatch.desk.reports.board import BoardCache, board_of
from curewatch.records import Reading
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, copied, served


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("prepared")
    with served(folder) as studio:
        studio.pour("Curlew")
        studio.pour("Sandbar", "Loft")
        studio.read(hours=8)
        studio.read("Loft", hours=8)
        refresh(studio.desk, NOW)
    return folder


@pytest.fixture
def studio(prepared: Path, tmp_path: Path) -> Iterator[Studio]:
    with copied(prepared, tmp_path) as studio:
        yield studio


def reading(room: str = "Shed", temp_c: float = 12.5, seconds_ago: float = 30) -> Reading:
    at = NOW - timedelta(seconds=seconds_ago)
    return Reading(room=room, at=at, temp_c=temp_c, rh_pct=61, source="window", received_at=at)


def test_after_a_reading_only_the_rooms_are_read_again(studio: Studio) -> None:
    boards = BoardCache(studio.desk)
    before, was = boards.look(NOW), boards.mark()
    store_readings(studio.desk, [reading(seconds_ago=-5)])
    after = boards.look(NOW + timedelta(seconds=10))
    assert boards.mark() != was, "open pages renew themselves"
    assert after.snapshot.dryings is before.snapshot.dryings
    assert after.snapshot.forecasts is before.snapshot.forecasts
    shed = next(line for line in after.rooms if line.name == "Shed")
    assert shed.newest is not None
    assert (shed.newest.temp_c, shed.data_at) == (12.5, NOW + timedelta(seconds=5))
    assert after.rooms == board_of(studio.desk, NOW + timedelta(seconds=10)).rooms
    assert boards.look(NOW + timedelta(seconds=11)) is after, "and then nothing is read"


@pytest.mark.parametrize("typed", [False, True])
def test_a_reading_of_a_new_room_puts_that_room_on_the_board(studio: Studio, typed: bool) -> None:
    boards = BoardCache(studio.desk)
    boards.look(NOW)
    if typed:
        log_reading(studio.desk, reading("Slipway"))
    else:
        store_readings(studio.desk, [reading("Slipway")])
    assert [line.name for line in boards.look(NOW).board(NOW).rooms] == ["Loft", "Shed", "Slipway"]


def gone(studio: Studio) -> None:
    pours.leave(studio.desk, "Curlew", NOW)


def moved(studio: Studio) -> None:
    pours.move(studio.desk, "Curlew", "Loft", None, NOW)


def poured(studio: Studio) -> None:
    studio.pour("Redshank", hours_ago=1)


def forecast_anew(studio: Studio) -> None:
    refresh(studio.desk, NOW + timedelta(seconds=20))


@pytest.mark.parametrize("happens", [gone, moved, poured, forecast_anew])
@pytest.mark.parametrize("heard_first", [False, True])
def test_whatever_else_happens_the_board_is_as_if_read_afresh(
    studio: Studio, happens: Callable[[Studio], None], heard_first: bool
) -> None:
    """Among readings, too: they must not hide a change of the pieces."""
    boards, now = BoardCache(studio.desk), NOW + timedelta(seconds=30)
    boards.look(NOW)
    if heard_first:
        store_readings(studio.desk, [reading(seconds_ago=-5)])
    happens(studio)
    store_readings(studio.desk, [reading(seconds_ago=-10)])
    assert boards.look(now).board(now) == board_of(studio.desk, now)


def test_a_change_by_a_program_that_counts_no_readings_is_taken_for_one_of_the_pieces(studio: Studio) -> None:
    """An older command writes to the same store: it only says that something has changed."""
    boards = BoardCache(studio.desk)
    before = boards.look(NOW)
    with studio.store.write() as tx:
        tx.set_meta(FACTS_REVISION, str(int(tx.get_meta(FACTS_REVISION) or 0) + 1))
    assert boards.look(NOW).snapshot.dryings is not before.snapshot.dryings


def test_sensors_without_end_do_not_have_every_page_wait_for_them(studio: Studio) -> None:
    """The more a look costs, the longer it stands; what somebody has done, or logged here, is seen at once."""
    moments = iter(range(0, 1000))
    boards = BoardCache(studio.desk, lambda: 0.1 * next(moments))  # a look takes 0.1 s, so it stands for half a second
    first = boards.look(NOW)
    store_readings(studio.desk, [reading(seconds_ago=-1)])
    looks = [boards.look(NOW + timedelta(seconds=2)) for _ in range(5)]
    assert [one is first for one in looks] == [True, True, True, True, False]
    store_readings(studio.desk, [reading(seconds_ago=-3)])
    assert boards.look(NOW + timedelta(seconds=4)) is looks[-1]
    boards.wake()
    woken = boards.look(NOW + timedelta(seconds=4))
    assert woken.rooms == board_of(studio.desk, NOW + timedelta(seconds=4)).rooms != looks[-1].rooms
    moved(studio)
    assert boards.look(NOW + timedelta(seconds=4)).dryings["Curlew"].room == "Loft"


def test_the_pieces_are_read_again_each_minute_however_many_readings_come(studio: Studio) -> None:
    boards = BoardCache(studio.desk)
    first = boards.look(NOW)
    for seconds in range(10, 60, 10):
        store_readings(studio.desk, [reading(seconds_ago=-seconds)])
        assert boards.look(NOW + timedelta(seconds=seconds)).snapshot.dryings is first.snapshot.dryings
    assert boards.look(NOW + timedelta(seconds=61)).snapshot.dryings is not first.snapshot.dryings
