"""The tables of observations, of what is to be forgotten, and of the lessons drawn. Rules as in tables.py."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Integer,
    PrimaryKeyConstraint,
    String,
    Table,
)

from curewatch.records.observations import Finger, ObservationKind, Subject
from curewatch.store.columns import NAME, Instant, one_of
from curewatch.store.tables import metadata

observations = Table(
    "observations",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("piece_id", ForeignKey("pieces.id"), nullable=False, index=True),
    Column("at", Instant, nullable=False),
    Column("kind", one_of(ObservationKind, "kind"), nullable=False),
    Column("finger", one_of(Finger, "finger")),
    Column("grams", Double),
    Column("resolution_g", Double),
    Column("surface_c", Double),
    # This prevents an observation of nothing, or of two things at once.
    CheckConstraint(
        "(kind = 'finger') = (finger IS NOT NULL) AND (kind = 'weighing') = (grams IS NOT NULL) "
        "AND (kind = 'weighing') = (resolution_g IS NOT NULL) AND (kind = 'surface') = (surface_c IS NOT NULL)",
        name="holds",
    ),
)

forgettings = Table(
    "forgettings",
    metadata,
    Column("subject", one_of(Subject, "subject"), nullable=False),
    Column("name", NAME, nullable=False),
    Column("at", Instant, nullable=False),
    # This prevents two moments from which one thing is to be learned anew: the last word counts.
    PrimaryKeyConstraint("subject", "name"),
)

lessons = Table(
    "lessons",
    metadata,
    # Derived, like forecasts: what the observations of one piece say in the model's terms.
    Column("piece_id", ForeignKey("pieces.id"), primary_key=True, autoincrement=False),
    Column("fingerprint", String(64), nullable=False),
    Column("data", JSON, nullable=False),
)
