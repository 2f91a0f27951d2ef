"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    _rooms()
    _recipes()
    _pieces()
    _stays()
    _pours()
    _sources()
    _readings()
    _forecasts()
    _alarms()
    _notices()
    _deliveries()
    _meta()


def _rooms() -> None:
    op.create_table(
        "rooms",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.CheckConstraint("length(name) BETWEEN 1 AND 80", name=op.f("ck_rooms_name")),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_rooms")),
    )


def _recipes() -> None:
    op.create_table(
        "recipes",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("solids", sa.Double(), nullable=False),
        sa.Column("glycol", sa.Double(), nullable=False),
        sa.Column("stated", sa.Boolean(create_constraint=True, name="stated"), nullable=False),
        sa.CheckConstraint("glycol BETWEEN 0.0 AND 0.15", name=op.f("ck_recipes_glycol")),
        sa.CheckConstraint("length(name) BETWEEN 1 AND 80", name=op.f("ck_recipes_name")),
        sa.CheckConstraint("solids BETWEEN 0.05 AND 0.70", name=op.f("ck_recipes_solids")),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_recipes")),
    )


def _pieces() -> None:
    op.create_table(
        "pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("gone_at", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("length(name) BETWEEN 1 AND 80", name=op.f("ck_pieces_name")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pieces")),
    )
    here = sa.text("gone_at IS NULL")
    op.create_index("uq_pieces_name_here", "pieces", ["name"], unique=True, sqlite_where=here, postgresql_where=here)


def _stays() -> None:
    op.create_table(
        "stays",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("room", sa.String(length=80), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=True),
        sa.CheckConstraint("place IS NULL OR length(place) BETWEEN 1 AND 80", name=op.f("ck_stays_place")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_stays_piece_id")),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_stays_room")),
        sa.PrimaryKeyConstraint("piece_id", "since", name=op.f("pk_stays")),
    )
    op.create_index(op.f("ix_stays_room"), "stays", ["room"], unique=False)


def _pours() -> None:
    op.create_table(
        "pours",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("wet_thickness_m", sa.Double(), nullable=False),
        sa.Column(
            "thickness_source",
            sa.Enum(
                "gauge",
                "volume",
                "layer",
                name="thickness_source",
                native_enum=False,
                create_constraint=True,
                length=20,
            ),
            nullable=False,
        ),
        sa.Column("width_m", sa.Double(), nullable=True),
        sa.Column("height_m", sa.Double(), nullable=True),
        sa.Column("recipe", sa.String(length=80), nullable=False),
        sa.Column("silicone", sa.Boolean(create_constraint=True, name="silicone"), nullable=False),
        sa.Column(
            "support",
            sa.Enum("canvas", "board", name="support", native_enum=False, create_constraint=True, length=20),
            nullable=False,
        ),
        sa.Column("air_speed_m_s", sa.Double(), nullable=False),
        sa.CheckConstraint("air_speed_m_s BETWEEN 0.05 AND 5", name=op.f("ck_pours_air_speed_m_s")),
        sa.CheckConstraint("height_m IS NULL OR height_m BETWEEN 0.02 AND 5", name=op.f("ck_pours_height_m")),
        sa.CheckConstraint("wet_thickness_m BETWEEN 20e-6 AND 10e-3", name=op.f("ck_pours_wet_thickness_m")),
        sa.CheckConstraint("width_m IS NULL OR width_m BETWEEN 0.02 AND 5", name=op.f("ck_pours_width_m")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_pours_piece_id")),
        sa.ForeignKeyConstraint(["recipe"], ["recipes.name"], name=op.f("fk_pours_recipe")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_pours")),
    )


def _sources() -> None:
    op.create_table(
        "sources",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("room", sa.String(length=80), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_sources_room")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sources")),
        sa.UniqueConstraint("room", "name", name=op.f("uq_sources_room_name")),
    )


def _readings() -> None:
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
        sa.CheckConstraint(
            "battery_pct IS NULL OR battery_pct BETWEEN 0 AND 100", name=op.f("ck_readings_battery_pct")
        ),
        sa.CheckConstraint(
            "measures > 0 AND measures = CASE WHEN temp_c IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN rh_pct IS NULL THEN 0 ELSE 2 END",
            name=op.f("ck_readings_measures"),
        ),
        sa.CheckConstraint("rh_pct IS NULL OR rh_pct BETWEEN 0 AND 100", name=op.f("ck_readings_rh_pct")),
        sa.CheckConstraint("temp_c IS NULL OR temp_c BETWEEN -60 AND 90", name=op.f("ck_readings_temp_c")),
        sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f("fk_readings_source_id")),
        sa.PrimaryKeyConstraint("source_id", "at", "measures", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
    )


