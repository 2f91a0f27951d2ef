"""Which milestone notices are due: worth checking at even odds, safe to assume at 90 %."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime, timedelta

from curewatch.records import Forecast, Milestone, MilestoneKind, Notice, Stay
from curewatch.studio import wording
from curewatch.studio.forecast import Drying

EXPIRES_AFTER = timedelta(days=14)
"""A notice that could not be delivered for this long says nothing useful any more."""


def key_of(piece_id: int, kind: MilestoneKind, odds: str) -> str:
    return f"piece-{piece_id}/{kind}/{odds}"


def next_due(forecast: Forecast, told: Collection[MilestoneKind], now: datetime) -> datetime | None:
    """The next moment after `now` at which a milestone notice of this forecast falls due."""
    moments = [
        at
        for milestone in forecast.milestones
        if milestone.kind in told
        for at in (milestone.worth_checking_at, milestone.safe_at)
        if at is not None and at > now
    ]
    return min(moments, default=None)


def notices(
    drying: Drying,
    forecast: Forecast,
    told: Collection[MilestoneKind],
    now: datetime,
    local: Callable[[datetime], datetime],
) -> list[Notice]:
    """The notices of `drying` that are due at `now`; each has a key, so that telling twice is left to the store.

    Where both have passed, only the stronger is told. `local` turns a time into the studio's zone.
    """
    found = []
    for milestone in forecast.milestones:
        if milestone.kind not in told:
            continue
        if milestone.safe_at is not None and milestone.safe_at <= now:
            found.append(_notice(drying, forecast, milestone, "safe", now, local))
        elif milestone.worth_checking_at is not None and milestone.worth_checking_at <= now:
            found.append(_notice(drying, forecast, milestone, "worth_checking", now, local))
    return found


def _notice(
    drying: Drying,
    forecast: Forecast,
    milestone: Milestone,
    odds: str,
    now: datetime,
    local: Callable[[datetime], datetime],
) -> Notice:
    title, text = wording.milestone(drying, forecast, milestone, odds, now, local)
    stay: Stay = drying.stays[-1]
    return Notice(
        key=key_of(drying.piece.id, milestone.kind, odds),
        kind="milestone",
        created_at=now,
        title=title,
        text=text,
        expires_at=now + EXPIRES_AFTER,
        piece_id=drying.piece.id,
        room=stay.room,
        data={
            "piece": drying.piece.name,
            "place": stay.place,
            "milestone": milestone.kind.value,
            "odds": odds,
            "worth_checking_at": _iso(milestone.worth_checking_at),
            "safe_at": _iso(milestone.safe_at),
        },
    )


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()
