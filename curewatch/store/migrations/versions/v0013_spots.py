"""Where on a piece a finger was put: an edge, which is thinner and dries first, unless it was said otherwise."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    with op.batch_alter_table("observations") as observations:
        observations.add_column(sa.Column("spot", sa.String(length=20), server_default="edge", nullable=False))
        observations.create_check_constraint(op.f("ck_observations_spot"), "spot IN ('edge', 'middle')")
