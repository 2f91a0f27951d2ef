"""What was logged, as it is shown, with what takes it back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.log import LogEntry, LogKind
from curewatch.records import Alarm, Piece, Reading, SensorTrust, Stay
from curewatch.records.corrections import Correction
from curewatch.records.facts import Observation
from curewatch.records.workshop import Photo, Promise, StepDone, Tilt
from curewatch.studio.air.flaws import trust_text
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.learning.texts import finding
from curewatch.studio.wording import by, number
from curewatch.views.base import RequestModel, View
from curewatch.views.corrections import in_words


class Undo(RequestModel):
    """What takes back something that was logged: to be sent to /undo as it was given."""

    done: LogKind
    of: Annotated[list[Annotated[str, Field(min_length=1, max_length=100)]], Field(min_length=1, max_length=50)]


class LoggedOut(View):
    piece: str | None
    notes: list[str]
    undo: Undo | None = Field(None, description="null: it cannot be taken back")


class LoggedBefore(View):
    at: datetime
    text: str
    undo: Undo


def logged_text(entries: Sequence[LogEntry], tz: ZoneInfo) -> str:
    """What was logged, in a line: of one entry, or of pours that were logged together."""
    first, fact = entries[0], entries[0].fact
    if isinstance(fact, Piece):
        return f"Poured: {_names(entries)}" if first.kind is LogKind.POUR else f"{fact.name} left the studio"
    if isinstance(fact, Reading):
        air = [("°C", fact.temp_c, 1), ("%", fact.rh_pct, 0)]
        said = ", ".join(f"{'?' if v is None else number(v, d)} {u}" for u, v, d in air)
        return f"Reading of {fact.room}: {said}{by(fact.logged_by)}"
    if isinstance(fact, Stay):
        return f"{first.about} moved to {fact.room}{f', {fact.place}' if fact.place else ''}"
    if isinstance(fact, Observation):
        return f"{first.about}: {finding(fact)}{by(fact.logged_by)}"
    if isinstance(fact, StepDone):
        return f"{first.about}: {fact.step} done{by(fact.logged_by)}"
    if isinstance(fact, Tilt):
        return f"{first.about}: {math.degrees(fact.tilt_rad):.1f}° off level"
    if isinstance(fact, Photo):
        return f"{first.about}: photo, {fact.kind.value}"
    if isinstance(fact, Promise):
        date = "for no date any more" if fact.due_at is None else f"for {fact.occasion or 'a date'}"
        return f"{first.about}: promised {date}{by(fact.logged_by)}"
    if isinstance(fact, Correction):
        said = in_words(fact, first.changes, tz)
        return f"{first.about}: {said}" if fact.naming is None else f"{said[0].upper()}{said[1:]}"
    if isinstance(fact, SensorTrust):
        return f"{fact.room}: {trust_text(fact)}"
    if isinstance(fact, Alarm):
        return f"{fact.room}: {TITLES[fact.kind]}, seen to"
    return f"{first.about}: looked over"


def _names(pours: Sequence[LogEntry]) -> str:
    if len(pours) <= 3:
        return ", ".join(one.about for one in pours)
    return f"{pours[0].about} to {pours[-1].about}, {len(pours)} pieces"
