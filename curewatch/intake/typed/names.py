"""Names as people type them. One rule for command line, page and API."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    pass


def named(typed: str, field: str) -> str:
    """A name as people give it, trimmed; BadInput where it cannot be one."""
    from curewatch.intake.typed import BadInput

    text = typed.strip()
    if not 1 <= len(text) <= 80 or any(ord(c) < 32 or ord(c) == 127 or 0xD800 <= ord(c) < 0xE000 for c in text):
        raise BadInput(field, typed, "a name of 1 to 80 characters on one line")
    return text
