"""Observations of pieces, what is to be forgotten, and the lessons drawn from them."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    _observations()
    op.create_table(
        "forgettings",
        sa.Column("subject", _one_of("subject", "recipe", "place"), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("subject", "name", name=op.f("pk_forgettings")),
    )
    op.create_table(
        "lessons",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_lessons_piece_id")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_lessons")),
    )


def _one_of(name: str, *values: str) -> sa.Enum:
    return sa.Enum(*values, name=name, native_enum=False, create_constraint=True, length=20)


def _observations() -> None:
    op.create_table(
        "observations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("kind", _one_of("kind", "finger", "weighing", "surface"), nullable=False),
        sa.Column("finger", _one_of("finger", "tacky", "touch-dry", "dry-through"), nullable=True),
        sa.Column("grams", sa.Double(), nullable=True),
        sa.Column("resolution_g", sa.Double(), nullable=True),
        sa.Column("surface_c", sa.Double(), nullable=True),
        sa.CheckConstraint(
            "(kind = 'finger') = (finger IS NOT NULL) AND (kind = 'weighing') = (grams IS NOT NULL) "
            "AND (kind = 'weighing') = (resolution_g IS NOT NULL) AND (kind = 'surface') = (surface_c IS NOT NULL)",
            name=op.f("ck_observations_holds"),
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_observations_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_observations")),
    )
    op.create_index(op.f("ix_observations_piece_id"), "observations", ["piece_id"], unique=False)
