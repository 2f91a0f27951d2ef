"""The table of messages that wait for a date, beside those of `tables`: same metadata."""

from __future__ import annotations

from sqlalchemy import Boolean, CheckConstraint, Column, Double, Integer, LargeBinary, String, Table, Text

from curewatch.store.tables import metadata

pending_messages = Table(
    "held_messages",
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