def _forecasts() -> None:
    op.create_table(
        "forecasts",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("model_version", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("milestones", sa.JSON(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("film_temp_c", sa.Double(), nullable=True),
        sa.Column("volatile_fraction", sa.Double(), nullable=True),
        sa.Column("skin_gap_h", sa.Double(), nullable=True),
        sa.Column("usual_skin_gap_h", sa.Double(), nullable=True),
        sa.Column("data_until", sa.BigInteger(), nullable=True),
        sa.Column("readings_used", sa.Integer(), nullable=False),
        sa.Column("room_temp_c", sa.Double(), nullable=True),
        sa.Column("room_rh_pct", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_forecasts_piece_id")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_forecasts")),
    )


def _alarms() -> None:
    op.create_table(
        "alarms",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "cold",
                "frost",
                "damp",
                "too_fast",
                "no_fresh_data",
                name="kind",
                native_enum=False,
                create_constraint=True,
                length=20,
            ),
            nullable=False,
        ),
        sa.Column("room", sa.String(length=80), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column(
            "state",
            sa.Enum(
                *("normal", "pending", "active", "clearing"),
                name="state",
                native_enum=False,
                create_constraint=True,
                length=20,
            ),
            nullable=False,
        ),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("raised_at", sa.BigInteger(), nullable=True),
        sa.Column("evaluated_at", sa.BigInteger(), nullable=False),
        sa.Column("acknowledged_at", sa.BigInteger(), nullable=True),
        sa.Column("muted_until", sa.BigInteger(), nullable=True),
        sa.Column("reminded_at", sa.BigInteger(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_alarms_piece_id")),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_alarms_room")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarms")),
    )
    of_piece = sa.text("piece_id IS NOT NULL")
    op.create_index(
        "uq_alarms_piece",
        "alarms",
        ["kind", "room", "piece_id"],
        unique=True,
        sqlite_where=of_piece,
        postgresql_where=of_piece,
    )
    of_room = sa.text("piece_id IS NULL")
    op.create_index(
        "uq_alarms_room", "alarms", ["kind", "room"], unique=True, sqlite_where=of_room, postgresql_where=of_room
    )


def _notices() -> None:
    op.create_table(
        "notices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("urgent", sa.Boolean(create_constraint=True, name="urgent"), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=True),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("room", sa.String(length=80), nullable=True),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.CheckConstraint("length(key) > 0", name=op.f("ck_notices_key")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_notices_piece_id")),
        sa.ForeignKeyConstraint(["room"], ["rooms.name"], name=op.f("fk_notices_room")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
        sa.UniqueConstraint("key", name=op.f("uq_notices_key")),
    )


def _deliveries() -> None:
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("notice_id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.String(length=200), nullable=False),
        sa.Column(
            "state",
            sa.Enum(
                "waiting",
                "delivered",
                "expired",
                "dead",
                name="state",
                native_enum=False,
                create_constraint=True,
                length=20,
            ),
            nullable=False,
        ),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.BigInteger(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("settled_at", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("(state = 'waiting') = (settled_at IS NULL)", name=op.f("ck_deliveries_settled")),
        sa.CheckConstraint("attempts >= 0", name=op.f("ck_deliveries_attempts")),
        sa.ForeignKeyConstraint(["notice_id"], ["notices.id"], name=op.f("fk_deliveries_notice_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sa.UniqueConstraint("notice_id", "channel", name=op.f("uq_deliveries_notice_id_channel")),
    )
    waiting = sa.text("state = 'waiting'")
    op.create_index(
        "ix_deliveries_due", "deliveries", ["next_try_at"], unique=False, sqlite_where=waiting, postgresql_where=waiting
    )


def _meta() -> None:
    op.create_table(
        "meta",
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_meta")),
    )
