"""By when a piece is promised to be ready, and for what."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    op.create_table(
        "promises",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=True),
        sa.Column("ready", sa.String(length=20), nullable=False),
        sa.Column("occasion", sa.String(80), nullable=True),
        sa.Column("logged_at", sa.BigInteger(), nullable=False),
        sa.Column("logged_by", sa.String(80), nullable=True),
        sa.CheckConstraint(
            "ready IN ('packed', 'touch_dry', 'handle', 'varnish_ready')", name=op.f("ck_promises_ready")
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_promises_piece_id")),
        sa.PrimaryKeyConstraint("piece_id", "logged_at", name=op.f("pk_promises")),
    )
