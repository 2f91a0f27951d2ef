"""More supports, round pieces, how level a piece lay, and what was poured over it."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_SUPPORTS = ("canvas", "board", "panel", "raw-panel", "tile", "glass")


def upgrade() -> None:
    with op.batch_alter_table("pours") as pours:
        pours.add_column(
            sa.Column("round", sa.Boolean(create_constraint=True, name="round"), nullable=False, server_default="0")
        )
        pours.drop_constraint(op.f("ck_pours_support"), type_="check")
        pours.create_check_constraint(op.f("ck_pours_support"), sa.column("support").in_(_SUPPORTS))
    with op.batch_alter_table("pours") as pours:
        pours.alter_column("round", server_default=None)
    op.create_table(
        "tilts",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("measured_at", sa.BigInteger(), nullable=False),
        sa.Column("tilt_rad", sa.Double(), nullable=False),
        sa.CheckConstraint("tilt_rad BETWEEN 0 AND 0.79", name=op.f("ck_tilts_tilt_rad")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_tilts_piece_id")),
        sa.PrimaryKeyConstraint("piece_id", "measured_at", name=op.f("pk_tilts")),
    )
    op.create_table(
        "paints",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("poured_g", sa.Double(), nullable=True),
        sa.Column("poured_m3", sa.Double(), nullable=True),
        sa.Column("ran_off_m3", sa.Double(), nullable=True),
        sa.CheckConstraint("(poured_g IS NULL) != (poured_m3 IS NULL)", name=op.f("ck_paints_one_way")),
        sa.CheckConstraint(
            "ran_off_m3 IS NULL OR (ran_off_m3 >= 0 AND ran_off_m3 < poured_m3)", name=op.f("ck_paints_ran_off_m3")
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_paints_piece_id")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_paints")),
    )
