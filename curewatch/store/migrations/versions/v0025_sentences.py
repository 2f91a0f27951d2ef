"""What people are told is kept as sentence and values, in JSON; what was told before stays the text that it was."""

from alembic import op

revision = "0025"
down_revision = "0024"


def upgrade() -> None:
    as_json = "CAST(to_json({0}) AS TEXT)" if op.get_bind().dialect.name == "postgresql" else "json_quote({0})"
    for table, column in (("notices", "title"), ("notices", "text"), ("alarms", "text")):
        op.execute(f"UPDATE {table} SET {column} = {as_json.format(column)}")
    op.execute("DELETE FROM forecasts")  # they are made again, with reasons of the same kind
