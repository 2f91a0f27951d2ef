"""A desk refreshed again and again by one refresher, as a daemon does it."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache

from curewatch.desk import Desk
from curewatch.desk.refresh.refresher import Refreshed, Refresher


@lru_cache(maxsize=8)
def refresher_of(desk: Desk) -> Refresher:
    """The one of this desk."""
    return Refresher(desk)


def refresh(desk: Desk, now: datetime, *, at_most: int | None = None) -> Refreshed:
    return refresher_of(desk).refresh(now, at_most=at_most)
