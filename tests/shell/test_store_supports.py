"""More supports, tilts and paint in the store; and a store from before them."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

from curewatch.records import MilestoneKind, Recipe, Support
from curewatch.records.workshop import Paint, Tilt
from curewatch.store import FactRefused, Store
from curewatch.store.schema import MIGRATIONS
from tests.new_store import NOON, pour
from tests.new_store import any_store as any_store

MIGRATES = True


def made_at(revision: str, path: Path) -> None:
    """A store as the curewatch of that migration left it."""
    engine = create_engine(f"sqlite:///{path}")
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    engine.dispose()


def test_a_pour_from_before_round_pieces_is_kept_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    made_at("0004", path)
    micros = int(NOON.timestamp() * 1e6)
    with closing(sqlite3.connect(path)) as old, old:
        old.execute("INSERT INTO recipes VALUES ('house mix', 0.3, 0.03, 0)")
        old.execute("INSERT INTO pieces (id, name, created_at) VALUES (1, 'Heron', ?)", (micros,))
        row = (1, micros, 1.2e-3, "volume", 0.3, 0.4, "house mix", 1, "board", 0.3)
        old.execute(f"INSERT INTO pours VALUES ({', '.join('?' * 10)})", row)
    with Store.open(path) as store, store.read() as tx:
        (kept,) = tx.pours()
    assert kept == pour(1).model_copy(update={"at": datetime.fromtimestamp(micros // 10**6, UTC).replace(
        microsecond=micros % 10**6)})  # fmt: skip
    assert kept.round is False
    with closing(sqlite3.connect(path)) as now, pytest.raises(sqlite3.IntegrityError, match="ck_pours_support"):
        now.execute("UPDATE pours SET support = 'velvet'")


def test_messages_that_wait_for_the_clock_come_over_and_of_old_facts_no_time_of_logging_is_made_up(
    tmp_path: Path,
) -> None:
    path = tmp_path / "old.sqlite"
    made_at("0008", path)
    with closing(sqlite3.connect(path)) as old, old:
        old.execute("INSERT INTO held_messages VALUES (7, 'shed/air', x'3231', 0, 'b1', 12.5, 3.0)")
        old.execute("INSERT INTO pieces (id, name, created_at, gone_at) VALUES (1, 'Heron', 1, 2)")
    with Store.open(path) as store, store.read() as tx:
        (message,) = tx.pending_messages(9)
        assert (message.topic, message.payload, message.boot, message.boottime_s) == ("shed/air", b"21", "b1", 12.5)
        assert [piece.gone_logged_at for piece in tx.pieces(gone=True)] == [None]


def test_what_was_told_before_the_first_milestone_was_called_set_is_told_already(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    made_at("0021", path)
    with closing(sqlite3.connect(path)) as old, old:
        old.execute("INSERT INTO pieces (id, name, created_at) VALUES (1, 'Heron', 1)")
        old.execute("INSERT INTO promises (piece_id, due_at, ready, logged_at) VALUES (1, 3, 'packed', 2)")
        told = json.dumps(
            {"milestone": "packed", "tells": ["piece-1/packed/worth_checking"], "names": ["packed lunch"]}
        )
        old.execute(
            "INSERT INTO notices (id, key, kind, created_at, title, text, urgent, data) "
            "VALUES (1, 'piece-1/packed/safe', 'milestone', 1, 'Heron: safe to assume packed', '', 0, ?)",
            (told,),
        )
        old.execute(
            "INSERT INTO deliveries (notice_id, channel, state, attempts, next_try_at, settled_at, told_in) "
            "VALUES (1, 'mail:Ada', 'delivered', 1, 1, 1, 'piece-1/packed/safe')"
        )
    with Store.open(path) as store, store.read() as tx:
        (delivery,) = tx.deliveries()
        assert [one.ready for one in tx.promises()] == [MilestoneKind.SET]
    assert (delivery.notice.key, delivery.told_in) == ("piece-1/set/safe", "piece-1/set/safe")
    assert delivery.notice.data == {
        "milestone": "set", "tells": ["piece-1/set/worth_checking"], "names": ["packed lunch"]
    }  # fmt: skip


@pytest.fixture
def store(any_store: Store) -> Store:
    with any_store.write() as tx:
        tx.put_recipe(Recipe(name="house mix"))
        tx.add_piece("Heron", NOON)
    return any_store


@pytest.mark.parametrize("support", list(Support))
def test_every_support_goes_in_and_comes_out(store: Store, support: Support) -> None:
    with store.write() as tx:
        (piece,) = tx.pieces()
        told = pour(piece.id).model_copy(update={"support": support, "round": True, "height_m": 0.3})
        tx.add_pour(told)
        assert tx.pours() == [told]


def test_tilts_come_by_time_and_the_last_word_of_a_moment_counts(store: Store) -> None:
    with store.write() as tx:
        (piece,) = tx.pieces()
        later = Tilt(piece_id=piece.id, measured_at=NOON.replace(hour=13), tilt_rad=0.0)
        for tilt_rad in (0.02, 0.01):
            tx.put_tilt(Tilt(piece_id=piece.id, measured_at=NOON, tilt_rad=tilt_rad))
        tx.put_tilt(later)
        assert tx.tilts([piece.id]) == [Tilt(piece_id=piece.id, measured_at=NOON, tilt_rad=0.01), later]
        assert tx.tilts([99]) == []


def test_paint_is_told_once_a_piece_and_in_one_way(store: Store) -> None:
    with store.write() as tx:
        (piece,) = tx.pieces()
        tx.put_paint(Paint(piece_id=piece.id, poured_g=300))
        corrected = Paint(piece_id=piece.id, poured_m3=2e-4, ran_off_m3=5e-5)
        tx.put_paint(corrected)
        assert tx.paints() == [corrected]
    for bad in ({}, {"poured_g": 1, "poured_m3": 1e-4}, {"poured_m3": 1e-4, "ran_off_m3": 1e-4}, {"ran_off_m3": 1e-5}):
        with pytest.raises(ValueError, match=r"paint is told|part of a volume"):
            Paint(piece_id=piece.id, **bad)


def test_nothing_is_kept_of_a_piece_that_never_was(store: Store) -> None:
    with store.write() as tx, pytest.raises(FactRefused):
        tx.put_tilt(Tilt(piece_id=99, measured_at=NOON, tilt_rad=0.01))
    with store.write() as tx, pytest.raises(FactRefused):
        tx.put_paint(Paint(piece_id=99, poured_g=1))


def test_a_pour_taken_back_takes_its_tilt_and_paint_along(store: Store) -> None:
    with store.write() as tx:
        (piece,) = tx.pieces()
        tx.add_pour(pour(piece.id))
        tx.put_tilt(Tilt(piece_id=piece.id, measured_at=NOON, tilt_rad=0.01))
        tx.put_paint(Paint(piece_id=piece.id, poured_g=300))
        tx.undo_piece(piece.id, NOON)
        assert (tx.tilts(), tx.paints()) == ([], [])
