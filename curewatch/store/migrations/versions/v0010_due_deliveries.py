"""What waits is found by channel and time, and notices by piece; tables are called as what they hold.

Checkpoints are derived: they are made anew. A pending message is nobody else's to tell again, so those are moved.
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    op.drop_index("ix_deliveries_due", "deliveries")
    waiting = sa.text("state = 'waiting'")
    op.create_index(
        "ix_deliveries_due",
        "deliveries",
        ["channel", "next_try_at"],
        sqlite_where=waiting,
        postgresql_where=waiting,
    )
    op.create_index(op.f("ix_notices_piece_id"), "notices", ["piece_id"])
    op.drop_table("kept_marches")
    op.create_table(
        "checkpoints",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("expected_s", sa.JSON(), nullable=False),
        sa.Column("centre", sa.LargeBinary(), nullable=False),
        sa.Column("members", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_checkpoints_piece_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_checkpoints")),
    )
    op.create_table(
        "pending_messages",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("retained", sa.Boolean(create_constraint=True, name="retained"), nullable=False),
        sa.Column("boot", sa.String(64), nullable=True),
        sa.Column("boottime_s", sa.Double(), nullable=False),
        sa.Column("late_s", sa.Double(), nullable=True),
        sa.CheckConstraint("late_s IS NULL OR late_s >= 0", name=op.f("ck_pending_messages_late_s")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pending_messages")),
    )
    columns = "topic, payload, retained, boot, boottime_s, late_s"
    op.execute(f"INSERT INTO pending_messages ({columns}) SELECT {columns} FROM held_messages ORDER BY id")
    op.drop_table("held_messages")
