"""What people type into the fields of more than one form."""

from __future__ import annotations

import re

_BARE = re.compile(r"[+\-−]?[0-9]+([.,][0-9]+)?")


def with_unit(text: str, unit: str) -> str:
    """A bare number in the unit that stands beside its field; anything else as it was typed.

    >>> with_unit("18,5", "C"), with_unit("64 F", "C")
    ('18,5C', '64 F')
    """
    return f"{text}{unit}" if _BARE.fullmatch(text) else text


_IN_THE_FORM = {
    "--anyway": "“out of turn” ticked",
    "--at": "When",
    "--due": "Ready by",
    "--recipe": "Recipe",
    "--resolution": "The scale's step",
    "--room": "Room",
    "--for": "For",
    "KIND": "Alarm",
    "MASS": "Weight",
    "NAME": "Piece",
    "PIECE": "Piece",
    "ROOM": "Room",
    "STEP": "Step",
}
"""What the commands call a thing, and what it is called on a page."""
_NAMED = re.compile("|".join(rf"(?<![\w-]){re.escape(word)}(?![\w-])" for word in _IN_THE_FORM))


def in_form_words(error: Exception) -> str:
    """What an error says, in the words of a page.

    >>> plainly(ValueError("--at: got 'tomorrow', expected a moment that has passed"))
    "When: got 'tomorrow', expected a moment that has passed"
    """
    head, colon, rest = str(error).partition(":")
    rest = re.sub(r"--anyway\b", _IN_THE_FORM["--anyway"], rest)
    return _NAMED.sub(lambda found: _IN_THE_FORM[found[0]], head) + colon + rest
