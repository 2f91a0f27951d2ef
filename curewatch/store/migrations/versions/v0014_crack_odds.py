"""The odds that a piece cracks as it dries, with each forecast."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    with op.batch_alter_table("forecasts") as forecasts:
        forecasts.add_column(sa.Column("crack_odds", sa.Double(), nullable=True))
