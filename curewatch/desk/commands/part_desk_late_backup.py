"""Telling people that the store has no fresh backup: a fault that nobody notices until the day it is needed."""

from __future__ import annotations

from datetime import datetime, timedelta

from curewatch.desk.desk import Desk
from curewatch.notify.routing import due_times
from curewatch.records import Notice
from curewatch.store import newest


def tell_late_backup(desk: Desk, why: str, now: datetime) -> bool:
    """Write a notice that no backup could be made, where the newest is older than it should be or there is none.

    True if one was written. One is, however often it fails, until a backup has been made again.
    """
    last_made = newest(desk.store.backups(), now)
    made_at = None if last_made is None else last_made.at
    if made_at is not None and timedelta(0) <= now - made_at < 2 * timedelta(hours=desk.settings.backup.every_h):
        return False
    last = "There is none yet" if made_at is None else f"The newest is of {desk.local(made_at):%a %d %b %Y, %H:%M}"
    notice = Notice(
        key=f"backup/late/{'never' if made_at is None else made_at.isoformat()}",
        kind="backup",
        created_at=now,
        title="The studio's record is not being backed up",
        text=f"{last}, because {why}. If the disk fails now, what came since is lost. It is tried again every hour.",
    )
    with desk.store.write() as tx:
        return tx.add_notice(notice, due_times(desk.settings, notice))
