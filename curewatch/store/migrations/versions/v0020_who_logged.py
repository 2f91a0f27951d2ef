"""Who poured, found, did and read something, as far as it was told; and what pieces were poured together."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    for table in ("pours", "observations", "steps_done", "readings"):
        op.add_column(table, sa.Column("logged_by", sa.String(80), nullable=True))
    op.add_column("pieces", sa.Column("series", sa.String(80), nullable=True))
