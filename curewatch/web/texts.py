"""What the page says: dates and stages, for one moment and one reader; the choices of its forms."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from markupsafe import Markup, escape

from curewatch.desk.orders import DEFAULT_RECIPE
from curewatch.intake.typed.quantities import LAYERS_M
from curewatch.language import Length, Reader, Thickness, phrase
from curewatch.records import NAME_MOST, Alarm, Pour, Support
from curewatch.records.access import TokenKind
from curewatch.records.corrections import Naming
from curewatch.records.workshop import Photo, PhotoKind
from curewatch.settings.values import AIRS
from curewatch.studio import wording
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.board import PieceLine
from curewatch.views.sheet import PHOTO_KINDS


@dataclass(frozen=True)
class Coming:
    """What comes next for a piece, in the parts that a row shows large and small."""

    step: str
    check: str = ""
    then: str = ""
    between: str = ""

    @property
    def large(self) -> str:
        return f"{self.step}: {self.check}" if self.check else self.step

    @property
    def said(self) -> str:
        return self.large + self.between + self.then


@dataclass(frozen=True)
class Words:
    """Dates and sentences as of `now`, to a reader."""

    now: datetime
    reader: Reader

    @property
    def tz(self) -> tzinfo:
        return self.reader.zone

    def local(self, at: datetime) -> datetime:
        return self.reader.local(at)

    def temperature(self, celsius: float | None, digits: int = 1) -> str:
        return "?" if celsius is None else self.reader.temperature(celsius, digits)

    def percent(self, value: float | None) -> str:
        return "?" if value is None else self.reader.percent(value)

    def date(self, at: datetime | None) -> str:
        """`today 16:40`, `Fri 4 Dec 08:05`; "not foreseen" without one."""
        return self.reader.phrase("not foreseen") if at is None else self.reader.date(at, self.now)

    def foreseen(self, at: datetime | None) -> str:
        """As `date`, of an estimate: beyond three days no more than the day."""
        return self.reader.phrase("not foreseen") if at is None else self.reader.foreseen(at, self.now)

    def iso(self, at: datetime) -> str:
        """For a time element, to the minute."""
        return self.local(at).isoformat(timespec="minutes")

    def age(self, at: datetime | None) -> str:
        return self.reader.age(at, self.now)

    def ago(self, at: datetime | None) -> Markup:
        """An age as an element that ticks on where scripts run: an open page must not say "0 min ago" for ever."""
        said = escape(self.age(at))
        if at is None:
            return said
        return Markup('<time class="age" datetime="{}">{}</time>').format(at.astimezone(UTC).isoformat(), said)

    def ages(self) -> str:
        """How ages are said, for the script: in minutes, hours, days, days and hours, weeks, as JSON."""
        hour = timedelta(hours=9)
        lengths = (timedelta(minutes=9), hour, 24 * hour, 25 * hour, 168 * hour)
        return json.dumps([self.age(self.now - one).replace("9", "#") for one in lengths])

    def ends_today(self) -> datetime:
        """The studio's next midnight."""
        there = self.local(self.now)
        midnight = there.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None) + timedelta(days=1)
        return midnight.replace(tzinfo=self.tz)

    def stage(self, line: PieceLine) -> str:
        """`wet`, `touch-dry`, `probably touch-dry`; `tacky, found today 06:57`."""
        phrase = self.reader.phrase
        if line.stage_found_at is not None:
            stage = wording.TACKY if line.is_held else wording.STAGES[line.stage] if line.stage else ""
            return phrase("{stage}, found {date}", stage=stage, date=self.date(line.stage_found_at))
        if line.forecast is None or line.forecast.reason is not None:
            return phrase("no dates yet")
        stage = wording.STAGES[line.stage]
        return self.reader.read(stage) if line.stage_is_safe else phrase("probably {stage}", stage=stage)

    def coming(self, line: PieceLine) -> Coming:
        """What comes next for this piece, and when."""
        phrase = self.reader.phrase
        if line.forecast is None:
            return Coming(phrase("not forecast yet"))
        if line.forecast.reason is not None:
            why = self.reader.read(line.forecast.reason)
            return Coming(why, "", phrase("read its thermometer and hygrometer"), ": ")
        if line.next is None:
            return Coming(phrase("Nothing more to wait for."))
        step = capital(self.reader.read(wording.STAGES[line.next.kind]))
        even, safe = line.next.worth_checking_at, line.next.safe_at
        why = self.reader.read(line.next.reason or "")
        if even is None:
            return Coming(step, phrase("not foreseen"), why, "; " if why else "")
        come = even <= self.now
        check = phrase("worth checking now") if come else phrase("worth checking {date}", date=self.foreseen(even))
        if line.next.held:
            return Coming(step, check, why, "; ")
        if safe is None:
            return Coming(step, check, phrase("no date from which it is safe to assume"), "; " if come else ", ")
        return Coming(step, check, phrase("safe to assume {date}", date=self.foreseen(safe)), "; " if come else ", ")

    def next_step(self, line: PieceLine) -> str:
        """The same as one sentence."""
        return self.coming(line).said

    def alarm_title(self, alarm: Alarm) -> str:
        return f"{alarm.room}: {self.reader.read(TITLES[alarm.kind])}"

    def size(self, pour: Pour) -> str:
        """`30 x 40 cm`, `round, 16 in`; nothing where it was not told."""
        if pour.width_m is None or pour.height_m is None:
            return ""
        if pour.round:
            return self.reader.phrase("round, {length}", length=Length(pour.width_m))
        return self.reader.size(pour.width_m, pour.height_m)


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


