"""Which version of the tables a store has, and bringing it up to ours."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import OperationalError, ProgrammingError

from curewatch.store.engine import for_writing
from curewatch.store.errors import CannotOpen, NewerSchema
from curewatch.store.queries.history import UNPACKED

HEAD = "0026"
"""The newest migration. Stated here so that opening a store need not load Alembic to learn it."""

VERSION_TABLE = "curewatch_schema"
"""Not Alembic's usual name, so that no other program's database is taken for a store."""

MIGRATIONS = Path(__file__).parent / "migrations"


def revision(connection: Connection) -> str | None:
    """The version of the tables in the database; None if it has none."""
    try:
        found: str | None = connection.scalar(text(f"SELECT version_num FROM {VERSION_TABLE}"))
    except (OperationalError, ProgrammingError):
        connection.rollback()  # no such table, or something the next question will stumble over too
        return None
    return found


def bring_to_head(engine: Engine, location: str, *, migrate: bool) -> None:
    """Check the version, and run the migrations that are missing, in one transaction.

    Raises CannotOpen if the database is somebody else's, or is behind and `migrate` is False; NewerSchema if it is
    ahead of this code. In each case nothing was changed.
    """
    with engine.connect() as connection:
        found = revision(connection)
        if found == HEAD and (migrate or not packing_is_left(engine)):
            return
        if found is None and (strangers := inspect(connection).get_table_names()):
            if revision(connection):  # another process has made them just now
                return bring_to_head(engine, location, migrate=migrate)
            raise CannotOpen(
                f"{location} is a database, but no curewatch store (it has {_some(strangers)}); "
                "name another file, or move this one away"
            )
    if found is not None and found not in _known_revisions():
        raise NewerSchema(
            f"the store {location} was last used by a newer curewatch (its tables are version {found}, "
            f"this one knows up to {HEAD}); upgrade curewatch, or name another store"
        )
    if found == HEAD:
        raise CannotOpen(f"the readings of the store {location} are being packed; start the daemon, or wait for it")
    if not migrate:
        raise CannotOpen(
            f"the store {location} has tables of version {found or 'none'}, this curewatch needs {HEAD}; "
            "start the daemon, or any command that writes, to bring it up to date"
        )
    _upgrade(engine)


def packing_is_left(engine: Engine) -> bool:
    """Whether there are readings of a store from before days were packed."""
    return inspect(engine).has_table(UNPACKED)


def drop_what_is_packed(engine: Engine) -> None:
    """The empty table goes, and the room that its readings took."""
    with for_writing(engine).begin() as connection:
        connection.execute(text(f"DROP TABLE IF EXISTS {UNPACKED}"))
    if engine.dialect.name == "sqlite":
        with engine.connect() as connection:
            _outside_transaction(connection, "VACUUM")


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:3])
    return f"the tables {shown} and {len(names) - 3} more" if len(names) > 3 else f"the tables {shown}"


def _known_revisions() -> set[str]:
    from alembic.script import ScriptDirectory  # 100 ms that an up-to-date store need not pay

    return {script.revision for script in ScriptDirectory(str(MIGRATIONS)).walk_revisions()}


def _upgrade(engine: Engine) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))  # % is special to Config
    with for_writing(engine).connect() as connection:
        sqlite = connection.dialect.name == "sqlite"
        if sqlite:
            # SQLite cannot alter much: Alembic copies a table and drops the old one, which would trip every foreign
            # key on it. The switch has no effect inside a transaction, so it is thrown before.
            _outside_transaction(connection, "PRAGMA foreign_keys=OFF")
        try:
            with connection.begin():
                config.attributes["connection"] = connection
                command.upgrade(config, "head")  # finds nothing to do if another process was faster
                if sqlite and (broken := connection.exec_driver_sql("PRAGMA foreign_key_check").all()):
                    raise CannotOpen(f"a migration left rows that refer to nothing, and was undone: {broken[:3]}")
        finally:
            if sqlite:
                _outside_transaction(connection, "PRAGMA foreign_keys=ON")


def _outside_transaction(connection: Connection, pragma: str) -> None:
    driver = connection.connection.driver_connection
    assert driver is not None
    driver.execute(pragma)
