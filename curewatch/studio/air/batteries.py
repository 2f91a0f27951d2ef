"""Low batteries of sensors: from what their readings say of the charge to one notice each, and a line on the board.

A charge rises and falls with the cold, and some sensors send a single 0 among the rest. So it counts as low once it
has been for an hour, and as good again only a deadband higher.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from curewatch.records import Notice, Reading
from curewatch.records.facts import Moment, Name, Record
from curewatch.studio.air.flaws import Finding, Flaw

HELD = timedelta(hours=1)
FORGOTTEN = timedelta(days=3)
"""A sensor not heard for so long has other troubles, or is gone."""
EXPIRES_AFTER = timedelta(days=3)
Newest = Mapping[tuple[str, str], Reading]
"""By room and source, the newest reading."""


class LowBattery(Record):
    """A battery that is low, or seems to be."""

    room: Name
    source: str
    since: Moment
    """Of the first reading that said so."""
    told: bool = False
    """Whether it has held for long enough, and people know."""


def judged(
    known: Sequence[LowBattery], newest: Newest, low_pct: float, deadband_pct: float, now: datetime
) -> tuple[LowBattery, ...]:
    """The low batteries as of `newest`, given those `known` before. `low_pct` 0: none is ever low."""
    before = {(one.room, one.source): one for one in known}
    found = (_one(before.get(key), newest[key], low_pct, deadband_pct, now) for key in sorted(newest))
    return tuple(one for one in found if one is not None)


def _one(
    before: LowBattery | None, reading: Reading, low_pct: float, deadband_pct: float, now: datetime
) -> LowBattery | None:
    charge = reading.battery_pct
    if now - reading.at > FORGOTTEN or low_pct <= 0:
        return None
    if charge is None:  # not every message of a sensor says it
        return before
    if charge > low_pct:
        return before if charge < low_pct + deadband_pct else None
    if before is None:
        return LowBattery(room=reading.room, source=reading.source, since=reading.at)
    return before if before.told or reading.at - before.since < HELD else before.model_copy(update={"told": True})


def notices(before: Sequence[LowBattery], after: Sequence[LowBattery], newest: Newest, now: datetime) -> list[Notice]:
    """One for each battery that people are to hear of now."""
    known = {(one.room, one.source) for one in before if one.told}
    return [_notice(one, newest, now) for one in after if one.told and (one.room, one.source) not in known]


def _notice(low: LowBattery, newest: Newest, now: datetime) -> Notice:
    charge = newest[low.room, low.source].battery_pct or 0.0
    return Notice(
        key=f"battery/{low.room}/{low.source}/{int(low.since.timestamp())}",
        kind="battery",
        created_at=now,
        title=f"{low.room}: the battery of {low.source} is low",
        text=(
            f"The battery of {low.source} stands at {charge:.0f} %. Change it this week: once it is empty, {low.room} "
            "is watched by no sensor there, or by one less."
        ),
        expires_at=now + EXPIRES_AFTER,
        room=low.room,
        data={"source": low.source, "battery_pct": charge, "names": sorted({low.room, low.source})},
    )


def findings(known: Sequence[LowBattery], newest: Newest, room: str) -> tuple[Finding, ...]:
    """What the board says of the batteries in `room`."""
    return tuple(
        Finding(
            Flaw.BATTERY,
            one.since.timestamp(),
            newest[room, one.source].at.timestamp(),
            one.source,
            size=newest[room, one.source].battery_pct,
        )
        for one in known
        if one.told and one.room == room and (room, one.source) in newest
    )
