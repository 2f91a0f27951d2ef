"""What the database itself refuses, whoever writes."""

from __future__ import annotations

import pytest
from sqlalchemy import insert

from curewatch.records import DeliveryState, Recipe
from curewatch.store import Store, StoreError, Transaction, tables
from tests.new_store import HOUR, NOON, notice, pour, reading
from tests.new_store import any_store as any_store

BAD_ROWS: list[tuple[str, dict[str, object]]] = [
    ("rooms", {"name": ""}),
    ("recipes", {"name": "x", "solids": 0.9, "glycol": 0.03, "stated": False}),
    ("recipes", {"name": "x", "solids": 0.3, "glycol": 0.5, "stated": False}),
    ("readings", {"measures": 0}),
    ("readings", {"measures": 1, "rh_pct": 50.0}),
    ("readings", {"measures": 3, "temp_c": 20.0}),
    ("readings", {"measures": 1, "temp_c": -127.0}),
    ("readings", {"measures": 2, "rh_pct": 101.0}),
    ("readings", {"measures": 1, "temp_c": 20.0, "battery_pct": 300.0}),
    ("readings", {"measures": 1, "temp_c": 20.0, "source_id": 99}),
    ("pours", {"wet_thickness_m": 1.2}),
    ("pours", {"width_m": 0.0}),
    ("pours", {"height_m": 30.0}),
    ("pours", {"air_speed_m_s": 0.0}),
    ("deliveries", {"attempts": -1}),
    ("deliveries", {"state": DeliveryState.DELIVERED, "settled_at": None}),
    ("deliveries", {"state": DeliveryState.WAITING, "settled_at": NOON}),
    ("deliveries", {"notice_id": 99}),
    ("notices", {"key": ""}),
]


@pytest.mark.parametrize(("table", "wrong"), BAD_ROWS, ids=[f"{table}-{list(wrong)[-1]}" for table, wrong in BAD_ROWS])
def test_the_database_refuses_what_no_record_could_say(any_store: Store, table: str, wrong: dict[str, object]) -> None:
    """The same row with the wrong values left out is accepted, so it is those values that are refused."""
    with any_store.write() as tx:
        right = _rows_the_database_takes(tx)[table]
    with any_store.write() as tx:
        tx._connection.execute(insert(tables.metadata.tables[table]), right)
    with pytest.raises(StoreError, match=r"(?i)(check|foreign key) constraint"), any_store.write() as tx:
        tx._connection.execute(insert(tables.metadata.tables[table]), right | _another_key(table) | wrong)


def _rows_the_database_takes(tx: Transaction) -> dict[str, dict[str, object]]:
    """Per table a row that is right. Makes what the rows refer to."""
    tx.put_recipe(Recipe(name="house mix"))
    one, two = tx.add_piece("one", NOON).id, tx.add_piece("two", NOON).id
    assert (one, two) == (1, 2)
    tx.add_readings([reading(99)])
    tx.add_notice(notice(), [])
    columns = [column.name for column in tables.notices.c if column.name != "id"]
    return {
        "rooms": {"name": "x"},
        "recipes": {"name": "y", "solids": 0.3, "glycol": 0.03, "stated": False},
        "readings": {
            "source_id": 1, "at": NOON, "measures": 3, "temp_c": 20.0, "rh_pct": 50.0,
            "received_at": NOON, "battery_pct": None, "retained": False,
        },
        "pours": pour(one).model_dump(),
        "notices": {name: value for name, value in notice("k").model_dump().items() if name in columns},
        "deliveries": {
            "notice_id": 1, "channel": "webhook", "state": DeliveryState.WAITING, "attempts": 0,
            "next_try_at": NOON, "settled_at": None,
        },
    }  # fmt: skip


def _another_key(table: str) -> dict[str, object]:
    other: dict[str, dict[str, object]] = {
        "readings": {"at": NOON + HOUR, "temp_c": None, "rh_pct": None},
        "pours": {"piece_id": 2},
        "deliveries": {"channel": "mail"},
    }
    return other.get(table, {})
