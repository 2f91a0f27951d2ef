"""Who gets into the page: tokens in a table of their own, with an end and a last use, and sessions that can be ended.

Sessions were cookies that proved themselves; those are not known any more, so everybody types the password once.
"""

import json
from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


def upgrade() -> None:
    tokens = op.create_table(
        "page_tokens",
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=True),
        sa.Column("used_at", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('read', 'record', 'admin', 'class', 'calendar')", name=op.f("ck_page_tokens_kind")
        ),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_page_tokens")),
        sa.UniqueConstraint("name", name=op.f("uq_page_tokens_name")),
    )
    op.create_table(
        "page_sessions",
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("scope", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.BigInteger(), nullable=False),
        sa.Column("seen_at", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(64), nullable=True),
        sa.Column("password", sa.String(64), nullable=False),
        sa.Column("address", sa.String(80), nullable=False),
        sa.Column("browser", sa.String(80), nullable=False),
        sa.CheckConstraint("scope BETWEEN 1 AND 3", name=op.f("ck_page_sessions_scope")),
        sa.ForeignKeyConstraint(["by"], ["page_tokens.hash"], name=op.f("fk_page_sessions_by"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_page_sessions")),
    )
    op.create_index(op.f("ix_page_sessions_by"), "page_sessions", ["by"])
    kept = op.get_bind().scalar(sa.text("SELECT value FROM meta WHERE key = 'page_tokens'"))
    rows = [
        {"hash": one["hash"], "name": one["name"], "kind": one["kind"],
         "made_at": round((datetime.fromisoformat(one["made_at"]) - EPOCH).total_seconds() * 1e6)}
        for one in json.loads(kept or "[]")
    ]  # fmt: skip
    if rows:
        op.bulk_insert(tokens, rows)
    op.execute("DELETE FROM meta WHERE key = 'page_tokens'")
