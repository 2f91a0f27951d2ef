"""The table of kept marches, beside those of `tables`: same metadata, same rules."""

from __future__ import annotations

from sqlalchemy import JSON, Column, ForeignKey, LargeBinary, Table, Text

from curewatch.store.columns import Instant
from curewatch.store.tables import metadata

checkpoints = Table(
    "kept_marches",
    metadata,
    # Derived, like forecasts: may be emptied at any time. It goes with its piece, whoever takes that back.
    Column("piece_id", ForeignKey("pieces.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("until", Instant, nullable=False),
    Column("fingerprint", Text, nullable=False),
    Column("expected_s", JSON, nullable=False),
    Column("centre", LargeBinary, nullable=False),
    Column("members", LargeBinary, nullable=False),
)
