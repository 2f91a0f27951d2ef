"""Readings by the day, packed and rolled up; those there are wait beside until opening the store has packed them."""

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"


def upgrade() -> None:
    connection = op.get_bind()
    op.add_column("sources", sa.Column("packed", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("sources", sa.Column("packed_until", sa.BigInteger(), nullable=True))
    for name, more in (("raw_days", []), ("rolled_days", [sa.Column("measures", sa.Integer(), nullable=False)])):
        op.create_table(
            name,
            sa.Column("source_id", sa.Integer(), nullable=False),
            sa.Column("day", sa.Integer(), nullable=False),
            sa.Column("count", sa.Integer(), nullable=False),
            *more,
            sa.Column("columns", sa.LargeBinary(), nullable=False),
            sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f(f"fk_{name}_source_id")),
            sa.PrimaryKeyConstraint("source_id", "day", name=op.f(f"pk_{name}")),
        )
    if connection.scalar(sa.text("SELECT 1 FROM readings LIMIT 1")) is None:
        op.drop_table("readings")
    else:
        # Years of them would hold up this transaction for minutes, and lose it all to a cut: only the name is changed.
        op.rename_table("readings", "unpacked_readings")
        if connection.dialect.name == "postgresql":
            op.execute("ALTER INDEX pk_readings RENAME TO pk_unpacked_readings")
    op.create_table(
        "readings",
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("measures", sa.Integer(), nullable=False),
        sa.Column("temp_c", sa.Double(), nullable=True),
        sa.Column("rh_pct", sa.Double(), nullable=True),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("battery_pct", sa.Double(), nullable=True),
        sa.Column("retained", sa.Boolean(create_constraint=True, name="retained"), nullable=False),
        sa.Column("logged_by", sa.String(80), nullable=True),
        sa.CheckConstraint(
            "measures > 0 AND measures = CASE WHEN temp_c IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN rh_pct IS NULL THEN 0 ELSE 2 END",
            name=op.f("ck_readings_measures"),
        ),
        sa.CheckConstraint("temp_c IS NULL OR temp_c BETWEEN -60 AND 90", name=op.f("ck_readings_temp_c")),
        sa.CheckConstraint("rh_pct IS NULL OR rh_pct BETWEEN 0 AND 100", name=op.f("ck_readings_rh_pct")),
        sa.CheckConstraint(
            "battery_pct IS NULL OR battery_pct BETWEEN 0 AND 100", name=op.f("ck_readings_battery_pct")
        ),
        sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f("fk_readings_source_id")),
        sa.PrimaryKeyConstraint("at", "source_id", "measures", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
    )
