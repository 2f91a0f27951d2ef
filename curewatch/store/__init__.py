"""The store: facts, forecasts, alarms and notices in one database. The only SQL of the house is in here."""

from curewatch.store.disk.backup import Backup, Restored, back_up, backups_of, newest, restore, set_broken_aside
from curewatch.store.disk.photos import PhotoFolder
from curewatch.store.engine import file_at
from curewatch.store.errors import (
    AlreadyRunning,
    BackupFailed,
    CannotOpen,
    DiskTrouble,
    DuplicateName,
    FactRefused,
    NewerSchema,
    RowRefused,
    StoreBroken,
    StoreError,
)
from curewatch.store.store import Store, Transaction

__all__ = [
    "AlreadyRunning",
    "Backup",
    "BackupFailed",
    "CannotOpen",
    "DiskTrouble",
    "DuplicateName",
    "FactRefused",
    "NewerSchema",
    "PhotoFolder",
    "Restored",
    "RowRefused",
    "Store",
    "StoreBroken",
    "StoreError",
    "Transaction",
    "back_up",
    "backups_of",
    "file_at",
    "newest",
    "restore",
    "set_broken_aside",
]
