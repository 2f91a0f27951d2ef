"""What was logged wrong and put right, row by row; names that are offered no more; the readings of merged rooms."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    op.create_table(
        "corrections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("logged_at", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("naming", sa.String(length=20), nullable=True),
        sa.Column("room", sa.String(80), nullable=True),
        sa.Column("to", sa.String(80), nullable=True),
        sa.CheckConstraint(
            "kind IN ('pour', 'deleted', 'renamed', 'merged', 'removed')", name=op.f("ck_corrections_kind")
        ),
        sa.CheckConstraint("naming IN ('room', 'place', 'recipe')", name=op.f("ck_corrections_naming")),
        sa.CheckConstraint("(piece_id IS NULL) != (naming IS NULL)", name=op.f("ck_corrections_of")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_corrections_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_corrections")),
    )
    op.create_index(op.f("ix_corrections_piece_id"), "corrections", ["piece_id"])
    op.create_table(
        "changes",
        sa.Column("correction_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("table", sa.String(80), nullable=False),
        sa.Column("was", sa.Text(), nullable=True),
        sa.Column("now", sa.Text(), nullable=True),
        sa.CheckConstraint("was IS NOT NULL OR now IS NOT NULL", name=op.f("ck_changes_something")),
        sa.ForeignKeyConstraint(
            ["correction_id"], ["corrections.id"], name=op.f("fk_changes_correction_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("correction_id", "number", name=op.f("pk_changes")),
    )
    for name in ("rooms", "recipes"):
        with op.batch_alter_table(name) as table:
            table.add_column(sa.Column("removed_at", sa.BigInteger(), nullable=True))
    with op.batch_alter_table("sources") as sources:
        sources.add_column(sa.Column("merged_by", sa.Integer(), server_default="0", nullable=False))
        sources.drop_constraint(op.f("uq_sources_room_name"), type_="unique")
        sources.create_unique_constraint(op.f("uq_sources_room_name_merged_by"), ["room", "name", "merged_by"])
