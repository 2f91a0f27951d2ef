"""The morning's work from the store: each dry piece's own open step, until it is done."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands import aftercare
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import Settings
from curewatch.store import Store
from tests.refreshing import refresh

HOUR = timedelta(hours=1)
POURED = datetime(2026, 11, 20, 7, tzinfo=UTC)
SETTINGS = Settings.model_validate(
    {
        "zone": "UTC",
        "forecast": {"members": 4, "days": 30},
        "mail": {"host": "127.0.0.1", "sender": "shed@shed.example", "security": "none"},
        "people": ({"name": "Ada", "mail": "ada@shed.example", "morning_hour": 7},),
    }
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        desk = Desk(store, SETTINGS)
        hours = range(0, 97, 2)
        store_readings(
            desk,
            [
                Reading(room="Shed", at=POURED + h * HOUR, temp_c=21, rh_pct=50, source="wall", received_at=POURED)
                for h in hours
            ],
        )
        for name, silicone in (("Heron", True), ("Reed", False)):
            order = PourOrder(name, "Shed", POURED, 0.8e-3, ThicknessSource.GAUGE, silicone=silicone)
            log_pour(desk, order, POURED + HOUR)
        yield desk


def told(desk: Desk, now: datetime) -> str:
    """What Ada hears on the morning of `now`; nothing: ''."""
    refresh(desk, now)
    with desk.store.read() as tx:
        return "\n".join(str(one.text) for one in tx.notices() if one.kind == "morning" and one.created_at == now)


def test_a_dry_piece_is_to_be_washed_each_morning_until_it_was(desk: Desk) -> None:
    for days in (3, 4):
        text = told(desk, POURED + days * 24 * HOUR)
        assert "Heron, Shed: wash the silicone off, both sides of the edge too." in text
        assert "Alcohol burns" in text  # its caution comes along
        assert "Reed" not in text  # nothing is open on it until it may be varnished
    washed = POURED + 97 * HOUR
    aftercare.done(desk, "Heron", "wash", washed, washed)
    assert "Heron" not in told(desk, POURED + 5 * 24 * HOUR)


def test_a_room_that_has_just_warmed_up_is_not_called_good_for_varnish_while_the_piece_may_be_cool(desk: Desk) -> None:
    """At 20 °C and 60 % the dew point is 12 °C; the piece may still be at the 13 °C of an hour ago."""
    warmed = ((98, 13.0), (99, 13.0), (100, 13.0), (100.8, 20.0), (100.9, 20.0))
    store_readings(
        desk,
        [
            Reading(room="Shed", at=POURED + h * HOUR, temp_c=temp, rh_pct=60, source="wall", received_at=POURED)
            for h, temp in warmed
        ],
    )
    against = aftercare.steps(desk, "Reed", POURED + 100.9 * HOUR).against
    assert against is not None
    assert len(against) == 1
    assert str(against[0]).startswith("too near the dew point")
