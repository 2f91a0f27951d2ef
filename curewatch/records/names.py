"""When two names people typed are one, and when one was probably meant for the other."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable

_TOKEN = re.compile(r"\d+|[^\W\d_]+")
_SHORT, _LONG = 2, 6
"""A word of up to so many letters is another with one letter changed; one of so many may have two slips in it."""


def name_key(name: str) -> str:
    """Equal for names that differ only in case or spaces.

    >>> name_key("Spare  room") == name_key("spareroom")
    True
    """
    return "".join(name.casefold().split())


def same_name(given: str, known: Iterable[str]) -> str | None:
    """That of the known names which `given` is: the very same, else one that differs only in case or spaces."""
    names = list(known)
    return given if given in names else next((name for name in names if name_key(name) == name_key(given)), None)


def near_name(given: str, known: Iterable[str]) -> str | None:
    """The known name that `given` is a slip of, the closest first; None where it is clearly another.

    What is told apart by a number or a single letter is told apart on purpose.

    >>> near_name("spare rom", ["boat shed", "spare room"]), near_name("rack 2", ["rack 1"])
    ('spare room', None)
    """
    found = [(slips, name) for name in known if (slips := _slips(given, name)) is not None]
    return min(found, default=(0, None))[1]


def _slips(one: str, other: str) -> int | None:
    words, others = (_TOKEN.findall(name.casefold()) for name in (one, other))
    if _marks(words) != _marks(others):
        return None
    pairs = list(zip(words, others, strict=True)) if len(words) == len(others) else [("".join(words), "".join(others))]
    counts = [_distance(*pair) for pair in pairs]
    if any(count > _allowed(max(map(len, pair))) for count, pair in zip(counts, pairs, strict=True)):
        return None
    return sum(counts)


def _marks(words: list[str]) -> list[str]:
    """Numbers and single letters: `rack 3 b` is no slip of `rack 4 b`."""
    return [word for word in words if len(word) == 1 or word.isdigit()]


def _allowed(length: int) -> int:
    return 0 if length <= _SHORT else 1 if length < _LONG else 2


def _distance(one: str, other: str) -> int:
    """Letters left out, put in, exchanged, or swapped with their neighbour (optimal string alignment)."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        before, last, row = row, before, [i]
        for j, wanted in enumerate(other, 1):
            cost = min(before[j] + 1, row[-1] + 1, before[j - 1] + (letter != wanted))
            if i > 1 and j > 1 and letter == other[j - 2] and wanted == one[i - 2]:
                cost = min(cost, last[j - 2] + 1)
            row.append(cost)
    return row[-1]


def slug(name: str) -> str:
    """A name as a topic's level that every listener takes (Homie 5, Topic IDs: a to z, 0 to 9 and hyphens), one for
    each name: what that cannot hold is told apart by a few digits of its hash."""
    plain = "-".join(re.findall("[a-z0-9]+", name.lower()))
    if plain == name:
        return plain
    return "-".join(filter(None, (plain[:40], hashlib.sha256(name.encode()).hexdigest()[:6])))
