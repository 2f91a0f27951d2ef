"""How recipes are mixed, and the steps done to a piece after its pour."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "mixes",
        sa.Column("recipe", sa.String(length=80), nullable=False),
        sa.Column("by_weight", sa.Boolean(create_constraint=True, name="by_weight"), nullable=False),
        sa.Column("parts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["recipe"], ["recipes.name"], name=op.f("fk_mixes_recipe")),
        sa.PrimaryKeyConstraint("recipe", name=op.f("pk_mixes")),
    )
    op.create_table(
        "steps_done",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(length=80), nullable=False),
        sa.Column("done_at", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("too_early", sa.Boolean(create_constraint=True, name="too_early"), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_steps_done_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_steps_done")),
    )
    standing = sa.text("undone_at IS NULL")
    op.create_index(
        "uq_steps_done_standing",
        "steps_done",
        ["piece_id", "step"],
        unique=True,
        sqlite_where=standing,
        postgresql_where=standing,
    )
