"""Every sensor silent at once is one alarm: the cause is one (the broker, the network, a power strip)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from curewatch.records import AlarmKind, Notice
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.wording import Local, lasting, listed

HALF = 2
"""Where one room has been silent for too long, others count as silent with it from this part of that time on."""


def together(rooms: Sequence[OccupiedRoom], now: datetime, limits: Limits) -> list[OccupiedRoom]:
    """The rooms, marked where those with sensors and wet pieces have all gone silent, two or more of them."""
    sensed = [room for room in rooms if room.has_sensor and room.wet_at(now)]
    heard = [room.freshest_at for room in sensed]
    ages = [now - at for at in heard if at is not None]
    if len(sensed) < 2 or len(ages) < len(sensed):
        return list(rooms)
    limit = conditions.stale_after(sensed[0], limits)
    if max(ages) <= limit or min(ages) <= limit / HALF:
        return list(rooms)
    return [replace(room, silent_together=True) if room in sensed else room for room in rooms]


def joint_notices(
    told: Sequence[Notice], rooms: Sequence[OccupiedRoom], now: datetime, local: Local
) -> tuple[list[Notice], list[Notice]]:
    """What to tell instead of `told`, and what to keep untold: the notices that the joint one stands for."""
    silent = {room.name for room in rooms if room.silent_together}
    for effect, over in (("raised", False), ("reminded", False), ("over", True)):
        members = [
            notice
            for notice in told
            if notice.data.get("alarm") == AlarmKind.NO_FRESH_DATA
            and notice.data.get("effect") == effect
            and (over or notice.room in silent)
        ]
        if len(members) < 2:
            continue
        joint = _joint(members, rooms, now, local)
        kept = [m.model_copy(update={"data": m.data | {"told_in": joint.key}}) for m in members]
        rest, more = joint_notices([notice for notice in told if notice not in members], rooms, now, local)
        return [joint, *rest], [*kept, *more]
    return list(told), []


def _joint(members: Sequence[Notice], rooms: Sequence[OccupiedRoom], now: datetime, local: Local) -> Notice:
    first = members[0]
    names = [str(notice.room) for notice in members]
    heard = [room.freshest_at for room in rooms if room.name in names and room.freshest_at is not None]
    last = lasting(max(heard), local, now) if heard else "never"
    effect = first.data["effect"]
    if effect == "over":
        title = f"{listed(names)}: readings come in again"
        text = f"Readings come in again from {listed(names)}; the last {last}."
    else:
        still = "Still no" if effect == "reminded" else "No"
        title = f"{still} sensor is heard: {listed(names)}"
        text = (
            f"No sensor has been heard for long, the last {last}: {listed(names)}. Dates "
            "and warnings rest on old air. One cause is likely: look at the broker, the network and their power today; "
            "until they speak, type readings."
        )
    return first.model_copy(
        update={
            "key": f"alarm/{AlarmKind.NO_FRESH_DATA}/together/{effect}/{int(now.timestamp())}",
            "title": title,
            "text": text,
            "room": None,
            "data": first.data | {"rooms": names, "names": sorted({*names, *first.data.get("names", [])})},
        }
    )
