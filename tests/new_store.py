"""A new store to test on, and records to put in it. Shared by the tests of the store.

CUREWATCH_TEST_POSTGRES may hold the URL of a PostgreSQL database to run these tests on as well. It is emptied!
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import URL, create_engine, text

from curewatch.records import Notice, Pour, Reading, Room, Support, ThicknessSource
from curewatch.store import Store
from curewatch.store.engine import parse_location

NOON = datetime(2026, 11, 20, 12, 0, 0, 123_457, tzinfo=UTC)
MINUTE, HOUR, TICK = timedelta(minutes=1), timedelta(hours=1), timedelta(microseconds=1)
SHED, LOFT = Room(name="Boat shed"), Room(name="Sail loft — außen 帆")
POSTGRES = os.environ.get("CUREWATCH_TEST_POSTGRES")


@pytest.fixture(params=["sqlite", *(["postgresql"] if POSTGRES else [])])
def any_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A new store, with two rooms in it."""
    location: str | Path = tmp_path / "studio.sqlite"
    if request.param == "postgresql":
        assert POSTGRES is not None
        location = POSTGRES
        url = parse_location(POSTGRES)
        assert isinstance(url, URL)
        engine = create_engine(url)
        with engine.begin() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        engine.dispose()
    with Store.open(location) as store:
        with store.write() as tx:
            tx.add_room(SHED)
            tx.add_room(LOFT)
        yield store


def reading(minute: float = 0, *, room: Room = SHED, source: str = "window", **values: float | None) -> Reading:
    at = NOON + minute * MINUTE
    measured = values or {"temp_c": 18.25, "rh_pct": 61.5}
    return Reading(room=room.name, at=at, received_at=at + timedelta(seconds=2), source=source, **measured)


def pour(piece_id: int) -> Pour:
    return Pour(
        piece_id=piece_id,
        at=NOON,
        wet_thickness_m=1.2e-3,
        thickness_source=ThicknessSource.VOLUME,
        width_m=0.3,
        height_m=0.4,
        recipe="house mix",
        silicone=True,
        support=Support.BOARD,
        air_speed_m_s=0.3,
    )


def notice(key: str = "milestone/1/touch_dry", *, created_at: datetime = NOON) -> Notice:
    return Notice(
        key=key,
        kind="milestone",
        created_at=created_at,
        title="“Low tide” is touch-dry",
        text="Worth checking with a finger at the edge.",
        urgent=True,
        expires_at=created_at + HOUR,
        room=SHED.name,
        data={"milestone": "touch_dry", "hours": 26.5, "names": ["Ébbe", None]},
    )
