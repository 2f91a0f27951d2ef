"""Words for whoever reads: what is to be said is kept as sentence and values, and is made into text in the reader's own
language, units, clock and order of dates when it is shown or sent.
"""

from curewatch.language.catalogue import languages
from curewatch.language.reader import PLAIN, Reader, reader_for
from curewatch.language.words import (
    Capital,
    Difference,
    Joined,
    Length,
    Listed,
    Mass,
    Message,
    Number,
    Percent,
    Size,
    Span,
    Speed,
    Temperature,
    TemperatureRange,
    Thickness,
    Value,
    Volume,
    When,
    Words,
    joined,
    phrase,
    phrase_n,
)

__all__ = [
    "PLAIN",
    "Capital",
    "Difference",
    "Joined",
    "Length",
    "Listed",
    "Mass",
    "Message",
    "Number",
    "Percent",
    "Reader",
    "Size",
    "Span",
    "Speed",
    "Temperature",
    "TemperatureRange",
    "Thickness",
    "Value",
    "Volume",
    "When",
    "Words",
    "joined",
    "languages",
    "phrase",
    "phrase_n",
    "reader_for",
]
