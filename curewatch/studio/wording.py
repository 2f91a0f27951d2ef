"""What people read: dates, ages, lengths of time, numbers and lists, and the cautions beside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from curewatch.records import MilestoneKind, Pour, Support, ThicknessSource

Local = Callable[[datetime], datetime]
STAGES = {
    None: "wet",
    MilestoneKind.PACKED: "packed",
    MilestoneKind.TOUCH_DRY: "touch-dry",
    MilestoneKind.HANDLE: "handle",
    MilestoneKind.VARNISH_READY: "varnish-ready",
}
TACKY = "tacky"
"""The stage of a piece that a finger last found so."""
SUPPORTS = {
    Support.CANVAS: "primed canvas",
    Support.BOARD: "board lying on the table",
    Support.PANEL: "sealed panel",
    Support.RAW_PANEL: "raw panel, which soaks up water",
    Support.TILE: "glazed tile",
    Support.GLASS: "glass",
}
THICKNESS_FROM = {
    ThicknessSource.GAUGE: "by comb gauge",
    ThicknessSource.VOLUME: "from volume over area",
    ThicknessSource.LAYER: "from a word or as the last, so rough",
}
VARNISH_CAUTION = (
    "Varnish and aerosols: ventilate, keep flames and children away, and follow the product's safety sheet."
)
HEATER_CAUTION = "Never leave a heater unattended or near wet paint, solvents or children."


def wet_film(pour: Pour) -> str:
    """`1.2 mm wet, by comb gauge`."""
    return f"{pour.wet_thickness_m * 1e3:.2g} mm wet, {THICKNESS_FROM[pour.thickness_source]}"


def cautions(*, silicone: bool) -> list[str]:
    """What dates of drying are not, and what goes with the last step."""
    said = [
        "Estimates from a model of the film and the room as read and as foreseen: touch an edge before you trust a "
        "date."
    ]
    if silicone:
        said.append("Wash the silicone off before any varnish, or the varnish crawls.")
    return [*said, VARNISH_CAUTION]


def date(at: datetime, local: Local, now: datetime) -> str:
    """`today 16:40`, `tomorrow 08:05`, `Fri 4 Dec 08:05`, with the year when it is another one."""
    days = (local(at).date() - local(now).date()).days
    if days in (-1, 0, 1):
        return f"{('yesterday', 'today', 'tomorrow')[days + 1]} {local(at):%H:%M}"
    return lasting(at, local, now)


def lasting(at: datetime, local: Local, now: datetime) -> str:
    """As `date`, but never by today's name: for what may be read on another day than it was written."""
    there = local(at)
    year = f" {there.year}" if there.year != local(now).year else ""
    return f"{there:%a} {there.day} {there:%b}{year} {there:%H:%M}"


def span(length: timedelta) -> str:
    """A length of time with as much detail as is worth having: `5 min`, `3 h`, `2 d 4 h`, `5 wk`."""
    minutes = max(0, round(length.total_seconds() / 60))
    if minutes < 100:
        return f"{minutes} min"
    hours = round(minutes / 60)
    if hours < 48:
        return f"{hours} h"
    days, rest = divmod(hours, 24)
    if days < 14:
        return f"{days} d {rest} h" if rest else f"{days} d"
    return f"{round(hours / 24)} d" if days < 56 else f"{round(hours / 168)} wk"


def age(at: datetime | None, now: datetime) -> str:
    """How old something is: `4 min ago`, or `never`."""
    return "never" if at is None else f"{span(now - at)} ago"


def number(value: float, digits: int = 0) -> str:
    """A number to so many digits, never "-0"."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def listed(found: Sequence[str], most: int = 4) -> str:
    """`Heron`, `Heron and Reed`, `Heron, Reed, Eel and 3 more`."""
    if len(found) > most:
        return f"{', '.join(found[: most - 1])} and {len(found) - most + 1} more"
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def where(room: str, place: str | None) -> str:
    return f"{room}, {place}" if place else room
