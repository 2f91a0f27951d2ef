"""What is at stake in an alarm: the pieces that people were told of, when, and how much harm there was."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    with op.batch_alter_table("alarms") as alarms:
        alarms.add_column(sa.Column("told_at", sa.BigInteger(), nullable=True))
        alarms.add_column(sa.Column("at_stake", sa.JSON(), nullable=True))
        alarms.add_column(sa.Column("told_harm_h", sa.Double(), server_default="0", nullable=False))
