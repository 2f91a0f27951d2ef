"""What people read: milestones, alarms, ages and dates, in plain words.

Where a step can hurt (solvent varnish, aerosols, heaters) the usual caution stands beside it in a line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from curewatch.records import Forecast, Milestone, MilestoneKind, Support
from curewatch.studio.forecasting.forecast import Drying

Local = Callable[[datetime], datetime]

STAGES = {
    None: "wet",
    MilestoneKind.PACKED: "packed",
    MilestoneKind.TOUCH_DRY: "touch-dry",
    MilestoneKind.HANDLE: "handle",
    MilestoneKind.VARNISH_READY: "varnish-ready",
}
SUPPORTS = {
    Support.CANVAS: "primed canvas",
    Support.BOARD: "board lying on the table",
    Support.PANEL: "sealed panel",
    Support.RAW_PANEL: "raw panel, which soaks up water",
    Support.TILE: "glazed tile",
    Support.GLASS: "glass",
}
VARNISH_CAUTION = (
    "Varnish and aerosols: ventilate, keep flames and children away, and follow the product's safety sheet."
)
LONG_SINCE = timedelta(hours=6)
"""A milestone passed longer ago than this is told with its date."""
HEATER_CAUTION = "Never leave a heater unattended or near wet paint, solvents or children."

_CHECK = {
    MilestoneKind.PACKED: "The design should no longer move.",
    MilestoneKind.TOUCH_DRY: "Touch an edge nobody will see with a clean finger; if it is tacky, leave it.",
    MilestoneKind.HANDLE: "Press an edge lightly with the thumb; if it gives or prints, leave it lying.",
    MilestoneKind.VARNISH_READY: "Press a fingernail into an edge nobody will see: it should leave no mark.",
}
_SAFE = {
    MilestoneKind.PACKED: "Nothing flows any more. Keep it lying all the same.",
    MilestoneKind.TOUCH_DRY: "The surface can be touched. The core is still soft: leave it lying, stack nothing on it.",
    MilestoneKind.HANDLE: "It can be moved and stood up, and its place is free. Nothing may press on its face yet.",
    MilestoneKind.VARNISH_READY: "It can be varnished in air that the varnish's label allows; there is no hurry.",
}


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


def names(dryings: Sequence[Drying], most: int = 4) -> str:
    """`Heron`, `Heron and Reed`, `Heron, Reed, Eel and 3 more`."""
    return listed([drying.piece.name for drying in dryings], most)


def listed(found: Sequence[str], most: int = 4) -> str:
    """Names in a row, as a sentence has them."""
    if len(found) > most:
        return f"{', '.join(found[: most - 1])} and {len(found) - most + 1} more"
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def where(drying: Drying) -> str:
    return f"{drying.room}, {drying.place}" if drying.place else drying.room


def milestone_text(
    drying: Drying, forecast: Forecast, reached: Milestone, odds: str, now: datetime, local: Local
) -> tuple[str, str]:
    """Title and text of a milestone notice: which piece, what is now true, what to do, by when."""
    name, stage = drying.piece.name, STAGES[reached.kind]
    poured = f"Poured {lasting(drying.pour.at, local, now)}, now in {where(drying)}."
    if odds == "safe":
        title = f"{name}: safe to assume {_state(stage)}"
        at = reached.safe_at or now
        since = f" and has been since {lasting(at, local, now)}" if now - at > LONG_SINCE else ""
        lines = [f"{name} is {_state(stage)} by now{since}, nine times out of ten.", _SAFE[reached.kind]]
    else:
        title = f"{name}: worth checking, perhaps {_state(stage)}"
        lines = [f"{name} is {_state(stage)} by now at even odds.", _CHECK[reached.kind]]
        lines.append(_safe(reached, local, now))
    if reached.kind is MilestoneKind.VARNISH_READY:
        if drying.pour.silicone:
            lines.append("It was poured with silicone: wash that off and let it dry first, or the varnish crawls.")
        lines.append(VARNISH_CAUTION)
    lines.append(poured)
    if forecast.data_until is not None:
        lines.append(f"Room last read {lasting(forecast.data_until, local, now)}.")
    return title, " ".join(lines)


def _state(stage: str) -> str:
    return "fit to handle" if stage == "handle" else stage


def _safe(reached: Milestone, local: Local, now: datetime) -> str:
    if reached.safe_at is None:
        return f"No date is foreseen from which that is safe to assume ({reached.reason})."
    return f"Safe to assume from {lasting(reached.safe_at, local, now)}."
