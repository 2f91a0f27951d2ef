"""What is to be said, before anybody reads it: a sentence with its values, each with its quantity; JSON and back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, TypeAdapter

from curewatch.language.reader import PLAIN, Reader

Instant = Annotated[datetime, AfterValidator(lambda at: at.astimezone(UTC))]


class Text:
    """Read as plain English where nobody in particular reads: logs, errors."""

    def read(self, reader: Reader, /) -> str:
        raise NotImplementedError

    def __str__(self) -> str:
        return self.read(PLAIN)

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)


@dataclass(frozen=True)
class Message(Text):
    """An English sentence with named fields, its id in the catalogue, and what stands in the fields."""

    text: str
    values: tuple[tuple[str, Value], ...] = ()
    plural: str | None = None
    """The sentence for other numbers than one, `n`."""
    n: int | None = None
    is_a: Literal["message"] = "message"

    def read(self, reader: Reader, /) -> str:
        values = dict(self.values)
        if self.plural is not None and self.n is not None:
            return reader.phrase_n(self.text, self.plural, self.n, **values)
        return reader.phrase(self.text, **values)


def phrase(english: str, /, **values: Value) -> Message:
    """`phrase("{room}: the coldest {temp}", room=name, temp=Temperature(7.5, 1))`: the text as it stands is what
    translators see, so it is written out where it is called, and whole."""
    return Message(english, tuple(values.items()))


def phrase_n(singular: str, plural: str, n: int, /, **values: Value) -> Message:
    """As `phrase`, of a number of things, which both texts have as `{n}`."""
    return Message(singular, tuple(values.items()), plural, n)


@dataclass(frozen=True)
class Temperature(Text):
    celsius: float
    digits: int = 0
    is_a: Literal["temperature"] = "temperature"

    def read(self, reader: Reader, /) -> str:
        return reader.temperature(self.celsius, self.digits)


@dataclass(frozen=True)
class TemperatureRange(Text):
    low_c: float
    high_c: float
    digits: int = 0
    is_a: Literal["temperatures"] = "temperatures"

    def read(self, reader: Reader, /) -> str:
        return reader.temperatures_between(self.low_c, self.high_c, self.digits)


@dataclass(frozen=True)
class Difference(Text):
    """Of two temperatures."""

    kelvin: float
    digits: int = 0
    signed: bool = False
    is_a: Literal["difference"] = "difference"

    def read(self, reader: Reader, /) -> str:
        return reader.difference(self.kelvin, self.digits, signed=self.signed)


@dataclass(frozen=True)
class Percent(Text):
    """Of a hundred; `of` is `%RH` for humidity where it stands alone."""

    value: float
    digits: int = 0
    signed: bool = False
    of: str = "%"
    is_a: Literal["percent"] = "percent"

    def read(self, reader: Reader, /) -> str:
        return reader.percent(self.value, self.digits, signed=self.signed, of=self.of)


@dataclass(frozen=True)
class Number(Text):
    value: float
    digits: int = 0
    signed: bool = False
    figures: int | None = None
    """Significant ones, instead of digits."""
    is_a: Literal["number"] = "number"

    def read(self, reader: Reader, /) -> str:
        if self.figures is not None:
            return reader.figures(self.value, self.figures)
        return reader.number(self.value, self.digits, signed=self.signed)


@dataclass(frozen=True)
class Length(Text):
    metres: float
    is_a: Literal["length"] = "length"

    def read(self, reader: Reader, /) -> str:
        return reader.length(self.metres)


@dataclass(frozen=True)
class Size(Text):
    width_m: float
    height_m: float
    is_a: Literal["size"] = "size"

    def read(self, reader: Reader, /) -> str:
        return reader.size(self.width_m, self.height_m)


@dataclass(frozen=True)
class Thickness(Text):
    """Of a film."""

    metres: float
    figures: int = 2
    is_a: Literal["thickness"] = "thickness"

    def read(self, reader: Reader, /) -> str:
        return reader.thickness(self.metres, self.figures)


@dataclass(frozen=True)
class Mass(Text):
    grams: float
    figures: int = 4
    is_a: Literal["mass"] = "mass"

    def read(self, reader: Reader, /) -> str:
        return reader.mass(self.grams, self.figures)


@dataclass(frozen=True)
class Volume(Text):
    millilitres: float
    figures: int = 3
    is_a: Literal["volume"] = "volume"

    def read(self, reader: Reader, /) -> str:
        return reader.volume(self.millilitres, self.figures)


@dataclass(frozen=True)
class Speed(Text):
    """Of air."""

    m_s: float
    is_a: Literal["speed"] = "speed"

    def read(self, reader: Reader, /) -> str:
        return reader.speed(self.m_s)


@dataclass(frozen=True)
class Span(Text):
    length: timedelta
    is_a: Literal["span"] = "span"

    def read(self, reader: Reader, /) -> str:
        return reader.span(self.length)


@dataclass(frozen=True)
class When(Text):
    """A moment: by `date` (as read at `now`: today 16:40), `lasting` (Fri 4 Dec 16:40), `day` (Fri 4 Dec), `time`; the
    year is said where it is not that of `now`."""

    at: Instant
    now: Instant | None = None
    form: Literal["date", "lasting", "day", "time"] = "lasting"
    is_a: Literal["when"] = "when"

    def read(self, reader: Reader, /) -> str:
        if self.form == "time":
            return reader.time(self.at)
        if self.form == "day":
            return reader.day(self.at, self.now)
        if self.form == "date" and self.now is not None:
            return reader.date(self.at, self.now)
        return reader.lasting(self.at, self.now)


@dataclass(frozen=True)
class Between(Text):
    """`tomorrow 10:00 to 16:00`; the second day is said where it is another."""

    begins_at: Instant
    ends_at: Instant
    now: Instant
    is_a: Literal["between"] = "between"

    def read(self, reader: Reader, /) -> str:
        same_day = reader.local(self.begins_at).date() == reader.local(self.ends_at).date()
        end = reader.time(self.ends_at) if same_day else reader.date(self.ends_at, self.now)
        return reader.phrase("{begin} to {end}", begin=reader.date(self.begins_at, self.now), end=end)


@dataclass(frozen=True)
class Listed(Text):
    """`Heron, Reed and Eel`."""

    items: tuple[Value, ...]
    most: int = 4
    is_a: Literal["listed"] = "listed"

    def read(self, reader: Reader, /) -> str:
        return reader.listed(self.items, self.most)


@dataclass(frozen=True)
class Joined(Text):
    """Sentences one after another, or parts of one with a sign between."""

    parts: tuple[Value, ...]
    by: str = " "
    is_a: Literal["joined"] = "joined"
    role: Literal["", "do", "caution", "gain"] = ""
    """Of an alarm's parts, what this one is for: what to do, the caution with it, what it gains; else the cause."""

    def read(self, reader: Reader, /) -> str:
        return self.by.join(filter(None, (reader.read(part) for part in self.parts)))


