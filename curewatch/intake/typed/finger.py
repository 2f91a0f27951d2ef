"""What people say of a finger test, in their own words."""

from __future__ import annotations

from curewatch.language import joined, phrase
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger

_SAID = {
    Finger.TACKY: ("sticky", "still tacky", "still sticky", "wet", "still wet", "not dry", "not dry yet"),
    Finger.TOUCH_DRY: ("dry to touch", "dry to the touch", "surface dry", "not tacky", "not sticky", "tack free"),
    Finger.DRY_THROUGH: ("through dry", "dry through and through", "dry to handle", "hard", "firm", "hard dry"),
}
"""Beside their own names, with or without hyphens."""
WORDS = {
    " ".join(word.replace("-", " ").split()): finger
    for finger, words in _SAID.items()
    for word in (finger.value, *words)
}
EXPECTED = phrase("one of {names}, or what people say: sticky, dry to the touch, hard", names=", ".join(Finger))


def finger_of(typed: str) -> Finger | None:
    """`tacky`, `sticky`, `Touch dry`; None where it is none, or could be two."""
    return WORDS.get(_plain(typed))


def parse_finger(typed: str) -> Finger:
    """As `finger_of`. InputError where it is none, or, like a mere `dry`, could be two."""
    found = finger_of(typed)
    if found is None:
        either = phrase("dry to the touch is touch-dry, under the thumb too dry-through")
        raise InputError(Field.FINGER, typed, joined(EXPECTED, either if _plain(typed) == "dry" else "", by="; "))
    return found


def _plain(typed: str) -> str:
    return " ".join(typed.casefold().replace("-", " ").replace("_", " ").split())
