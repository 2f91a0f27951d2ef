"""The tables of what happened to alarms and what they left behind, beside those of `tables`: same metadata."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, Double, ForeignKey, Index, Integer, Table, text

from curewatch.records import AlarmHappening, AlarmKind
from curewatch.store.columns import Instant, one_of
from curewatch.store.tables import metadata

alarm_events = Table(
    "alarm_events",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", one_of(AlarmKind, "kind"), nullable=False),
    Column("room", ForeignKey("rooms.name"), nullable=False),
    Column("happening", one_of(AlarmHappening, "happening"), nullable=False),
    Column("at", Instant, nullable=False, index=True),
    Column("recorded_at", Instant, nullable=False),
    Column("muted_until", Instant),
    # This prevents a mute without an end from being written down.
    CheckConstraint("(happening = 'muted') = (muted_until IS NOT NULL)", name="muted_until"),
)

damages = Table(
    "damages",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("kind", one_of(AlarmKind, "kind"), nullable=False),
    Column("hours", Double, nullable=False),
    Column("worst_c", Double, nullable=False),
    Column("began_at", Instant, nullable=False),
    Column("counted_until", Instant, nullable=False),
    Column("cleared_at", Instant),
    CheckConstraint("hours >= 0", name="hours"),
    # This prevents one piece from bearing two counts of one damage; what a person has cleared stays beside it.
    Index(
        "uq_damages_open",
        "piece_id",
        "kind",
        unique=True,
        sqlite_where=text("cleared_at IS NULL"),
        postgresql_where=text("cleared_at IS NULL"),
    ),
)
