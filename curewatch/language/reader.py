"""Whoever reads, with language, units, clock and order of dates: values made into text."""

from __future__ import annotations

from collections.abc import Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Literal, Protocol

from curewatch.language.catalogue import ENGLISH, Catalogue, catalogue

if TYPE_CHECKING:
    from babel import Locale

INCH_M, OUNCE_G, FLUID_OUNCE_ML, FOOT_A_MINUTE_M_S = 0.0254, 28.349523125, 29.5735295625, 0.00508
"""Exact, as NIST SP 811 (2008), appendix B, gives them; the fluid ounce is that of the US."""
SIXTEENTHS = 16
"""Into so many parts an inch is divided on a rule."""
_TYPED = 1e-6
"""A length this close to a figure in inches [in] was typed in them: a whole millimetre comes as close by chance once in
thousands, and then the two are one."""
CLOSE = timedelta(days=3)
"""Within this of now an estimate is told to the minute: farther off, a minute would promise what no model knows."""
Temperatures = Literal["C", "F"]
Measures = Literal["metric", "us"]
Clock = Literal[24, 12]
DateOrder = Literal["day", "month", "year"]
_FAHRENHEIT = frozenset(["BS", "BZ", "FM", "KY", "LR", "MH", "PW", "US", "GU", "PR", "VI", "AS", "MP", "UM"])
_INCHES = frozenset(["US", "LR", "GU", "PR", "VI", "AS", "MP", "UM"])
"""Territories by CLDR's units preferences (temperature-weather; person height and food by inch and ounce)."""
_DAY = {"day": "EEE d MMM", "month": "EEE MMM d", "year": "EEE d MMM"}
_DAY_AND_YEAR = {"day": "EEE d MMM y", "month": "EEE MMM d, y", "year": "EEE y-MM-dd"}


class Readable(Protocol):
    """A message, or a value of one."""

    def read(self, reader: Reader, /) -> str: ...


