"""The tables of facts, decisions and notices. Every rule that must never be broken is kept here by the database
itself."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from curewatch.records import AlarmHappening, AlarmKind, AlarmState, DeliveryState, Support, ThicknessSource, Trust
from curewatch.records.corrections import CorrectionKind, Naming
from curewatch.store.engine import NAME, Instant, Said, one_of

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
# --- Facts -----------------------------------------------------------------------------------------------------

rooms = Table(
    "rooms",
    metadata,
    Column("name", NAME, primary_key=True),
    Column("removed_at", Instant),
    # This prevents a room nobody can name on a command line.
    CheckConstraint("length(name) BETWEEN 1 AND 80", name="name"),
)
recipes = Table(
    "recipes",
    metadata,
    Column("name", NAME, primary_key=True),
    Column("solids", Double, nullable=False),
    Column("glycol", Double, nullable=False),
    Column("coalescent", Double, nullable=False, server_default="0"),
    Column("stated", Boolean(create_constraint=True, name="stated"), nullable=False),
    Column("removed_at", Instant),
    CheckConstraint("length(name) BETWEEN 1 AND 80", name="name"),
    # These prevent a mix outside the range the drying model speaks for.
    CheckConstraint("solids BETWEEN 0.05 AND 0.70", name="solids"),
    CheckConstraint("glycol BETWEEN 0.0 AND 0.15", name="glycol"),
    CheckConstraint("coalescent BETWEEN 0.0 AND 0.15", name="coalescent"),
)
pieces = Table(
    "pieces",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", NAME, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("gone_at", Instant),
    Column("gone_logged_at", Instant),
    Column("series", NAME),
    CheckConstraint("length(name) BETWEEN 1 AND 80", name="name"),
    # This prevents two pieces that are still here from bearing one name; a name is free again once its piece is gone.
    Index(
        "uq_pieces_name_here",
        "name",
        unique=True,
        sqlite_where=text("gone_at IS NULL"),
        postgresql_where=text("gone_at IS NULL"),
    ),
)
stays = Table(
    "stays",
    metadata,
    # These prevent a piece in a room, or a room with a piece, that was never recorded.
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("since", Instant, nullable=False),
    Column("room", ForeignKey("rooms.name"), nullable=False, index=True),
    Column("place", NAME),
    # Of the first stay the pour says it, and none is known of moves from before it was kept.
    Column("air_speed_m_s", Double),
    Column("logged_at", Instant),
    # This prevents a piece from being in two rooms at one moment.
    PrimaryKeyConstraint("piece_id", "since"),
    CheckConstraint("place IS NULL OR length(place) BETWEEN 1 AND 80", name="place"),
    CheckConstraint("air_speed_m_s IS NULL OR air_speed_m_s BETWEEN 0.05 AND 5", name="air_speed_m_s"),
)
pours = Table(
    "pours",
    metadata,
    # This prevents a second pour on one piece, which would restart its drying unseen.
    Column("piece_id", ForeignKey("pieces.id"), primary_key=True, autoincrement=False),
    Column("at", Instant, nullable=False),
    Column("wet_thickness_m", Double, nullable=False),
    Column("thickness_source", one_of(ThicknessSource, "thickness_source"), nullable=False),
    Column("width_m", Double),
    Column("height_m", Double),
    Column("round", Boolean(create_constraint=True, name="round"), nullable=False),
    # This prevents a pour of a mix nobody described.
    Column("recipe", ForeignKey("recipes.name"), nullable=False),
    Column("silicone", Boolean(create_constraint=True, name="silicone"), nullable=False),
    Column("support", one_of(Support, "support"), nullable=False),
    Column("air_speed_m_s", Double, nullable=False),
    Column("logged_by", NAME),
    # These prevent a slip of unit (1.2 for 1.2 mm) from being dried for a thousand years.
    CheckConstraint("wet_thickness_m BETWEEN 20e-6 AND 10e-3", name="wet_thickness_m"),
    CheckConstraint("width_m IS NULL OR width_m BETWEEN 0.02 AND 5", name="width_m"),
    CheckConstraint("height_m IS NULL OR height_m BETWEEN 0.02 AND 5", name="height_m"),
    CheckConstraint("air_speed_m_s BETWEEN 0.05 AND 5", name="air_speed_m_s"),
)
sources = Table(
    "sources",
    metadata,
    # Who measures where. Its own table, so that millions of readings repeat a small number, not two names.
    Column("id", Integer, primary_key=True),
    Column("room", ForeignKey("rooms.name"), nullable=False),
    Column("name", Text, nullable=False),
    # The correction by which it came here from a room that was another name of this one; 0: it was always here.
    Column("merged_by", Integer, nullable=False, server_default="0"),
    # How many of its readings lie in `raw_days` or have been there, and up to when everything that came in time does.
    Column("packed", Integer, nullable=False, server_default="0"),
    Column("packed_until", Instant),
    # This prevents a sensor from being counted twice in one room. (Moved to another room it is another source.)
    UniqueConstraint("room", "name", "merged_by"),
)
TEMP_ONLY, RH_ONLY = 1, 2
readings = Table(
    "readings",
    metadata,
    # The last hours of sensors, until they are packed by the day, and all that people typed.
    Column("source_id", ForeignKey("sources.id"), nullable=False),
    Column("at", Instant, nullable=False),
    # Which quantities: 1 temperature, 2 humidity, 3 both.
    Column("measures", Integer, nullable=False),
    Column("temp_c", Double),
    Column("rh_pct", Double),
    Column("received_at", Instant, nullable=False),
    Column("battery_pct", Double),
    Column("retained", Boolean(create_constraint=True, name="retained"), nullable=False),
    Column("logged_by", NAME),
    # This prevents a message the broker delivers twice from counting twice, and yet keeps both messages of a sensor
    # that sends temperature and humidity apart under one time. By time first: what all sources say in a commit lies
    # side by side, and costs a page or two of the disk, not one for each source.
    PrimaryKeyConstraint("at", "source_id", "measures"),
    # This prevents a reading of nothing, and `measures` from disagreeing with what was measured.
    CheckConstraint(
        "measures > 0 AND measures = CASE WHEN temp_c IS NULL THEN 0 ELSE 1 END"
        " + CASE WHEN rh_pct IS NULL THEN 0 ELSE 2 END",
        name="measures",
    ),
    # These prevent a broken sensor's numbers (-127 °C, 655 %RH) from becoming facts.
    CheckConstraint("temp_c IS NULL OR temp_c BETWEEN -60 AND 90", name="temp_c"),
    CheckConstraint("rh_pct IS NULL OR rh_pct BETWEEN 0 AND 100", name="rh_pct"),
    CheckConstraint("battery_pct IS NULL OR battery_pct BETWEEN 0 AND 100", name="battery_pct"),
    sqlite_with_rowid=False,
)
sensor_trusts = Table(
    "sensor_trusts",
    metadata,
    # This prevents a word on the sensor of a room that was never recorded.
    Column("room", ForeignKey("rooms.name"), nullable=False),
    Column("source", Text, nullable=False),
    Column("at", Instant, nullable=False),
    Column("trust", one_of(Trust, "trust"), nullable=False),
    Column("temp_offset_c", Double),
    Column("rh_offset_pct", Double),
    Column("logged_at", Instant, nullable=False),
    # A later word stands beside an earlier one: what was said is not rewritten.
    PrimaryKeyConstraint("room", "source", "logged_at"),
    # This prevents an offset that nothing is put right by.
    CheckConstraint("trust = 'offset' OR temp_offset_c IS NULL AND rh_offset_pct IS NULL", name="offset"),
)
# --- Derived: may be deleted, and is rebuilt -------------------------------------------------------------------

forecasts = Table(
    "forecasts",
    metadata,
    # This prevents two forecasts of one piece from both being current.
    Column("piece_id", ForeignKey("pieces.id"), primary_key=True, autoincrement=False),
    Column("made_at", Instant, nullable=False),
    Column("model_version", Text, nullable=False),
    Column("fingerprint", Text, nullable=False),
    Column("milestones", JSON, nullable=False),
    Column("reason", Said),
    Column("film_temp_c", Double),
    Column("volatile_fraction", Double),
    Column("skin_gap_h", Double),
    Column("usual_skin_gap_h", Double),
    Column("crack_odds", Double),
    Column("data_until", Instant),
    Column("readings_used", Integer, nullable=False),
    Column("room_temp_c", Double),
    Column("room_rh_pct", Double),
)
# --- Decisions, and the notices committed with them ------------------------------------------------------------

alarms = Table(
    "alarms",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", one_of(AlarmKind, "kind"), nullable=False),
    Column("room", ForeignKey("rooms.name"), nullable=False),
    Column("piece_id", ForeignKey("pieces.id")),
    Column("state", one_of(AlarmState, "state"), nullable=False),
    Column("since", Instant, nullable=False),
    Column("raised_at", Instant),
    Column("evaluated_at", Instant, nullable=False),
    Column("acknowledged_at", Instant),
    Column("muted_until", Instant),
    Column("reminded_at", Instant),
    Column("told_at", Instant),
    Column("at_stake", JSON(none_as_null=True)),
    Column("told_harm_h", Double, nullable=False, server_default="0"),
    Column("text", Said, nullable=False),
    # These prevent one subject from having two states of one alarm, and so from being told twice. Two indexes, because
    # to SQL no NULL equals another.
    Index(
        "uq_alarms_room",
        "kind",
        "room",
        unique=True,
        sqlite_where=text("piece_id IS NULL"),
        postgresql_where=text("piece_id IS NULL"),
    ),
    Index(
        "uq_alarms_piece",
        "kind",
        "room",
        "piece_id",
        unique=True,
        sqlite_where=text("piece_id IS NOT NULL"),
        postgresql_where=text("piece_id IS NOT NULL"),
    ),
)
notices = Table(
    "notices",
    metadata,
    Column("id", Integer, primary_key=True),
    # This prevents people from being told one thing twice, whatever crashed in between.
    Column("key", Text, nullable=False, unique=True),
    Column("kind", Text, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("title", Said, nullable=False),
    Column("text", Said, nullable=False),
    Column("urgent", Boolean(create_constraint=True, name="urgent"), nullable=False),
    Column("expires_at", Instant),
    # What was told of the pieces here is asked at every refresh, among years of notices.
    Column("piece_id", ForeignKey("pieces.id"), index=True),
    Column("room", ForeignKey("rooms.name")),
    Column("data", JSON, nullable=False),
    # This prevents a notice without an idempotency key.
    CheckConstraint("length(key) > 0", name="key"),
)
deliveries = Table(
    "deliveries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("notice_id", ForeignKey("notices.id"), nullable=False),
    Column("channel", String(200), nullable=False),
    Column("state", one_of(DeliveryState, "state"), nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_try_at", Instant, nullable=False),
    Column("last_error", Text),
    # When it stopped waiting, whichever way.
    Column("settled_at", Instant),
    # The key of the notice that told this one too.
    Column("told_in", Text),
    # This prevents one notice from going out twice through one channel.
    UniqueConstraint("notice_id", "channel"),
    CheckConstraint("attempts >= 0", name="attempts"),
    # This prevents a delivery that is settled and yet waiting, or neither.
    CheckConstraint("(state = 'waiting') = (settled_at IS NULL)", name="settled"),
    # What is due is asked every few seconds, among years of settled ones.
    Index(
        "ix_deliveries_due",
        "channel",
        "next_try_at",
        sqlite_where=text("state = 'waiting'"),
        postgresql_where=text("state = 'waiting'"),
    ),
)
meta = Table(
    "meta",
    metadata,
    # The daemon's small memory, such as the newest data time it has judged.
    Column("key", String(200), primary_key=True),
    Column("value", Text, nullable=False),
)
COUNTED = (rooms, recipes, pieces, stays, pours, readings, forecasts, alarms, notices, deliveries)
"""The tables that hold records, in the order `counts` tells them."""
alarm_events = Table(
    "alarm_events",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", one_of(AlarmKind, "kind"), nullable=False),
    Column("room", ForeignKey("rooms.name"), nullable=False),
    Column("happening", one_of(AlarmHappening, "happening"), nullable=False),
    Column("at", Instant, nullable=False, index=True),
    Column("recorded_at", Instant, nullable=False),
    Column("muted_until", Instant),
    # This prevents a mute without an end from being written down.
    CheckConstraint("(happening = 'muted') = (muted_until IS NOT NULL)", name="muted_until"),
)
damages = Table(
    "damages",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("piece_id", ForeignKey("pieces.id"), nullable=False),
    Column("kind", one_of(AlarmKind, "kind"), nullable=False),
    Column("hours", Double, nullable=False),
    Column("worst_c", Double, nullable=False),
    Column("began_at", Instant, nullable=False),
    Column("counted_until", Instant, nullable=False),
    Column("cleared_at", Instant),
    CheckConstraint("hours >= 0", name="hours"),
    # This prevents one piece from bearing two counts of one damage; what a person has cleared stays beside it.
    Index(
        "uq_damages_open",
        "piece_id",
        "kind",
        unique=True,
        sqlite_where=text("cleared_at IS NULL"),
        postgresql_where=text("cleared_at IS NULL"),
    ),
)
checkpoints = Table(
    "checkpoints",
    metadata,
    # Derived, like forecasts: may be emptied at any time. It goes with its piece, whoever takes that back.
    Column("piece_id", ForeignKey("pieces.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("until", Instant, nullable=False),
    Column("fingerprint", Text, nullable=False),
    Column("expected_s", JSON, nullable=False),
    Column("centre", LargeBinary, nullable=False),
    Column("members", LargeBinary, nullable=False),
)
corrections = Table(
    "corrections",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", one_of(CorrectionKind, "kind"), nullable=False),
    Column("logged_at", Instant, nullable=False),
    Column("name", NAME, nullable=False),
    Column("piece_id", ForeignKey("pieces.id"), index=True),
    Column("naming", one_of(Naming, "naming")),
    Column("room", NAME),
    Column("to", NAME),
    # This prevents a correction of nothing, or of two things at once.
    CheckConstraint("(piece_id IS NULL) != (naming IS NULL)", name="of"),
)
changes = Table(
    "changes",
    metadata,
    # What was, and so how a correction is taken back. It goes with its correction.
    Column("correction_id", ForeignKey("corrections.id", ondelete="CASCADE"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("table", NAME, nullable=False),
    Column("was", Text),
    Column("now", Text),
    PrimaryKeyConstraint("correction_id", "number"),
    CheckConstraint("was IS NOT NULL OR now IS NOT NULL", name="something"),
)
