"""The store's counters of change: who keeps a view of the facts sees by them that it is old."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from curewatch.store import Store, Transaction
from curewatch.studio.alarms.lifecycle import rewound


def rejudge_from(tx: Transaction, rooms: Mapping[str, datetime]) -> None:
    """More is now known of these rooms from a moment on: their quiet alarms are to be judged from there again."""
    was = [alarm for alarm in tx.alarms() if alarm.room in rooms]
    now = [rewound(alarm, rooms[alarm.room] - timedelta(seconds=1)) for alarm in was]
    tx.put_alarms(new for new, old in zip(now, was, strict=True) if new != old)


def mark_changed(tx: Transaction) -> None:
    """Facts were logged: whoever keeps a view of them looks again."""
    tx.set_meta(FACTS_REVISION, str(int(tx.get_meta(FACTS_REVISION) or 0) + 1))


def mark_readings(tx: Transaction) -> None:
    """Readings were stored, and nothing else: of what is kept, the pieces still stand."""
    mark_changed(tx)
    tx.set_meta(READINGS_REVISION, str(int(tx.get_meta(READINGS_REVISION) or 0) + 1))


FACTS_REVISION = "facts_revision"
"""The store's mark that facts have changed; a daemon looks at it to see what commands and pages have logged."""
READINGS_REVISION = "readings_revision"
"""How many of those changes were readings and nothing else."""


def facts_revision(store: Store) -> str:
    """Changes whenever facts are logged, by whatever process."""
    with store.read() as tx:
        return tx.get_meta(FACTS_REVISION) or "0"


def fact_count(tx: Transaction) -> int:
    return int(tx.get_meta(FACTS_REVISION) or 0) - int(tx.get_meta(READINGS_REVISION) or 0)


READINGS_UNDONE = "readings_taken_back"
"""The store's mark that readings were taken back."""


def mark_air_changed(tx: Transaction, room: str, since: datetime) -> None:
    """What is made of a room's readings from a moment on is another now, though their number may be the same."""
    rejudge_from(tx, {room: since})
    mark_readings(tx)
    tx.set_meta(READINGS_UNDONE, str(int(tx.get_meta(READINGS_UNDONE) or 0) + 1))
