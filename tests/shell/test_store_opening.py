"""Opening a store: making it, migrating it, refusing what is none and leaving that untouched."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, Inspector, create_engine, inspect, make_url, text
from sqlalchemy.schema import CreateIndex, CreateTable

from curewatch.records import Room
from curewatch.records.access import PageToken, TokenKind
from curewatch.store import CannotOpen, NewerSchema, Store, tables
from curewatch.store.engine import for_writing, sqlite_engine
from curewatch.store.schema import HEAD, MIGRATIONS, VERSION_TABLE

NOBODY = 65534

MIGRATES = True


def fingerprint(path: Path) -> tuple[str, int]:
    return hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns


@contextmanager
def opened(engine: Engine) -> Iterator[Engine]:
    try:
        yield engine
    finally:
        engine.dispose()


# --- Making one ------------------------------------------------------------------------------------------------


def test_a_new_store_is_made_with_its_folders_for_their_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "100% new" / "deep down" / "studio.sqlite"
    with Store.open(path) as store, store.write() as tx:
        tx.add_room(Room(name="Boat shed"))
    for folder in (path.parent, path.parent.parent):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    with Store.open(str(path), migrate=False) as store, store.read() as tx:
        assert tx.rooms() == [Room(name="Boat shed")]
        assert store.location == str(path)


def test_a_folder_that_was_there_keeps_its_mode(tmp_path: Path) -> None:
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o750)
    Store.open(folder / "studio.sqlite").close()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o750


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    (tmp_path / "studio.sqlite").touch()
    with Store.open(tmp_path / "studio.sqlite") as store, store.read() as tx:
        assert tx.rooms() == []


def test_a_url_and_a_path_and_a_home_lead_to_the_same_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "studio.sqlite"
    Store.open(path).close()
    for location in ("~/studio.sqlite", "studio.sqlite", f"sqlite:///{path}", f"sqlite+pysqlite:///{path}"):
        with Store.open(location, migrate=False) as store:
            assert store.location == str(path)


def test_a_copy_without_a_log_gets_one_again(tmp_path: Path) -> None:
    """`VACUUM INTO`, the usual way to a backup, writes files whose journal is not the write-ahead log."""
    Store.open(tmp_path / "studio.sqlite").close()
    with closing(sqlite3.connect(tmp_path / "studio.sqlite")) as raw:
        raw.execute("VACUUM INTO ?", [str(tmp_path / "copy.sqlite")])
    with Store.open(tmp_path / "copy.sqlite") as store, store.read() as tx:
        assert tx._connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_two_programs_may_make_the_same_store_at_once(tmp_path: Path) -> None:
    code = "import sys; from curewatch.store import Store; Store.open(sys.argv[1]).close()"
    made = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "studio.sqlite")]) for _ in range(3)]
    assert [process.wait(60) for process in made] == [0, 0, 0]
    with Store.open(tmp_path / "studio.sqlite", migrate=False) as store, store.read() as tx:
        assert tx.rooms() == []


# --- Migrations ------------------------------------------------------------------------------------------------


def test_the_stated_head_is_the_newest_migration() -> None:
    assert ScriptDirectory(str(MIGRATIONS)).get_heads() == [HEAD]


def test_the_migrations_build_what_tables_says(tmp_path: Path) -> None:
    """Compared column by column and rule by rule; Alembic's own comparison does not look at CHECKs."""
    Store.open(tmp_path / "migrated.sqlite").close()
    with (
        opened(sqlite_engine(tmp_path / "migrated.sqlite")) as migrated,
        opened(create_engine("sqlite://")) as stated,
    ):
        tables.metadata.create_all(stated)
        assert _described(inspect(migrated)) == _described(inspect(stated))
        with migrated.connect() as connection:
            context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
            assert compare_metadata(context, tables.metadata) == []


