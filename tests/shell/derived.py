"""What the store derived, forgotten: it must come back the same."""

from __future__ import annotations

from sqlalchemy import delete

from curewatch.store import Transaction, tables


def drop_forecasts(tx: Transaction) -> None:
    tx._connection.execute(delete(tables.forecasts))


def drop_checkpoints(tx: Transaction) -> None:
    """The next forecasts are made from the facts alone."""
    tx._connection.execute(delete(tables.checkpoints))
