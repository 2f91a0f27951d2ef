"""Surfaces: cradled and canvas panels, hardboard, paper."""

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"

_SUPPORTS = (
    "canvas", "board", "panel", "raw-panel", "tile", "glass", "cradled-panel", "canvas-panel", "hardboard", "paper",
)  # fmt: skip


def upgrade() -> None:
    with op.batch_alter_table("pours") as pours:
        pours.drop_constraint(op.f("ck_pours_support"), type_="check")
        pours.create_check_constraint(op.f("ck_pours_support"), sa.column("support").in_(_SUPPORTS))
