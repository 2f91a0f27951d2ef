"""A recipe's coalescent: a solvent slower than glycol."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    with op.batch_alter_table("recipes") as recipes:
        recipes.add_column(sa.Column("coalescent", sa.Double(), nullable=False, server_default="0"))
        recipes.create_check_constraint(op.f("ck_recipes_coalescent"), "coalescent BETWEEN 0.0 AND 0.15")
