"""How likely a finger test was, by what was believed when it was logged."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    with op.batch_alter_table("observations") as observations:
        observations.add_column(sa.Column("odds", sa.Double(), nullable=True))
        observations.create_check_constraint(op.f("ck_observations_odds"), "odds IS NULL OR odds BETWEEN 0 AND 1")
