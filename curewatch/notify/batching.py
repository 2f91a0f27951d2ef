"""One message instead of many, for channels that people read: what waits for one person is told together.

So it goes when quiet hours end, when the daemon or the receiver was off, and when much happens at once. Frost and its
like (`urgent`) go out alone and at once. The message that tells several is written to the store, with a key of its
own, before it is sent: a crash in between sends the same message again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.language import Joined, Message, Words, joined, phrase
from curewatch.records import Delivery, Notice

HOUR, FLOOD_WINDOW = timedelta(hours=1), timedelta(minutes=10)
CALM_AN_HOUR = 2
"""So many messages within an hour, and what is no alarm waits until there is room. An alarm may be the third."""
FLOOD = 5
"""So many alarms within ten minutes, and further ones are told together at the end of those."""
LONG_AGO = timedelta(hours=1)
WHOLE = 8
"""So many notices are told together with their text, further ones by their title."""
TITLES = 40
"""So many titles, and what is beyond is counted."""
PROGRAM_MOST = 100
"""So many notices in one message to a program, each whole; further ones in a next message."""
_LIVE = ("alarm", "reminder", "foreseen", "test", "morning")
"""Kinds that are about now: they wait for nothing but a flood to pass."""


@dataclass(frozen=True)
class Later:
    """Nothing now; look again then."""

    until: datetime


def may_send(due: Sequence[Delivery], sent: Sequence[Delivery], now: datetime) -> Later | None:
    """Whether a message with what is `due` may go out at `now`, after those `sent` in the last hour (oldest first)."""
    if any(is_live(delivery.notice) for delivery in due):
        alarms = [at for at, notice in _times(sent) if now - at < FLOOD_WINDOW and is_live(notice)]
        return Later(alarms[0] + FLOOD_WINDOW) if len(alarms) >= FLOOD else None
    latest = [at for at, _ in _times(sent) if now - at < HOUR]
    return Later(latest[-CALM_AN_HOUR] + HOUR) if len(latest) >= CALM_AN_HOUR else None


def _times(sent: Sequence[Delivery]) -> list[tuple[datetime, Notice]]:
    return [(delivery.delivered_at, delivery.notice) for delivery in sent if delivery.delivered_at is not None]


def is_live(notice: Notice) -> bool:
    """About now, and for somebody to act on."""
    return notice.kind in _LIVE and not notice.data.get("past")


def together(members: Sequence[Notice], channel: str, now: datetime) -> Notice:
    """The notice that tells `members` (two or more): what is about now first, then in the order it came about."""
    ordered = sorted(members, key=lambda notice: (not is_live(notice), notice.created_at))
    # A morning's work says what to do with each piece; that one came so far is then worth a line.
    brief = "milestone" if any(notice.kind == "morning" for notice in ordered) else ""
    whole = [notice for notice in ordered if notice.kind != brief][:WHOLE]
    told = {notice.key for notice in whole}
    parts: list[Words] = [joined(notice.title, notice.text, by="\n") for notice in whole]
    if rest := [notice for notice in ordered if notice.key not in told]:
        more = [phrase("and {n} more", n=len(rest) - TITLES)] if len(rest) > TITLES else []
        lines = [Joined(("-", line)) for line in (*(notice.title for notice in rest[:TITLES]), *more)]
        parts.append(joined(phrase("And:"), *lines, by="\n"))
    expiries = [notice.expires_at for notice in ordered]
    return Notice(
        key=f"together/{_digest([channel, *sorted(notice.key for notice in ordered)])}",
        kind=kind_of(ordered),
        created_at=now,
        title=_title(ordered),
        text=joined(*parts, by="\n\n"),
        expires_at=None if None in expiries else max(at for at in expiries if at is not None),
        data={
            "members": [notice.key for notice in ordered],
            "past": not is_live(ordered[0]),
            "alarms": sorted({str(n.data["alarm"]) for n in ordered if is_live(n) and "alarm" in n.data}),
        },
    )


def is_belated(notice: Notice) -> bool:
    """Whether it was noticed long after it had come about: the daemon was off, or a pour was logged afterwards."""
    return not is_live(notice) and "members" not in notice.data and notice.created_at - came_about(notice) > LONG_AGO


def for_programs(members: Sequence[Notice], channel: str, now: datetime) -> Notice:
    """As `together`, with each of `members` whole in its data, under the key it would have had by itself."""
    notice = together(members, channel, now)
    told = [m.model_dump(mode="json", include={"key", "kind", "title", "text", "data"}) for m in members]
    return notice.model_copy(update={"kind": "catch_up", "data": notice.data | {"notices": told}})


def kind_of(members: Sequence[Notice]) -> str:
    """`catch_up` where everything came about long before anybody could notice, else `digest`."""
    return "catch_up" if all(is_belated(notice) for notice in members) else "digest"


def came_about(notice: Notice) -> datetime:
    """When what the notice tells became true."""
    at = notice.data.get("at")
    return datetime.fromisoformat(at) if isinstance(at, str) else notice.created_at


def _title(members: Sequence[Notice]) -> Message:
    first = members[0]
    if is_live(first):
        return phrase("{title} (and {n} more)", title=first.title, n=len(members) - 1)
    if kind_of(members) == "catch_up":
        return phrase("Meanwhile: {n} things to know", n=len(members))
    return phrase("{n} things to know: {title} and more", n=len(members), title=first.title)


def _digest(parts: Sequence[str]) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:24]
