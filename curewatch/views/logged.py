"""What was logged, as it is shown, with what takes it back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

from pydantic import Field

from curewatch.desk.commands.log import LogEntry, LogKind
from curewatch.language import Capital, Number, Value, Words, joined, phrase, phrase_n
from curewatch.records import Alarm, Piece, Reading, SensorTrust, Stay
from curewatch.records.corrections import Correction
from curewatch.records.facts import Observation
from curewatch.records.workshop import Photo, Promise, StepDone, Tilt
from curewatch.studio import wording
from curewatch.studio.air.flaws import trust_text
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.care.aftercare import step_words
from curewatch.studio.learning.texts import finding
from curewatch.views.base import RequestModel, View
from curewatch.views.corrections import in_words
from curewatch.views.sheet import PHOTO_KINDS


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


def logged_text(entries: Sequence[LogEntry]) -> Words:
    """What was logged, in a line: of one entry, or of pours that were logged together."""
    first, fact = entries[0], entries[0].fact
    if isinstance(fact, Piece):
        if first.kind is LogKind.POUR:
            return phrase("Poured: {names}", names=_names(entries))
        return phrase("{piece} left the studio", piece=fact.name)
    if isinstance(fact, Reading):
        air = wording.air(fact.temp_c, fact.rh_pct)
        return joined(phrase("Reading of {room}: {air}", room=fact.room, air=air), wording.by(fact.logged_by), by="")
    if isinstance(fact, Correction):
        said = in_words(fact, first.changes)
        return phrase("{about}: {what}", about=first.about, what=said) if fact.naming is None else Capital(said)
    if isinstance(fact, SensorTrust | Alarm):
        what: Words = (
            trust_text(fact) if isinstance(fact, SensorTrust) else phrase("{alarm}, seen to", alarm=TITLES[fact.kind])
        )
        return phrase("{about}: {what}", about=fact.room, what=what)
    said_by = fact.logged_by if isinstance(fact, Observation | StepDone | Promise) else None
    return joined(phrase("{about}: {what}", about=first.about, what=_of_piece(fact)), wording.by(said_by), by="")


def _of_piece(fact: object) -> Words:
    if isinstance(fact, Stay):
        return phrase("moved to {place}", place=wording.where(fact.room, fact.place))
    if isinstance(fact, Observation):
        return finding(fact)
    if isinstance(fact, StepDone):
        return phrase("{step}: done", step=step_words(fact.step))
    if isinstance(fact, Tilt):
        return phrase("{degrees}° off level", degrees=Number(math.degrees(fact.tilt_rad), 1))
    if isinstance(fact, Photo):
        return phrase("photo, {kind}", kind=PHOTO_KINDS[fact.kind])
    if isinstance(fact, Promise):
        if fact.due_at is None:
            return phrase("promised for no date any more")
        return phrase("promised for {occasion}", occasion=fact.occasion or phrase("a date"))
    return phrase("looked over")


def _names(pours: Sequence[LogEntry]) -> Value:
    if len(pours) <= 3:
        return ", ".join(one.about for one in pours)
    return phrase_n(
        "{first} to {last}, {n} piece", "{first} to {last}, {n} pieces", len(pours),
        first=pours[0].about, last=pours[-1].about,
    )  # fmt: skip