def test_what_was_given_out_before_sessions_had_tables_is_good_still(tmp_path: Path) -> None:
    """A token keeps its word and gets no end that nobody named."""
    kept = [{"name": "Logger", "kind": "read", "made_at": "2026-11-20T09:00:00+00:00", "hash": "5e" * 32}]
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with opened(sqlite_engine(tmp_path / "studio.sqlite")) as engine, for_writing(engine).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0014")
        connection.execute(text("INSERT INTO meta VALUES ('page_tokens', :kept)"), {"kept": json.dumps(kept)})
    with Store.open(tmp_path / "studio.sqlite") as store, store.read() as tx:
        at = datetime(2026, 11, 20, 9, tzinfo=UTC)
        assert tx.page_tokens() == [PageToken(hash="5e" * 32, name="Logger", kind=TokenKind.READ, made_at=at)]
        assert tx.get_meta("page_tokens") is None


def _described(inspector: Inspector) -> dict[str, Any]:
    def where(options: dict[str, Any]) -> dict[str, str]:
        return {name: str(value) for name, value in options.items()}

    def described(table: str) -> dict[str, Any]:
        return {
            "columns": {column["name"]: str(column) for column in inspector.get_columns(table)},
            "key": inspector.get_pk_constraint(table),
            "foreign keys": sorted(map(str, inspector.get_foreign_keys(table))),
            "checks": sorted(map(str, inspector.get_check_constraints(table))),
            "unique": sorted(map(str, inspector.get_unique_constraints(table))),
            "indexes": sorted(
                (
                    str(index["name"]),
                    index["column_names"],
                    bool(index["unique"]),
                    where(index.get("dialect_options", {})),
                )
                for index in inspector.get_indexes(table)
            ),
        }

    return {table: described(table) for table in inspector.get_table_names() if table != VERSION_TABLE}


def test_every_table_can_be_told_to_postgresql() -> None:
    dialect = make_url("postgresql+psycopg://").get_dialect()()
    for table in tables.metadata.sorted_tables:
        assert "DATETIME" not in str(CreateTable(table).compile(dialect=dialect))
        for index in table.indexes:
            assert str(CreateIndex(index).compile(dialect=dialect))


