"""A notice in the units of the person who reads it.

Notices are written once, in °C and on a 24-hour clock. What people named (pieces, rooms, places) is left as it is,
even if it reads like a time or a temperature: the notice lists those names in its data.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from curewatch.records import Notice

_CELSIUS = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?) °C")
_CLOCK = re.compile(r"(?<![\w:.])([01]\d|2[0-3]):([0-5]\d)(?![\w:])")


@dataclass(frozen=True)
class Units:
    temperatures: Literal["C", "F"] = "C"
    clock: Literal[24, 12] = 24

    def said(self, notice: Notice) -> tuple[str, str]:
        """Title and text."""
        names = names_in(notice)
        return self._converted(notice.title, names), self._converted(notice.text, names)

    def _converted(self, text: str, names: Sequence[str]) -> str:
        if self.temperatures == "F":
            text = _outside(names, text, lambda part: _CELSIUS.sub(_fahrenheit, part))
        if self.clock == 12:
            text = _outside(names, text, lambda part: _CLOCK.sub(_twelve_hours, part))
        return text


def names_in(notice: Notice) -> list[str]:
    """The names that people gave and that the notice repeats, the longest first."""
    listed = notice.data.get("names", [])
    found = {name for name in [notice.room, *listed] if isinstance(name, str) and name}
    return sorted(found, key=len, reverse=True)


def _outside(names: Sequence[str], text: str, change: Callable[[str], str]) -> str:
    """`text` with `change` made to what stands between the names."""
    if not names:
        return change(text)
    parts = re.split(f"({'|'.join(map(re.escape, names))})", text)
    return "".join(part if index % 2 else change(part) for index, part in enumerate(parts))


def _fahrenheit(found: re.Match[str]) -> str:
    """As many digits as were given: a tenth of a degree stays a tenth."""
    digits = len(found[1].partition(".")[2])
    return f"{round(float(found[1]) * 9 / 5 + 32, digits) + 0.0:.{digits}f} °F"


def _twelve_hours(found: re.Match[str]) -> str:
    hour = int(found[1])
    return f"{hour % 12 or 12}:{found[2]} {'am' if hour < 12 else 'pm'}"
