"""What people and machines gave that cannot be taken, as values: which field, what, and what would have been."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import ClassVar

from curewatch.language import (
    Joined,
    Length,
    Mass,
    Message,
    Temperature,
    Thickness,
    Value,
    Volume,
    phrase,
    reads,
)

QUOTE_CHARS = 60
"""A quotation in a message is at most this long, its quotation marks included."""


class Field(StrEnum):
    """What people give. Command line, page and API each call a field in their own way, from one table each."""

    ADDRESS = "address"
    AGAIN = "again"
    AIR = "air"
    ANYWAY = "anyway"
    AT = "at"
    BACK = "back"
    BY = "by"
    CHANGE = "change"
    BY_WEIGHT = "by_weight"
    CLOCK = "clock unconfirmed"
    COALESCENT = "coalescent"
    CSV = "csv_to"
    CORRECTION = "correction"
    DAYS = "days"
    DO = "do"
    DUE = "due"
    EDGE = "edge"
    EVERY = "every"
    EVERYTHING = "everything"
    FILE = "file"
    FINDING = "what"
    FINGER = "finger"
    FORGET = "forget"
    GLYCOL = "glycol"
    GRAMS = "grams"
    HOURS = "hours"
    HUMIDITY = "humidity"
    INTO = "into"
    KEY = "key"
    KIND = "kind"
    LAYER = "layer"
    LIMIT = "limit"
    LOG = "log"
    MEMBERS = "members"
    MODEL = "model"
    NAME = "name"
    """Of what is new."""
    NEW = "new"
    NUMBER = "number"
    OCCASION = "occasion"
    OTHER = "other"
    PAINT = "paint"
    PART = "part"
    PAIR = "pair"
    PASSWORD = "the password"
    PIECE = "piece"
    PIECES = "pieces"
    PLACE = "place"
    POURED = "poured"
    RAN_OFF = "ran_off"
    PROGRAM = "program"
    READINGS_OF = "readings_of"
    READING = "reading"
    READY = "ready"
    RECIPE = "recipe"
    RESOLUTION = "resolution"
    ROOM = "room"
    ROUND = "round"
    RUN_OFF = "run_off"
    SARIMAX = "sarimax"
    SERIES = "series"
    SHOWS = "shows"
    SIDE = "side"
    SIZE = "size"
    SOLIDS = "solids"
    SOURCE = "source"
    STEP = "step"
    STIFFENING = "stiffening"
    STORE = "store"
    SUPPORT = "support"
    SURFACE = "surface"
    SYSTEM = "system"
    TEMPERATURE = "temperature"
    TILT = "tilt"
    TIMES = "times"
    TO = "to"
    TOPIC = "topic"
    TROUBLE = "trouble"
    TRUST = "trust"
    UNDO = "undo"
    UNIT = "unit"
    VISCOSITY = "viscosity"
    WET_THICKNESS = "wet_thickness"
    YIELD_STRESS = "yield_stress"
    ZONE = "zone"


HOW: Mapping[str, Message] = {
    Field.AIR: phrase("say how the air is, for example still, draughty, fan or 0.1 m/s"),
    Field.AT: phrase("type a time, for example yesterday 18:30"),
    Field.DUE: phrase("type a day, for example 12 Dec"),
    Field.FINGER: phrase("say what the finger found: tacky, touch-dry or dry-through"),
    Field.GLYCOL: phrase("type a share, for example 3 %"),
    Field.GRAMS: phrase("type a weight, for example {example}", example=Mass(512, 2)),
    Field.HOURS: phrase("type how long, for example 8 h"),
    Field.HUMIDITY: phrase("type a humidity, for example 50 %"),
    Field.KIND: phrase("say which one"),
    Field.LAYER: phrase("say thin, medium or thick"),
    Field.NAME: phrase("type a name"),
    Field.PAINT: phrase("type a weight, for example {example}", example=Mass(240, 2)),
    Field.PASSWORD: phrase("type a password"),
    Field.PIECES: phrase("type how many, for example 2"),
    Field.POURED: phrase("type how much was poured, for example {example}", example=Volume(250, 2)),
    Field.RAN_OFF: phrase("type how much ran off, for example {example}", example=Volume(40, 2)),
    Field.RESOLUTION: phrase("type the scale's smallest step, for example {example}", example=Mass(1, 2)),
    Field.ROOM: phrase("choose a room, or type its name"),
    Field.SIDE: phrase("type a length, for example {example}", example=Length(0.4)),
    Field.SIZE: phrase("type a size, for example 40x50cm or 16x20in"),
    Field.SOLIDS: phrase("type a share, for example 30 %"),
    Field.SUPPORT: phrase("say what it lies on, for example canvas"),
    Field.SURFACE: phrase("type a temperature, for example {example}", example=Temperature(17.5, 1)),
    Field.TEMPERATURE: phrase("type a temperature, for example {example}", example=Temperature(19.5, 1)),
    Field.TILT: phrase("type a tilt, for example 3 mm/m"),
    Field.TIMES: phrase("type how many, for example 4"),
    Field.TO: phrase("type the new name"),
    Field.WET_THICKNESS: phrase("type a thickness, for example {example}", example=Thickness(1.2e-3)),
}
"""What is said where such a field was left empty."""


Naming = Callable[[Field], str]
"""How those who read it call a field."""


class Ending(StrEnum):
    """What an error is to whoever waits for the end of a command: each has an exit code of its own."""

    BAD_INPUT = "bad_input"
    FAILED = "failed"
    STORE_BROKEN = "store_broken"
    ALREADY_RUNNING = "already_running"


class ForPeople(Exception):
    """An error whose text is written for the person who reads it: no traceback is wanted."""

    ending: ClassVar[Ending] = Ending.FAILED


class InputError(ForPeople, ValueError):
    """A word, number, time or fact from outside that cannot be taken as it stands, or contradicts what is known.

    `field` says where it was given: a Field where a person did, else a topic or a key of the settings. `given` is the
    thing itself, unshortened; None where it has to be said and was not. `allowed` is what would have been accepted.
    `why` is set where the bare refusal would not explain itself; the message then asks back: `at: got '02:30', which
    happens twice on 2026-10-25: say … or …`. Both are sentences, in which other Fields may stand as values.
    """

    ending = Ending.BAD_INPUT

    def __init__(self, field: str, given: object, allowed: Value, why: Value | None = None) -> None:
        super().__init__(field, given, allowed, why)  # as args, so that the error survives pickling
        self.field = field
        self.given = given
        self.allowed = allowed
        self.why = why

    def in_words(self, named: Naming = str) -> str:
        """The message as whoever asked reads it, its fields as they are `named`."""
        return reads().read(self._message(named))

    def _message(self, named: Naming = str) -> Value:
        field, allowed = _named(self.field, named), _named(self.allowed, named)
        if self.given is None:
            return phrase("{field}: missing, expected {allowed}", field=field, allowed=allowed)
        if self.is_empty:  # of rooms those that are known say more
            if self.field != Field.ROOM:
                return phrase("{field}: {how}", field=field, how=HOW[Field(self.field)])
            return phrase("{field}: nothing was typed, expected {allowed}", field=field, allowed=allowed)
        given = quoted(self.given)
        if self.why is None:
            return phrase("{field}: got {given}, expected {allowed}", field=field, given=given, allowed=allowed)
        why = _named(self.why, named)
        return phrase("{field}: got {given}, {why}: say {allowed}", field=field, given=given, why=why, allowed=allowed)

    def __str__(self) -> str:
        return str(self._message())

    def names(self, field: Field) -> bool:
        """What is allowed tells of that field."""
        return isinstance(self.allowed, Message) and field in dict(self.allowed.values).values()

    def quoting(self, typed: str | None) -> InputError:
        """The same of a moment, quoted as it was typed; of anything else, or nothing typed, as it is."""
        if typed is None or self.given is None or self.field not in (Field.AT, Field.DUE):
            return self
        return InputError(self.field, typed, self.allowed, self.why)

    @property
    def is_empty(self) -> bool:
        """Nothing was typed, and there is a word for how to."""
        return self.why is None and isinstance(self.given, str) and not self.given.strip() and self.field in HOW

    @property
    def each(self) -> tuple[InputError, ...]:
        """Of several at once, every one."""
        return (self,)


class InputErrors(InputError):
    """Several fields at once; to whoever asks for one it is the first."""

    def __init__(self, errors: Sequence[InputError]) -> None:
        first = errors[0]
        super().__init__(first.field, first.given, first.allowed, first.why)
        self.errors = tuple(errors)
        self.args = (self.errors,)  # as it is given, so that it survives pickling

    @property
    def each(self) -> tuple[InputError, ...]:
        return self.errors

    def _message(self, named: Naming = str) -> Value:
        return Joined(tuple(one._message(named) for one in self.errors), "\n")


def understood(*reads: Callable[[], object]) -> None:
    """Tries every one of them; what they refuse is raised together, of each field once."""
    refused: dict[str, InputError] = {}
    for read in reads:
        try:
            read()
        except InputError as error:
            refused |= {one.field: one for one in error.each if one.field not in refused}
    if refused:
        raise InputErrors(tuple(refused.values())) if len(refused) > 1 else next(iter(refused.values()))


class NearName(InputError):
    """A name that is close to a known one, or was that of one that is called otherwise now (`renamed`): it may be a
    slip, and has to be said to be new."""

    def __init__(self, field: str, given: str, near: str, renamed: bool = False) -> None:
        allowed = phrase("{near} (did you mean that?), or {new} for one that is new", near=repr(near), new=Field.NEW)
        why = phrase("which is near {near}", near=repr(near))
        if renamed:
            allowed = phrase("{near}, or {new} for one that is new", near=repr(near), new=Field.NEW)
            why = phrase("which is called otherwise now")
        super().__init__(field, given, allowed, why)
        self.args = (field, given, near, renamed)  # as they are given, so that it survives pickling
        self.near = near


def said(words: Value, named: Naming = str) -> str:
    """As whoever asked reads it, the fields in it as they are `named`."""
    return reads().read(_named(words, named))


def _named(words: Value, named: Naming) -> Value:
    if isinstance(words, Field):
        return named(words)
    if isinstance(words, Message):
        return replace(words, values=tuple((name, _named(value, named)) for name, value in words.values))
    return words


def quoted(given: object) -> str:
    """`given` as Python would write it, control characters escaped, at most QUOTE_CHARS long.

    >>> quoted("9m\\x1b[31m")
    "'9m\\\\x1b[31m'"
    """
    if not isinstance(given, str | bytes | bytearray):
        text = repr(given)
        return text if len(text) <= QUOTE_CHARS else text[: QUOTE_CHARS - 1] + "…"
    # Cut before escaping: a megabyte of zeros is not worth four megabytes of backslashes.
    kept = given[:QUOTE_CHARS]
    text = repr(kept)
    if len(text) <= QUOTE_CHARS and len(kept) == len(given):
        return text
    while len(text) >= QUOTE_CHARS:
        kept = kept[:-1]
        text = repr(kept)
    return text[:-1] + "…" + text[-1]
