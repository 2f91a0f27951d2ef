"""A cell of a CSV file, whoever wrote it, and what it says."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from curewatch.desk.transfer.exporting import RISKY

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


ALLOWED: Mapping[type, str] = {
    bool: "true or false",
    int: "a whole number",
    float: "a number, with a decimal point where commas separate cells",
    datetime: "a time with its offset, such as 2026-11-20T18:30:00Z or 2026-11-20T18:30:00+01:00",
}
"""What may stand in a cell that holds such a thing."""
_WHOLE = re.compile(r"[+-]?[0-9]{1,40}")
_TRUTHS = {"true": True, "false": False, "1": True, "0": False}


def value_in(cell: str, holds: type, delimiter: str) -> Any:
    """What a cell says; None where that is nothing of the kind. Text is as it stands, but for a ' that hides a formula.

    >>> value_in("'=1+1", str, ","), value_in("'t Zand", str, ","), value_in("1,5", float, ";")
    ('=1+1', "'t Zand", 1.5)
    """
    if holds is str:
        return cell[1:] if cell.startswith("'") and cell[1:].startswith(RISKY) else cell
    plain = cell.strip()
    if holds is float:
        return number_in(plain, delimiter)
    if holds is int:
        return int(plain) if _WHOLE.fullmatch(plain) else None
    if holds is bool:
        return _TRUTHS.get(plain.casefold())
    try:
        at = datetime.fromisoformat(plain)
    except ValueError:
        return None
    return None if at.tzinfo is None else at