def test_a_failed_migration_leaves_an_empty_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fails in its last table, after the others were made: all of them are undone, and the next start succeeds."""
    path = tmp_path / "studio.sqlite"
    script = shutil.copytree(MIGRATIONS, tmp_path / "migrations")
    first = next((script / "versions").glob("v0001*.py"))
    first.write_text(first.read_text() + "\n\ndef _meta() -> None:\n    raise ZeroDivisionError\n")
    monkeypatch.setattr("curewatch.store.schema.MIGRATIONS", script)
    with pytest.raises(ZeroDivisionError):
        Store.open(path)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT name FROM sqlite_master").fetchall() == []
    monkeypatch.undo()
    Store.open(path).close()


def test_without_leave_to_migrate_a_missing_or_empty_store_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none" / "studio.sqlite"
    with pytest.raises(CannotOpen, match=r"no store at .*studio\.sqlite"):
        Store.open(path, migrate=False)
    assert not path.parent.exists()
    (tmp_path / "empty.sqlite").touch()
    with pytest.raises(CannotOpen, match="tables of version none, this curewatch needs"):
        Store.open(tmp_path / "empty.sqlite", migrate=False)
    assert (tmp_path / "empty.sqlite").stat().st_size == 0


# --- What is no store of ours ----------------------------------------------------------------------------------


def test_a_newer_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "studio.sqlite"
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute(f"UPDATE {VERSION_TABLE} SET version_num = '9001'")
    before = fingerprint(path)
    with pytest.raises(NewerSchema, match=r"studio\.sqlite was last used by a newer .*9001.* upgrade curewatch"):
        Store.open(path)
    assert fingerprint(path) == before


@pytest.mark.parametrize(
    "content",
    [b"time_utc,temp_c,rh_pct\n2026-11-20T12:00Z,18.2,61\n" * 100, b"x", b"SQLite format 3\0" + b"\xff" * 5000],
    ids=["a table as text", "one byte", "a broken header"],
)
def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "room.csv"
    path.write_bytes(content)
    before = fingerprint(path)
    with pytest.raises(CannotOpen, match=r"room\.csv is no SQLite database.*name another file"):
        Store.open(path)
    assert fingerprint(path) == before
    assert os.listdir(tmp_path) == ["room.csv"]


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "theirs.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE alembic_version (version_num TEXT)")
        raw.execute("CREATE TABLE tides (at TEXT)")
    before = fingerprint(path)
    with pytest.raises(
        CannotOpen, match=r"theirs\.sqlite is a database, but no curewatch store .*alembic_version, tides"
    ):
        Store.open(path)
    assert fingerprint(path) == before


def test_a_folder_is_no_store(tmp_path: Path) -> None:
    with pytest.raises(CannotOpen, match=r"is a folder; name a file in it"):
        Store.open(tmp_path)


def test_a_file_where_a_folder_should_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(CannotOpen, match=r"cannot make the folder .*Not a directory|needs its log|File exists"):
        Store.open(tmp_path / "file" / "deeper" / "studio.sqlite")


@pytest.mark.parametrize(
    ("location", "message"),
    [
        ("mysql://ann:hush@db/studio", r"cannot keep a store in 'mysql://ann:\*\*\*@db/studio'.*allowed are"),
        ("sqlite://", r"cannot keep a store in 'sqlite://'"),
        ("sqlite:///:memory:", r"cannot keep a store in"),
        ("sqlite:///x?mode=ro", r"cannot keep a store in"),
        ("postgresql://db", r"cannot keep a store in"),
        ("::::://ann:hush@db", r"no database URL"),
        ("postgresql://ann:hush@db:port/studio", r"'postgresql://…' is no database URL"),
    ],
)
def test_an_address_that_cannot_be_a_store_is_quoted_without_its_password(location: str, message: str) -> None:
    with pytest.raises(CannotOpen, match=message) as refused:
        Store.open(location)
    assert "hush" not in str(refused.value)


# --- Permissions -----------------------------------------------------------------------------------------------


@pytest.fixture
def ordinary_folder() -> Iterator[Path]:
    """A folder of an ordinary user's, as that user: root may write anywhere, which would prove nothing."""
    folder = Path(tempfile.mkdtemp(prefix="curewatch-test-"))
    root = os.geteuid() == 0
    try:
        if root:
            os.chown(folder, NOBODY, NOBODY)
            os.seteuid(NOBODY)
        yield folder
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o700)
        shutil.rmtree(folder)


def test_a_folder_that_may_not_be_written_is_told(ordinary_folder: Path) -> None:
    Store.open(ordinary_folder / "there.sqlite").close()
    ordinary_folder.chmod(0o500)
    for name in ("new.sqlite", "there.sqlite"):
        with pytest.raises(CannotOpen, match=rf"{name} needs its log beside it, and the folder .* may not be written"):
            Store.open(ordinary_folder / name)
    with pytest.raises(CannotOpen, match=r"cannot make the folder .*Permission denied"):
        Store.open(ordinary_folder / "sub" / "new.sqlite")


@pytest.mark.parametrize(("mode", "verb"), [(0o400, "written"), (0o000, "read")])
def test_a_file_that_may_not_be_read_or_written_is_told(ordinary_folder: Path, mode: int, verb: str) -> None:
    path = ordinary_folder / "studio.sqlite"
    Store.open(path).close()
    path.chmod(mode)
    with pytest.raises(CannotOpen, match=rf"studio\.sqlite may not be {verb} by this user"):
        Store.open(path)


# --- What a start costs ----------------------------------------------------------------------------------------


def test_an_up_to_date_store_is_opened_and_written_without_numpy_or_alembic(tmp_path: Path) -> None:
    """Each would cost every command a tenth of a second."""
    path = tmp_path / "studio.sqlite"
    Store.open(path).close()
    code = (
        "import sys; from curewatch.records import Room; from curewatch.store import Store\n"
        "with Store.open(sys.argv[1]) as store, store.write() as tx: tx.add_room(Room(name='Boat shed'))\n"
        "print([name for name in ('numpy', 'alembic') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
