"""The first milestone is called "set": in what a promise may be for, and in what people were told already."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"


def upgrade() -> None:
    promises = sa.table("promises", sa.column("ready"))
    with op.batch_alter_table("promises") as table:
        table.drop_constraint(op.f("ck_promises_ready"), type_="check")
    op.execute(sa.update(promises).where(promises.c.ready == "packed").values(ready="set"))
    with op.batch_alter_table("promises") as table:
        table.create_check_constraint(
            op.f("ck_promises_ready"), sa.column("ready").in_(("set", "touch_dry", "handle", "varnish_ready"))
        )
    # A notice's key says what was told, or it would be told again under the new name.
    notices = sa.table("notices", sa.column("id"), sa.column("key"), sa.column("data", sa.JSON()))
    named = notices.c.key.like("%/packed/%") | sa.cast(notices.c.data, sa.Text).like("%packed%")
    there = op.get_bind()
    for notice in there.execute(sa.select(notices).where(named)).all():
        data = json.dumps(notice.data).replace("/packed/", "/set/")
        data = data.replace('"milestone": "packed"', '"milestone": "set"')
        key = notice.key.replace("/packed/", "/set/")
        there.execute(sa.update(notices).where(notices.c.id == notice.id).values(key=key, data=json.loads(data)))
    deliveries = sa.table("deliveries", sa.column("told_in"))
    told = sa.func.replace(deliveries.c.told_in, "/packed/", "/set/")
    there.execute(sa.update(deliveries).where(deliveries.c.told_in.like("%/packed/%")).values(told_in=told))
