"""When facts were logged, of those that bore no such time; it is not known of what is stored already."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    op.add_column("pieces", sa.Column("gone_logged_at", sa.BigInteger(), nullable=True))
    for table in ("stays", "tilts", "observations"):
        op.add_column(table, sa.Column("logged_at", sa.BigInteger(), nullable=True))
