"""What was wrong with a room's readings, in words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from curewatch.studio.readings_quality import Finding, Flaw

Local = Callable[[datetime], datetime]
_UNITS = {"temp_c": " °C", "rh_pct": " %RH"}
_QUANTITIES = {"temp_c": "temperature", "rh_pct": "humidity"}


def text(finding: Finding, local: Local) -> str:
    """One sentence, times in the studio's zone."""
    since, until = (local(datetime.fromtimestamp(s, UTC)) for s in (finding.since_s, finding.until_s))
    if finding.flaw is Flaw.SPIKE:
        return f"{finding.source}: one {_off(finding)} at {until:%a %H:%M}, not used"
    if finding.flaw is Flaw.STUCK:
        return f"{finding.source} has said the same since {since:%a %d %b %H:%M}: it may be stuck"
    if finding.flaw is Flaw.DISAGREE:
        return f"{finding.source} disagrees with the other: {_off(finding)}"
    hours = (finding.until_s - finding.since_s) / 3600
    return f"no readings for {hours:.0f} h until {until:%a %d %b %H:%M}"


def _off(finding: Finding) -> str:
    size, quantity = finding.size or 0.0, finding.quantity or ""
    return f"{_QUANTITIES[quantity]} {abs(size):.1f}{_UNITS[quantity]} {'above' if size > 0 else 'below'}"
