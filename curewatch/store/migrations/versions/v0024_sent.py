"""What came of a form that a device sends under a number of its own, so that it counts once."""

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"


def upgrade() -> None:
    op.create_table(
        "sent",
        sa.Column("number", sa.String(64), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("of", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_sent")),
    )