@dataclass(frozen=True)
class Reader:
    """One person's, or the studio's, way to read. Every method gives text."""

    language: str = ENGLISH
    temperatures: Temperatures = "C"
    measures: Measures = "metric"
    clock: Clock = 24
    order: DateOrder = "day"
    """What a date begins with."""
    zone: tzinfo = UTC

    def read(self, what: Readable | str | int) -> str:
        """A message, a value or a name, as this reader reads it."""
        return str(what) if isinstance(what, str | int) else what.read(self)

    def phrase(self, english: str, /, **values: Readable | str | int) -> str:
        """A sentence with its values, read at once."""
        return self.catalogue.text(english).format(**{name: self.read(value) for name, value in values.items()})

    def phrase_n(self, singular: str, plural: str, n: int, /, **values: Readable | str | int) -> str:
        text = self.catalogue.plural(singular, plural, n)
        return text.format(n=n, **{name: self.read(value) for name, value in values.items()})

    @property
    def catalogue(self) -> Catalogue:
        return catalogue(self.language)

    @property
    def locale(self) -> Locale:
        return _locale(self.language)

    @property
    def own_name(self) -> str:
        """Of the language, in itself: `English`, `español`."""
        return str(self.locale.get_display_name(self.locale))

    # --- numbers and quantities ---

    def number(self, value: float, digits: int = 0, *, signed: bool = False) -> str:
        """To so many digits, never "-0", with the language's decimal sign."""
        said = f"{round(value, digits) + 0.0:{'+' if signed else ''}.{digits}f}"
        return said if self.language == ENGLISH else said.replace(".", self.decimal)

    def figures(self, value: float, most: int = 3) -> str:
        """With so many significant figures and no zeros at its end: `1.2`, `510`, `0.05`."""
        if value == 0:
            return "0"
        digits = max(0, most - 1 - _magnitude(value))
        said = self.number(value, digits)
        return said.rstrip("0").rstrip(self.decimal) if digits else said

    @property
    def decimal(self) -> str:
        from babel.numbers import get_decimal_symbol

        return "." if self.language == ENGLISH else get_decimal_symbol(self.locale)

    @property
    def degrees(self) -> str:
        return f"°{self.temperatures}"

    def degrees_of(self, celsius: float) -> float:
        """The number that a temperature has in this reader's unit."""
        return celsius if self.temperatures == "C" else celsius * 9 / 5 + 32

    def temperature(self, celsius: float, digits: int = 0) -> str:
        """`18.9 °C`, `66.0 °F`."""
        return f"{self.number(self.degrees_of(celsius), digits)} {self.degrees}"

    def temperatures_between(self, low_c: float, high_c: float, digits: int = 0) -> str:
        """`18 to 24 °C`."""
        low, high = (self.number(self.degrees_of(one), digits) for one in (low_c, high_c))
        return self.phrase("{low} to {high} {unit}", low=low, high=high, unit=self.degrees)

    def difference(self, kelvin: float, digits: int = 0, *, signed: bool = False) -> str:
        """Of two temperatures: 3 K are `3 °C`, `5 °F`."""
        size = kelvin if self.temperatures == "C" else kelvin * 9 / 5
        return f"{self.number(size, digits, signed=signed)} {self.degrees}"

    def percent(self, value: float, digits: int = 0, *, signed: bool = False, of: str = "%") -> str:
        """Of a hundred: `41 %`, `50 %RH`."""
        return f"{self.number(value, digits, signed=signed)} {of}"

    def length(self, metres: float) -> str:
        """As a rule says it: `30.5 cm`, `5 mm`, `12 1/2 in`."""
        if self.measures == "metric" and abs(metres) < 0.02:
            return f"{self.figures(metres * 1e3, 2)} mm"
        if self.measures == "metric":
            return f"{self.figures(metres * 100, 4 if metres >= 1 else 3)} cm"
        return f"{_inches(metres)} in"

    def size(self, width_m: float, height_m: float) -> str:
        """`40 x 50 cm`, `16 x 20 in`."""
        if self.measures == "metric":
            return f"{self.length(width_m).removesuffix(' cm')} x {self.length(height_m)}"
        return f"{_inches(width_m)} x {_inches(height_m)} in"

    def thickness(self, metres: float, figures: int = 2) -> str:
        """Of a film: `1.2 mm`, `47 mil`."""
        if self.measures == "metric":
            return f"{self.figures(metres * 1e3, figures)} mm"
        return f"{self.mils(metres, figures)} mil"

    def mils(self, metres: float, figures: int = 2) -> str:
        """Thousandths of an inch; as they were typed, where they were."""
        mils = metres / INCH_M * 1000
        if abs(mils - round(mils, 1)) < _TYPED:
            return self.number(mils, 1).removesuffix(f"{self.decimal}0")
        return self.figures(mils, figures if metres < 2.5e-3 else max(figures, 3))

    def mass(self, grams: float, figures: int = 4) -> str:
        """`510 g`, `18 oz`."""
        if self.measures == "metric":
            return f"{self.figures(grams, max(figures, _magnitude(grams) + 1))} g"
        return f"{self.figures(grams / OUNCE_G, figures)} oz"

    def volume(self, millilitres: float, figures: int = 3) -> str:
        """`250 ml`, `8.45 fl oz`."""
        if self.measures == "metric":
            return f"{self.figures(millilitres, max(figures, _magnitude(millilitres) + 1))} ml"
        return f"{self.figures(millilitres / FLUID_OUNCE_ML, figures)} fl oz"

    def speed(self, m_s: float) -> str:
        """Of air: `0.3 m/s`, `59 ft/min`."""
        if self.measures == "metric":
            return f"{self.figures(m_s, 2)} m/s"
        return f"{self.figures(m_s / FOOT_A_MINUTE_M_S, 2)} ft/min"

    # --- times ---

    def local(self, at: datetime) -> datetime:
        return at.astimezone(self.zone)

    def time(self, at: datetime) -> str:
        """Of the day: `16:40`, `4:40 pm`."""
        there = self.local(at)
        if self.clock == 24:
            return f"{there:%H:%M}"
        return f"{there.hour % 12 or 12}:{there:%M} {self._half(there.hour)}"

    def _half(self, hour: int) -> str:
        said = str(self.locale.day_periods["format"]["abbreviated"]["am" if hour < 12 else "pm"])
        return said.lower() if self.locale.language == ENGLISH else said

    def day(self, at: datetime | date, now: datetime | None = None, *, weekday: bool = True) -> str:
        """`Fri 4 Dec`, `Fri Dec 4`, `4 Dec`, with the year when it is not the one of `now`."""
        from babel.dates import format_date

        there = self.local(at).date() if isinstance(at, datetime) else at
        this_year = now is not None and there.year == self.local(now).year
        form = (_DAY if this_year else _DAY_AND_YEAR)[self.order]
        return format_date(there, form if weekday else form.removeprefix("EEE "), locale=self.locale)

    def date(self, at: datetime, now: datetime) -> str:
        """`today 16:40`, `tomorrow 08:05`, `Fri 4 Dec 08:05`."""
        days = (self.local(at).date() - self.local(now).date()).days
        if days == 0:
            return self.phrase("today {time}", time=self.time(at))
        if days == 1:
            return self.phrase("tomorrow {time}", time=self.time(at))
        return self.phrase("yesterday {time}", time=self.time(at)) if days == -1 else self.lasting(at, now)

    def lasting(self, at: datetime, now: datetime | None = None) -> str:
        """As `date`, but never by today's name: for what may be read on another day than it was written."""
        comma = "," if self.order == "month" else ""
        return f"{self.day(at, now)}{comma} {self.time(at)}"

    def short(self, at: datetime, now: datetime) -> str:
        """As `date`, in fewer letters: `Fri 03:30` within the week, `16 Jan` beyond, `16 Jan 2027` in another year."""
        from babel.dates import format_date

        days = (self.local(at).date() - self.local(now).date()).days
        if abs(days) <= 1:
            return self.date(at, now)
        if 0 < days < 7:
            return f"{format_date(self.local(at).date(), 'EEE', locale=self.locale)} {self.time(at)}"
        return self.day(at, now, weekday=False)

    def foreseen(self, at: datetime, now: datetime) -> str:
        """As `date`, of an estimate: beyond `CLOSE` no more than the day."""
        return self.date(at, now) if abs(at - now) <= CLOSE else self.day(at, now)

    def span(self, length: timedelta) -> str:
        """A length of time with as much detail as is worth having: `5 min`, `3 h`, `2 d 4 h`, `5 wk`."""
        minutes = max(0, round(length.total_seconds() / 60))
        if minutes < 100:
            return self.phrase("{n} min", n=minutes)
        hours = round(minutes / 60)
        if hours < 48:
            return self.phrase("{n} h", n=hours)
        days, rest = divmod(hours, 24)
        if days < 14 and rest:
            return self.phrase("{days} d {hours} h", days=days, hours=rest)
        if days < 56:
            return self.phrase("{n} d", n=days if days < 14 else round(hours / 24))
        return self.phrase("{n} wk", n=round(hours / 168))

    def age(self, at: datetime | None, now: datetime) -> str:
        """How old something is: `4 min ago`, or `never`."""
        return self.phrase("never") if at is None else self.phrase("{span} ago", span=self.span(now - at))

    def called(self, unit: str) -> set[str]:
        """A unit of time, of one and of several: `día`, `días`."""
        from babel.units import format_unit

        said = (format_unit(n, f"duration-{unit}", length="long", locale=self.locale) for n in (1, 2))
        return {one.lstrip("0123456789 \u00a0").lower() for one in said}

    # --- several ---

    def listed(self, found: Sequence[Readable | str | int], most: int = 4) -> str:
        """`Heron`, `Heron and Reed`, `Heron, Reed, Eel and 3 more`."""
        said = [self.read(one) for one in found]
        if len(said) > most:
            return self.phrase("{some} and {n} more", some=", ".join(said[: most - 1]), n=len(said) - most + 1)
        if len(said) > 1:
            return self.phrase("{some} and {last}", some=", ".join(said[:-1]), last=said[-1])
        return "".join(said)


