"""What people say of a finger test, in their own words."""

from __future__ import annotations

from curewatch.intake.typed.own_words import bare
from curewatch.language import joined, phrase, reads
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger
from curewatch.studio.learning.texts import SAYS
from curewatch.studio.wording import TACKY

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
    """`tacky`, `sticky`, `Touch dry`, or as the reader is shown it; None where it is none, or could be two."""
    word = _plain(typed)
    shown = ((_plain(reads().read(said)), finger) for finger, said in (*SAYS.items(), (Finger.TACKY, TACKY)))
    return WORDS.get(word) or next((finger for said, finger in shown if said == word), None)


def parse_finger(typed: str) -> Finger:
    """As `finger_of`. InputError where it is none, or, like a mere `dry`, could be two."""
    found = finger_of(typed)
    if found is None:
        either = phrase("dry to the touch is touch-dry, under the thumb too dry-through")
        raise InputError(Field.FINGER, typed, joined(EXPECTED, either if _plain(typed) == "dry" else "", by="; "))
    return found


def _plain(typed: str) -> str:
    return " ".join(bare(typed).casefold().replace("-", " ").replace("_", " ").split())
