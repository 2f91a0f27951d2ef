"""The tables beside `readings`: days of them packed, and messages that wait for a date to become some."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
)

from curewatch.store.tables import metadata

raw_days = Table(
    "raw_days",
    metadata,
    # A sensor's readings of one day (UTC, counted from 1970) as they were read; `store/packing.py` has the form.
    Column("source_id", ForeignKey("sources.id"), nullable=False),
    Column("day", Integer, nullable=False),
    Column("count", Integer, nullable=False),
    Column("columns", LargeBinary, nullable=False),
    PrimaryKeyConstraint("source_id", "day"),
)
rolled_days = Table(
    "rolled_days",
    metadata,
    # The same day in five minutes each (`records/rollup.py`), which stays when the readings themselves are let go.
    Column("source_id", ForeignKey("sources.id"), nullable=False),
    Column("day", Integer, nullable=False),
    Column("count", Integer, nullable=False),
    # Which quantities, as of a reading.
    Column("measures", Integer, nullable=False),
    Column("columns", LargeBinary, nullable=False),
    PrimaryKeyConstraint("source_id", "day"),
)
pending_messages = Table(
    "pending_messages",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("retained", Boolean(create_constraint=True, name="retained"), nullable=False),
    # Which start of the machine the next column counts from.
    Column("boot", String(64)),
    # Seconds since that start, and no date: the clock cannot be believed while these are written.
    Column("boottime_s", Double, nullable=False),
    Column("late_s", Double),
    CheckConstraint("late_s IS NULL OR late_s >= 0", name="late_s"),
)
