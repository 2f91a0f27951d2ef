"""The store: facts, forecasts, alarms and notices in one database. The only SQL of the house is in here."""

from curewatch.store.errors import (
    AlreadyRunning,
    CannotOpen,
    DuplicateName,
    FactRefused,
    NewerSchema,
    StoreError,
)
from curewatch.store.readings import ReadingColumns
from curewatch.store.store import Store
from curewatch.store.transaction import Transaction

__all__ = [
    "AlreadyRunning",
    "CannotOpen",
    "DuplicateName",
    "FactRefused",
    "NewerSchema",
    "ReadingColumns",
    "Store",
    "StoreError",
    "Transaction",
]
