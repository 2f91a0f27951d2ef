"""A cell of a CSV file that somebody's program or spreadsheet wrote."""

from __future__ import annotations

import csv
import math

DELIMITERS = (",", ";", "\t")
"""What separates cells. Where the comma is the decimal mark, spreadsheets write semicolons."""
MAX_DIGITS = 40
"""No number is longer than this [characters]; a float's own digits take 24."""


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of a line that may be no row at all."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return []


def number_in(text: str, delimiter: str) -> float | None:
    """The finite number in a cell; with a decimal comma where commas do not separate cells. None where it is none."""
    plain = text if delimiter == "," else text.replace(",", ".")
    if len(plain) > MAX_DIGITS or not plain.isascii() or "_" in plain:
        return None
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