@dataclass(frozen=True)
class Capital(Text):
    """With a capital at its beginning, and a stop at its end where it has no question mark."""

    words: Value
    is_a: Literal["capital"] = "capital"

    def read(self, reader: Reader, /) -> str:
        said = reader.read(self.words)
        return f"{said[:1].upper()}{said[1:]}{'' if said.endswith(('?', '.', '!')) else '.'}"


_Kind = Annotated[
    Message
    | Temperature
    | TemperatureRange
    | Difference
    | Percent
    | Number
    | Length
    | Size
    | Thickness
    | Mass
    | Volume
    | Speed
    | Span
    | When
    | Between
    | Listed
    | Joined
    | Capital,
    Discriminator("is_a"),
]
Value = _Kind | str | int
"""What may stand in a sentence: a quantity, a name as it was given, a whole number, another sentence."""
Words = Annotated[Message | Joined | Capital, Discriminator("is_a")] | str
"""What is shown: sentences; or text of before they were kept, as it was."""


_WORDS: TypeAdapter[Words] = TypeAdapter(Words)


def words_of(json: Any) -> Words:
    """Sentences out of their JSON."""
    return _WORDS.validate_python(json)


def lines_of(words: Words) -> dict[str, Words]:
    """What is said, by what each part of it is for (`Joined.role`), in the order in which it is said."""
    found: dict[str, list[Words]] = {}

    def walk(one: Any, role: str) -> None:
        if isinstance(one, Joined) and one.by == " ":
            for part in one.parts:
                walk(part, one.role or role)
        elif one:
            found.setdefault(role, []).append(one)

    walk(words, "")
    return {role: joined(*said) for role, said in found.items()}


def joined(*parts: Words | None, by: str = " ") -> Words:
    """The parts that there are; nothing for none."""
    said = tuple(part for part in parts if part)
    return said[0] if len(said) == 1 else Joined(said, by) if said else ""
