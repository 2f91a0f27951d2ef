"""Versions of the tables, run by `store.schema` through Alembic when a store is opened.

To change the tables: change `store/tables.py`; add `versions/v0002_what_changes.py` with `revision = "0002"` and
`down_revision = "0001"`, in which types and rules are written out and nothing of the package is imported (a migration
must go on meaning what it meant); raise `schema.HEAD`. Change an existing table with `op.batch_alter_table`, since
SQLite can alter little. Tests compare what the migrations build with `tables.py`. There is no way back down: a newer
store is refused by older code, and a copy of the file is the way back.
"""