PLAIN = Reader()
"""Who reads where nobody in particular does: logs, errors of programs."""


def reader_for(locale: str, zone: tzinfo = UTC, *, units: str | None = None, times: str | None = None) -> Reader:
    """Whoever has such a locale (`en-US`, `es_MX.UTF-8`, `C`); `units` and `times`: theirs, where they are others.

    A language without a country (`es`) says nothing of units and clock: they are those of most of the world.
    """
    language, _ = _parts(locale)
    _, there = _parts(units or locale)
    time_language, time_country = _parts(times or locale)
    known = _locale(f"{time_language}_{time_country}" if time_country else time_language)
    twelve = time_country is not None and "h" in str(known.time_formats["short"].pattern)
    pattern = str(known.date_formats["short"].pattern)
    order: DateOrder = "day" if time_country is None else _order(pattern)
    return Reader(
        language,
        "F" if there in _FAHRENHEIT else "C",
        "us" if there in _INCHES else "metric",
        12 if twelve else 24,
        order,
        zone,
    )


def _order(pattern: str) -> DateOrder:
    first = min("dMy", key=lambda letter: pattern.find(letter) % 100)
    return {"d": "day", "M": "month", "y": "year"}[first]  # type: ignore[return-value]


def _parts(locale: str) -> tuple[str, str | None]:
    """Language and country of a locale's name; of none (`C`, `POSIX`) English and no country."""
    parts = locale.partition(".")[0].partition("@")[0].replace("-", "_").split("_")
    if not (parts[0].isalpha() and 2 <= len(parts[0]) <= 3):
        return ENGLISH, None
    country = next((part.upper() for part in parts[1:] if len(part) == 2 and part.isalpha()), None)
    return parts[0].lower(), country


@cache
def _locale(name: str) -> Locale:
    from babel import Locale, UnknownLocaleError

    for one in (name, name.partition("_")[0]):
        try:
            return Locale.parse(one)
        except (UnknownLocaleError, ValueError):
            continue
    return Locale(ENGLISH)


def _magnitude(value: float) -> int:
    """Of 510 it is 2."""
    return int(f"{abs(value):e}".partition("e")[2]) if value else 0


def _inches(metres: float) -> str:
    """As it was typed, where that was in inches: `12 1/2`, `3/32`, `12.3`; else to the sixteenth."""
    inches = metres / INCH_M
    parts = next(
        (n for n in (SIXTEENTHS, 2 * SIXTEENTHS) if abs(inches * n - round(inches * n)) < _TYPED * n), SIXTEENTHS
    )
    hundredths = round(inches, 2)
    if abs(inches * parts - round(inches * parts)) >= _TYPED * parts and abs(inches - hundredths) < _TYPED:
        return f"{hundredths:g}"
    whole, part = divmod(round(inches * parts), parts)
    fraction = str(Fraction(part, parts)) if part else ""
    return " ".join(filter(None, (str(whole) if whole or not part else "", fraction)))


_reads: ContextVar[Reader] = ContextVar("reads", default=PLAIN)


def read_by(reader: Reader) -> None:
    """Whatever is said from here on in answer to a request is said to them."""
    _reads.set(reader)


def reads() -> Reader:
    """Whoever has asked what is being answered; plain English where nobody said."""
    return _reads.get()
