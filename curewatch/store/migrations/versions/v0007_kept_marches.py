"""The states of pieces' members, from which forecasts go on (derived)."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "kept_marches",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("expected_s", sa.JSON(), nullable=False),
        sa.Column("centre", sa.LargeBinary(), nullable=False),
        sa.Column("members", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_kept_marches_piece_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_kept_marches")),
    )
