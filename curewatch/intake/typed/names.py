"""Names as people type them. One rule for command line, page and API: what `records.Name` takes."""

from __future__ import annotations

from curewatch.records import NAME_MOST
from curewatch.records.errors import Field, InputError

_QUOTES = (('"', '"'), ("'", "'"), ("“", "”"), ("‘", "’"), ("„", "“"))
"""Copied along with a recipe's name from where it stands between them."""


def named(typed: str, field: Field) -> str:
    """A name as people give it, trimmed; InputError where it cannot be one."""
    text = typed.strip()
    if field is Field.RECIPE and len(text) > 2 and (text[0], text[-1]) in _QUOTES:
        text = text[1:-1].strip()
    if not 1 <= len(text) <= NAME_MOST or any(ord(c) < 32 or ord(c) == 127 or 0xD800 <= ord(c) < 0xE000 for c in text):
        raise InputError(field, typed, f"a name of 1 to {NAME_MOST} characters on one line")
    return text
