"""Photos of pieces: which file beside the store is of what, and from when."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("logged_at", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("kind IN ('wet', 'settled', 'dry', 'flaw')", name=op.f("ck_photos_kind")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_photos_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
    )
    op.create_index(op.f("ix_photos_piece_id"), "photos", ["piece_id"])
