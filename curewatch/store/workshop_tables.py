"""The tables of what people do to a piece and find of it: mixes, paints, tilts, steps, observations, lessons."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    PrimaryKeyConstraint,
    String,
    Table,
    text,
)

from curewatch.records import MilestoneKind
from curewatch.records.facts import Finger, ObservationKind, Spot, Subject
from curewatch.records.workshop import PhotoKind
from curewatch.store.engine import NAME, Instant, one_of
from curewatch.store.tables import metadata

mixes = Table(
    "mixes",
    metadata,
    # This prevents a recipe from being mixed in two ways, and a mix of nothing known.
    Column("recipe", ForeignKey("recipes.name"), primary_key=True),
    Column("by_weight", Boolean(create_constraint=True, name="by_weight"), nullable=False),
    Column("parts", JSON, nullable=False),
)
tilts = Table(
    "tilts",
    metadata,
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("measured_at", Instant, nullable=False),
    Column("tilt_rad", Double, nullable=False),
    Column("logged_at", Instant),
    # This prevents two tilts of one piece at one moment.
    PrimaryKeyConstraint("piece_id", "measured_at"),
    CheckConstraint("tilt_rad BETWEEN 0 AND 0.79", name="tilt_rad"),
)
paints = Table(
    "paints",
    metadata,
    # This prevents one pour from having been made with two cups.
    Column("piece_id", ForeignKey("pieces.id"), primary_key=True, autoincrement=False),
    Column("poured_g", Double),
    Column("poured_m3", Double),
    Column("ran_off_m3", Double),
    # This prevents paint told in two ways, or in none, and more on the mat than left the cup.
    CheckConstraint("(poured_g IS NULL) != (poured_m3 IS NULL)", name="one_way"),
    CheckConstraint("ran_off_m3 IS NULL OR (ran_off_m3 >= 0 AND ran_off_m3 < poured_m3)", name="ran_off_m3"),
)
promises = Table(
    "promises",
    metadata,
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("due_at", Instant),
    Column("ready", one_of(MilestoneKind, "ready"), nullable=False),
    Column("occasion", NAME),
    Column("logged_at", Instant, nullable=False),
    Column("logged_by", NAME),
    # A later one stands beside an earlier one: what was promised is not rewritten.
    PrimaryKeyConstraint("piece_id", "logged_at"),
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
    Column("logged_by", NAME),
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
photos = Table(
    "photos",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("piece_id", ForeignKey("pieces.id"), nullable=False, index=True),
    Column("kind", one_of(PhotoKind, "kind"), nullable=False),
    Column("at", Instant, nullable=False),
    # The picture itself lies in a file beside the store, by this name (store/disk/photos.py).
    Column("sha256", String(64), nullable=False),
    Column("width_px", Integer, nullable=False),
    Column("height_px", Integer, nullable=False),
    Column("logged_at", Instant, nullable=False),
)
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
    Column("logged_at", Instant),
    Column("logged_by", NAME),
    # Of a finger test, as believed when it was logged: it cannot be worked out later.
    Column("odds", Double),
    Column("spot", one_of(Spot, "spot"), nullable=False, server_default=Spot.EDGE.value),
    CheckConstraint("odds IS NULL OR odds BETWEEN 0 AND 1", name="odds"),
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
