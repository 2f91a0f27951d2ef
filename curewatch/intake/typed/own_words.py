"""What people type in the language in which they read, as the parsers know it: words of times and days in English.

A language's days, months and units are CLDR's; the rest is what its catalogue shows them, so whatever is read may be
typed. Marks over letters may be left out.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from functools import cache

from curewatch.language import PLAIN, Reader, phrase, reads

UNITS = ("second", "minute", "hour", "day", "week")
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
_SAID = (
    (phrase("today {time}", time="").text, "today"),
    (phrase("yesterday {time}", time="").text, "yesterday"),
    (phrase("tomorrow {time}", time="").text, "tomorrow"),
    (phrase("now").text, "now"),
    (phrase("at {time}", time="").text, "at"),
)
_AROUND = ((phrase("{span} ago", span="").text, r"\1 ago"), (phrase("in {span}", span="").text, r"in \1"))


def bare(text: str) -> str:
    """Without marks over letters: `manana`, `miercoles`."""
    return "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))


def in_english(words: str) -> str:
    """Tidy words of a time, day or duration; those of no language of the reader's stay as they are."""
    language = reads().language
    if language == PLAIN.language:
        return words
    said = bare(words)
    for pattern, english in _vocabulary(language):
        said = pattern.sub(english, said)
    return " ".join(said.split())


@cache
def _vocabulary(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple(_rules(Reader(language)))


def _rules(reader: Reader) -> Iterator[tuple[re.Pattern[str], str]]:
    """In their order: `20 de dic` is a month, `mar` alone a Tuesday."""
    joints = re.findall(r"'([^']+)'", str(reader.locale.date_formats["long"].pattern))
    for joint in {bare(one.strip().lower()) for one in joints} - {""}:
        yield re.compile(rf"\b{re.escape(joint)}\b"), " "
    for names, english, where in (
        (reader.locale.months, _MONTHS, r"(?<=\d)\s+{}\b\.?"),
        (reader.locale.days, _WEEKDAYS, r"\b{}\b\.?"),
    ):
        for form in ("wide", "abbreviated"):
            for at, name in names["format"][form].items():
                word = re.escape(bare(str(name).lower().rstrip(".")))
                said = english[at - 1 if english is _MONTHS else at]
                yield re.compile(where.format(word)), f" {said}"
    for text, said in _SAID:
        word = bare(reader.catalogue.text(text).replace("{time}", "").strip().lower())
        yield re.compile(rf"\b{re.escape(word)}\b"), said
    for unit in UNITS:
        for word in sorted(map(bare, reader.called(unit)), key=len, reverse=True):
            yield re.compile(rf"(?<=\d)\s*{re.escape(word)}\b"), f" {unit}"
    for text, said in _AROUND:
        before, after = (re.escape(bare(part.lower())) for part in reader.catalogue.text(text).split("{span}"))
        yield re.compile(rf"^{before}(.+){after}$"), said