LAYERS = {"thin": phrase("thin"), "medium": phrase("medium"), "thick": phrase("thick")}
SUPPORTS = {
    Support.CANVAS: phrase("canvas"),
    Support.CANVAS_PANEL: phrase("canvas panel"),
    Support.BOARD: phrase("board"),
    Support.PANEL: phrase("panel, sealed"),
    Support.CRADLED_PANEL: phrase("cradled panel"),
    Support.RAW_PANEL: phrase("panel, raw"),
    Support.HARDBOARD: phrase("hardboard, raw"),
    Support.PAPER: phrase("paper"),
    Support.TILE: phrase("tile"),
    Support.GLASS: phrase("glass"),
}
CHOICES = {
    "layers": [(word, LAYERS[word], Thickness(metres)) for word, metres in LAYERS_M.items()],
    "supports": {one.value: SUPPORTS[one] for one in Support},
    "tick_words": {
        "100 d ago": phrase("100 d ago"),
        "30 d ago": phrase("30 d ago"),
        "10 d ago": phrase("10 d ago"),
        "2 d ago": phrase("2 d ago"),
        "now": phrase("now"),
        "6 h": phrase("6 h"),
        "1 d": phrase("1 d"),
        "3 d": phrase("3 d"),
        "10 d": phrase("10 d"),
        "30 d": phrase("30 d"),
        "100 d": phrase("100 d"),
    },
    "photo_kinds": PHOTO_KINDS,
    "namings": {Naming.ROOM: phrase("room"), Naming.PLACE: phrase("place"), Naming.RECIPE: phrase("recipe")},
    "token_kinds": {
        TokenKind.CLASS: phrase("class"),
        TokenKind.CALENDAR: phrase("calendar"),
        TokenKind.READ: phrase("reads"),
        TokenKind.RECORD: phrase("logs"),
        TokenKind.ADMIN: phrase("may do everything"),
    },
    "airs": {"": phrase("as the room is"), **AIRS},
    "usual_recipe": DEFAULT_RECIPE,
    "safety": wording.SAFETY,
    "name_most": NAME_MOST,
    "number_most": len(" 1234"),
}
"""What the forms offer and allow, for their templates: by value, what it is called."""


def side_by_side(photos: Sequence[Photo]) -> list[Photo]:
    """The newest wet one beside the newest dry one, for colours darken as they dry; then the others, by time."""
    last = {one.kind: one for one in photos}
    pair = [last[kind] for kind in (PhotoKind.WET, PhotoKind.DRY) if kind in last]
    pair = pair if len(pair) == 2 else []
    return pair + [one for one in photos if one not in pair]
