"""The air over a piece where it was moved to."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    with op.batch_alter_table("stays") as stays:
        stays.add_column(sa.Column("air_speed_m_s", sa.Double(), nullable=True))
        stays.create_check_constraint(
            op.f("ck_stays_air_speed_m_s"), "air_speed_m_s IS NULL OR air_speed_m_s BETWEEN 0.05 AND 5"
        )
