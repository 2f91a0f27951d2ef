"""Names as people type them. One rule for command line, page and API: what `records.GivenName` takes."""

from __future__ import annotations

import re

from curewatch.language import phrase
from curewatch.records import NAME_MOST, UNSAFE
from curewatch.records.errors import Field, InputError

_UNSAFE = re.compile(rf"[{UNSAFE}\ud800-\udfff]")
_QUOTES = (('"', '"'), ("'", "'"), ("“", "”"), ("‘", "’"), ("„", "“"))
"""Copied along with a recipe's name from where it stands between them."""


def named(typed: str, field: Field) -> str:
    """A name as people give it, trimmed; InputError where it cannot be one."""
    text = typed.strip()
    if field is Field.RECIPE and len(text) > 2 and (text[0], text[-1]) in _QUOTES:
        text = text[1:-1].strip()
    if not 1 <= len(text) <= NAME_MOST or _UNSAFE.search(text):
        raise InputError(field, typed, phrase("a name of 1 to {name_most} characters on one line", name_most=NAME_MOST))
    return text
