"""What can be wrong with a room's readings, and how it is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from curewatch.records import SensorTrust, Trust

TYPED = "typed"
QUANTITIES = ("temp_c", "rh_pct")


class Flaw(StrEnum):
    SPIKE = "spike"
    STUCK = "stuck"
    IMPOSSIBLE = "impossible"
    DRIFT = "drift"
    SILENT = "silent"
    BATTERY = "battery"
    DISAGREE = "disagree"
    GAP = "gap"
    CHECK = "check"
    """A thermometer said something else."""
    SET_ASIDE = "set_aside"
    """Somebody said that the thermometer is right."""


@dataclass(frozen=True)
class Finding:
    """Something that is wrong with a room's record. `source` and `quantity` are None where it is about all of them."""

    flaw: Flaw
    since_s: float
    until_s: float
    source: str | None = None
    quantity: str | None = None
    size: float | None = None
    """How far off [°C, %]: of a spike, of a disagreement, of a drift; negative below. The last value of impossible
    ones, and of a battery [%]."""
    count: int = 1
    """How many readings it is about."""
    others: int = 0
    """How many sensors it was held against; of a stuck one, how many others tell of the room."""
    after_s: float = 0.0
    """How long it had to last before it could be found [s]."""
    value: float | None = None
    """Of a check: what the thermometer said; `size` is by how much that is more than the sensor's."""
    sure: bool = False
    """Of a stuck sensor: it speaks so finely that no recorded room ever stood still for so long."""

    def overlaps(self, other: Finding) -> bool:
        """Whether some moment belongs to both."""
        return self.since_s <= other.until_s and other.since_s <= self.until_s


Local = Callable[[datetime], datetime]
_UNITS = {"temp_c": " °C", "rh_pct": " %RH"}
_QUANTITIES = {"temp_c": "temperature", "rh_pct": "humidity"}


def text(finding: Finding, local: Local) -> str:
    """One sentence, times in the studio's zone."""
    since, until = (local(datetime.fromtimestamp(s, UTC)) for s in (finding.since_s, finding.until_s))
    if finding.flaw is Flaw.SPIKE:
        return f"{finding.source}: one {_off(finding)} at {until:%a %H:%M}, not used"
    if finding.flaw is Flaw.STUCK:
        return _stuck(finding, f"{since:%a %d %b %H:%M}")
    if finding.flaw is Flaw.IMPOSSIBLE:
        return _impossible(finding, f"{until:%a %d %b %H:%M}")
    if finding.flaw is Flaw.DRIFT:
        return _drift(finding)
    if finding.flaw is Flaw.SILENT:
        return f"{finding.source} is silent since {since:%a %d %b %H:%M}; the room's other sensors are heard"
    if finding.flaw is Flaw.BATTERY:
        charge = "" if finding.size is None else f", {finding.size:.0f} %"  # not every message of a sensor says it
        return f"{finding.source}: its battery is low{charge}"
    if finding.flaw is Flaw.CHECK:
        return f"{check(finding, f'{since:%a %d %b %H:%M}')}: which one is right?"
    if finding.flaw is Flaw.SET_ASIDE:
        return f"{finding.source} is set aside since {since:%a %d %b %H:%M}, as somebody said; what is typed counts"
    if finding.flaw is Flaw.DISAGREE:
        return f"{finding.source} disagrees with the other: {_off(finding)}"
    hours = (finding.until_s - finding.since_s) / 3600
    return f"no readings for {hours:.0f} h until {until:%a %d %b %H:%M}"


def check(finding: Finding, at: str) -> str:
    """`your thermometer said 6.0 °C at Fri 20 Nov 12:00, the sensor post 18.9 °C`"""
    unit, said = _UNITS[finding.quantity or ""], finding.value or 0.0
    sensor = f"the sensor {finding.source} {said - (finding.size or 0.0):.1f}{unit}"
    return f"your thermometer said {said:.1f}{unit} at {at}, {sensor}"


def _off(finding: Finding) -> str:
    size, quantity = finding.size or 0.0, finding.quantity or ""
    return f"{_QUANTITIES[quantity]} {abs(size):.1f}{_UNITS[quantity]} {'above' if size > 0 else 'below'}"


def _stuck(finding: Finding, since: str) -> str:
    what = "the same" if finding.quantity is None else f"the same {_QUANTITIES[finding.quantity]}"
    return f"{finding.source} has said {what} since {since}: it may be stuck"


def _impossible(finding: Finding, until: str) -> str:
    quantity = finding.quantity or ""
    times = "once" if finding.count == 1 else f"{finding.count} times"
    said = f"{finding.size or 0.0:.0f}{_UNITS[quantity]}"
    return f"{finding.source} said a {_QUANTITIES[quantity]} no room has {times}, last {said} at {until}; not used"


def _drift(finding: Finding) -> str:
    days = (finding.until_s - finding.since_s) / 86400
    moved = f"by {abs(finding.size or 0.0):.1f}{_UNITS[finding.quantity or '']} in {days:.0f} days"
    if finding.others == 1:
        return (
            f"{finding.source} and the room's other sensor have moved apart {moved}: which of them is off only a third "
            "can tell"
        )
    return f"{finding.source} has moved away from the room's other sensors {moved}: it may be drifting"


def trust_text(said: SensorTrust) -> str:
    """`post is right`, `post is set aside, the thermometer is right`, `post is put right by -12.9 °C, +3.0 %RH`."""
    if said.trust is Trust.SENSOR:
        return f"{said.source} is right"
    if said.trust is Trust.THERMOMETER:
        return f"{said.source} is set aside, the thermometer is right"
    offsets = ((said.temp_offset_c, "temp_c"), (said.rh_offset_pct, "rh_pct"))
    by = ", ".join(f"{value:+.1f}{_UNITS[quantity]}" for value, quantity in offsets if value is not None)
    return f"{said.source} is put right by {by}"
