"""The history of alarms, damage that stays with a piece, and notices that were told in another."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_KINDS = ("cold", "frost", "damp", "too_fast", "no_fresh_data")


def upgrade() -> None:
    _alarm_events()
    _damages()
    op.add_column("deliveries", sa.Column("told_in", sa.Text(), nullable=True))


def _one_of(name: str, *values: str) -> sa.Enum:
    return sa.Enum(*values, name=name, native_enum=False, create_constraint=True, length=20)


def _alarm_events() -> None:
    happenings = ("raised", "over", "reminded", "mute_ended", "asleep", "acknowledged", "muted", "unmuted")
    op.create_table(
        "alarm_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", _one_of("kind", *_KINDS), nullable=False),
        sa.Column("room", sa.String(length=80), nullable=False),
        sa.Column("happening", _one_of("happening", *happenings), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("muted_until", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "(happening = 'muted') = (muted_until IS NOT NULL)", name=op.f("ck_alarm_events_muted_until")
        ),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_alarm_events_room")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_events")),
    )
    op.create_index(op.f("ix_alarm_events_at"), "alarm_events", ["at"], unique=False)


def _damages() -> None:
    op.create_table(
        "damages",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("kind", _one_of("kind", *_KINDS), nullable=False),
        sa.Column("hours", sa.Double(), nullable=False),
        sa.Column("worst_c", sa.Double(), nullable=False),
        sa.Column("began_at", sa.BigInteger(), nullable=False),
        sa.Column("counted_until", sa.BigInteger(), nullable=False),
        sa.Column("cleared_at", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("hours >= 0", name=op.f("ck_damages_hours")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_damages_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_damages")),
    )
    open_ = sa.text("cleared_at IS NULL")
    op.create_index(
        "uq_damages_open", "damages", ["piece_id", "kind"], unique=True, sqlite_where=open_, postgresql_where=open_
    )
