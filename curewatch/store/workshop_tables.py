"""The tables of mixes and of steps, beside those of `tables`: same metadata, same rules."""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Column, ForeignKey, Index, Integer, Table, text

from curewatch.store.columns import NAME, Instant
from curewatch.store.tables import metadata

mixes = Table(
    "mixes",
    metadata,
    # This prevents a recipe from being mixed in two ways, and a mix of nothing known.
    Column("recipe", ForeignKey("recipes.name"), primary_key=True),
    Column("by_weight", Boolean(create_constraint=True, name="by_weight"), nullable=False),
    Column("parts", JSON, nullable=False),
)

steps_done = Table(
    "steps_done",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("step", NAME, nullable=False),
    Column("done_at", Instant, nullable=False),
    Column("recorded_at", Instant, nullable=False),
    Column("too_early", Boolean(create_constraint=True, name="too_early"), nullable=False),
    Column("undone_at", Instant),
    # This prevents one step from standing as done twice; what was undone stays beside it.
    Index(
        "uq_steps_done_standing",
        "piece_id",
        "step",
        unique=True,
        sqlite_where=text("undone_at IS NULL"),
        postgresql_where=text("undone_at IS NULL"),
    ),
)
