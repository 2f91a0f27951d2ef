"""What can be wrong with a room's readings, and how it is said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from curewatch.language import Difference, Joined, Message, Percent, Temperature, Value, When, phrase, phrase_n
from curewatch.records import SensorTrust, Trust

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


def text(finding: Finding) -> Message:
    """One sentence."""
    since, until = (datetime.fromtimestamp(s, UTC) for s in (finding.since_s, finding.until_s))
    source = finding.source or ""
    if finding.flaw is Flaw.SPIKE:
        return phrase("{sensor}: one {off} at {at}, not used", sensor=source, off=_off(finding), at=_when(until))
    if finding.flaw is Flaw.STUCK:
        return _stuck(finding, _when(since))
    if finding.flaw is Flaw.IMPOSSIBLE:
        return _impossible(finding, _when(until))
    if finding.flaw is Flaw.DRIFT:
        return _drift(finding)
    if finding.flaw is Flaw.SILENT:
        return phrase(
            "{sensor} is silent since {since}; the room's other sensors are heard", sensor=source, since=_when(since)
        )
    if finding.flaw is Flaw.BATTERY:
        if finding.size is None:  # not every message of a sensor says it
            return phrase("{sensor}: its battery is low", sensor=source)
        return phrase("{sensor}: its battery is low, {charge}", sensor=source, charge=Percent(finding.size))
    if finding.flaw is Flaw.CHECK:
        return phrase("{said}: which one is right?", said=check(finding, _when(since)))
    if finding.flaw is Flaw.SET_ASIDE:
        return phrase(
            "{sensor} is set aside since {since}, as somebody said; what is typed counts",
            sensor=source,
            since=_when(since),
        )
    if finding.flaw is Flaw.DISAGREE:
        return phrase("{sensor} disagrees with the other: {off}", sensor=source, off=_off(finding))
    hours = round((finding.until_s - finding.since_s) / 3600)
    return phrase("no readings for {hours} h until {at}", hours=hours, at=_when(until))


def _when(at: datetime) -> When:
    """What is wrong with a record is of these weeks: the year is not said."""
    return When(at, at)


def check(finding: Finding, at: When) -> Message:
    """`your thermometer said 6.0 °C at Fri 20 Nov 12:00, the sensor post 18.9 °C`"""
    said = finding.value or 0.0
    return phrase(
        "your thermometer said {typed} at {at}, the sensor {sensor} {read}",
        typed=_value(finding, said),
        at=at,
        sensor=finding.source or "",
        read=_value(finding, said - (finding.size or 0.0)),
    )


def _value(finding: Finding, size: float, digits: int = 1) -> Temperature | Percent:
    return Temperature(size, digits) if finding.quantity == "temp_c" else Percent(size, digits, of="%RH")


def _by(finding: Finding) -> Difference | Percent:
    """How far off."""
    size = abs(finding.size or 0.0)
    return Difference(size, 1) if finding.quantity == "temp_c" else Percent(size, 1, of="%RH")


def _off(finding: Finding) -> Message:
    above = (finding.size or 0.0) > 0
    if finding.quantity == "temp_c":
        said = phrase("temperature {by} above", by=_by(finding))
        return said if above else phrase("temperature {by} below", by=_by(finding))
    said = phrase("humidity {by} above", by=_by(finding))
    return said if above else phrase("humidity {by} below", by=_by(finding))


def _stuck(finding: Finding, since: When) -> Message:
    source = finding.source or ""
    if finding.quantity is None:
        return phrase("{sensor} has said the same since {since}: it may be stuck", sensor=source, since=since)
    if finding.quantity == "temp_c":
        return phrase(
            "{sensor} has said the same temperature since {since}: it may be stuck", sensor=source, since=since
        )
    return phrase("{sensor} has said the same humidity since {since}: it may be stuck", sensor=source, since=since)


def _impossible(finding: Finding, until: When) -> Message:
    values: dict[str, Value] = {
        "sensor": finding.source or "", "value": _value(finding, finding.size or 0.0, 0), "at": until
    }  # fmt: skip
    if finding.quantity == "temp_c":
        return phrase_n(
            "{sensor} said a temperature no room has once, last {value} at {at}; not used",
            "{sensor} said a temperature no room has {n} times, last {value} at {at}; not used",
            finding.count,
            **values,
        )
    return phrase_n(
        "{sensor} said a humidity no room has once, last {value} at {at}; not used",
        "{sensor} said a humidity no room has {n} times, last {value} at {at}; not used",
        finding.count,
        **values,
    )


def _drift(finding: Finding) -> Message:
    days, by = round((finding.until_s - finding.since_s) / 86400), _by(finding)
    if finding.others == 1:
        return phrase(
            "{sensor} and the room's other sensor have moved apart by {by} in {days} days: which of them is off only "
            "a third can tell",
            sensor=finding.source or "",
            by=by,
            days=days,
        )
    return phrase(
        "{sensor} has moved away from the room's other sensors by {by} in {days} days: it may be drifting",
        sensor=finding.source or "",
        by=by,
        days=days,
    )


def trust_text(said: SensorTrust) -> Message:
    """`post is right`, `post is set aside, the thermometer is right`, `post is put right by -12.9 °C, +3.0 %RH`."""
    if said.trust is Trust.SENSOR:
        return phrase("{sensor} is right", sensor=said.source)
    if said.trust is Trust.THERMOMETER:
        return phrase("{sensor} is set aside, the thermometer is right", sensor=said.source)
    offsets = [
        None if said.temp_offset_c is None else Difference(said.temp_offset_c, 1, signed=True),
        None if said.rh_offset_pct is None else Percent(said.rh_offset_pct, 1, signed=True, of="%RH"),
    ]
    by = Joined(tuple(one for one in offsets if one is not None), ", ")
    return phrase("{sensor} is put right by {by}", sensor=said.source, by=by)
