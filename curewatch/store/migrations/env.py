"""Run by Alembic for each upgrade, on the connection and inside the transaction `store.schema` hands it."""

from alembic import context

from curewatch.store.schema import VERSION_TABLE
from curewatch.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
    # Alembic believes SQLite cannot undo CREATE TABLE. It can; only Python's driver used to commit before it.
    transactional_ddl=True,
)

with context.begin_transaction():
    context.run_migrations()
