"""What is typed of the thing a pour lies on: what it is, and its size and shape."""

from __future__ import annotations

import re

from curewatch.intake.errors import BadInput
from curewatch.intake.typed.numbers import MAX_TYPED, tidy
from curewatch.intake.typed.part_intake_quantities import SIDE, SIZE, parse_size
from curewatch.records import Support

_ROUND = re.compile(r"(?:round|ø|⌀) ?(?P<after>.*)|(?P<before>.*?) ?round")


def parse_support(text: str, *, field: str = "--support") -> Support:
    """A support by its name; `raw panel` is as good as `raw-panel`."""
    word = tidy(text).replace(" ", "-") if len(text) <= MAX_TYPED else ""
    if word not in Support.__members__.values():
        raise BadInput(field, text, ", ".join(Support))
    return Support(word)


def parse_shape(text: str, *, field: str = "--size") -> tuple[float, float, bool]:
    """Width and height [m, m], and whether the piece is round: what `parse_size` takes, or `round 40cm`, `ø 16 in`.

    A round piece has its diameter for both.
    """
    found = _ROUND.fullmatch(tidy(text)) if len(text) <= MAX_TYPED else None
    if found is None:
        try:
            return (*parse_size(text, field=field), False)
        except BadInput as error:
            raise BadInput(field, text, f"{error.allowed}, or round 40cm", error.why) from None
    across = found["after"] if found["after"] is not None else found["before"]
    try:
        diameter = SIDE.parse(across, field)
    except BadInput as error:
        allowed = f"the diameter of a round piece {SIDE.span}, such as round 40cm; or {SIZE.allowed}"
        raise BadInput(field, text, allowed, error.why) from None
    return diameter, diameter, True
