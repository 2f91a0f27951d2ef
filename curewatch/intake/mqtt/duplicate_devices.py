"""Two devices under one name: their messages come in turn, and so do two values that no room has in turn.

A topic says nothing of who published on it, so two devices set to the same topic look like one. Their values give them
away: over the last messages they fall into two groups with a clear gap between, and jump from one to the other again
and again within minutes, which air cannot. Two devices that agree cannot be told apart, and need not be.

The bounds are from memory and plausibility (no source); the recorded rooms of the tests raise none of it.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Sequence

DUPLICATE_DEVICES = (
    "two values come in turn, as of two devices that publish under its one name: give each a topic of its own"
)
"""What is said of such a source."""
LAST = 16
"""How many messages are looked at."""
WITHIN_S = 4 * 3600.0
"""They have to lie this close together [s]: in a longer time a heater goes on and off as often."""
JUMPS = 6
"""How often the value has to change groups."""
EACH = 4
"""How many messages each group must have: one odd reading, or two, is something else."""
GAPS = (1.0, 5.0)
"""How far the groups have to lie apart at least [°C, %]..."""
GAP_RATIO = 2.0
"""...and in times the spread of either."""
JUDGE_EVERY_S = 1.0
"""In a flood not every message is judged."""
SOURCES_MOST = 1000
"""Behind a wildcard anybody may invent sources: of more than these none is remembered."""


def in_turn(values: Sequence[float], gap: float) -> bool:
    """Whether these values, in the order they came, are those of two devices at least `gap` apart."""
    if len(values) < 2 * EACH:
        return False
    ordered = sorted(values)
    widest, split = max((ordered[at] - ordered[at - 1], at) for at in range(1, len(ordered)))
    if not EACH <= split <= len(ordered) - EACH:
        return False
    spread = max(ordered[split - 1] - ordered[0], ordered[-1] - ordered[split])
    if widest < gap or widest < GAP_RATIO * spread:
        return False
    high = [value >= ordered[split] for value in values]
    return sum(one != other for one, other in itertools.pairwise(high)) >= JUMPS


class DuplicateDevices:
    """Watches the values of each source. For one thread."""

    def __init__(self) -> None:
        self._last: dict[str, deque[tuple[float, float | None, float | None]]] = {}
        self._judged_at: dict[str, float] = {}
        self._found: set[str] = set()

    @property
    def found(self) -> frozenset[str]:
        """The sources that look like two devices now."""
        return frozenset(self._found)

    def see(self, source: str, monotonic: float, temp_c: float | None, rh_pct: float | None) -> bool:
        """A message of `source` came; True if what is thought of it has changed."""
        last = self._last.get(source)
        if last is None:
            if len(self._last) >= SOURCES_MOST:
                return False
            last = self._last[source] = deque(maxlen=LAST)
        last.append((monotonic, temp_c, rh_pct))
        if len(last) < LAST or monotonic - self._judged_at.get(source, -JUDGE_EVERY_S) < JUDGE_EVERY_S:
            return False
        self._judged_at[source] = monotonic
        is_two = monotonic - last[0][0] <= WITHIN_S and any(
            in_turn([value for one in last if (value := one[index]) is not None], gap)
            for index, gap in zip((1, 2), GAPS, strict=True)
        )
        if is_two == (source in self._found):
            return False
        (self._found.add if is_two else self._found.discard)(source)
        return True
