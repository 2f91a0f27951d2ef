"""What people said of a room's sensors: which one is right, the sensor or a thermometer held beside it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    op.create_table(
        "sensor_trusts",
        sa.Column("room", sa.String(80), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("trust", sa.String(length=20), nullable=False),
        sa.Column("temp_offset_c", sa.Double(), nullable=True),
        sa.Column("rh_offset_pct", sa.Double(), nullable=True),
        sa.Column("logged_at", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("trust IN ('sensor', 'thermometer', 'offset')", name=op.f("ck_sensor_trusts_trust")),
        sa.CheckConstraint(
            "trust = 'offset' OR temp_offset_c IS NULL AND rh_offset_pct IS NULL", name=op.f("ck_sensor_trusts_offset")
        ),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_sensor_trusts_room")),
        sa.PrimaryKeyConstraint("room", "source", "logged_at", name=op.f("pk_sensor_trusts")),
    )
