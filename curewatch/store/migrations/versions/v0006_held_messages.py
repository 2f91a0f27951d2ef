"""Messages that came while the clock could not be believed, kept until they can be dated."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "held_messages",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("retained", sa.Boolean(create_constraint=True, name="retained"), nullable=False),
        sa.Column("boot", sa.String(64), nullable=True),
        sa.Column("boottime_s", sa.Double(), nullable=False),
        sa.Column("late_s", sa.Double(), nullable=True),
        sa.CheckConstraint("late_s IS NULL OR late_s >= 0", name=op.f("ck_held_messages_late_s")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_held_messages")),
    )
