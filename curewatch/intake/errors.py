"""The one error of this floor: what came in, and what would have been understood."""

from __future__ import annotations

QUOTE_CHARS = 60
"""A quotation in a message is at most this long, its quotation marks included."""


class BadInput(ValueError):
    """A word, number or time from outside that cannot be taken as it stands.

    `field` names where it was given (an option, a key, a topic), `given` is the thing itself, unshortened,
    `allowed` what would have been accepted. `why` is set where the bare refusal would not explain itself; the
    message then asks back: `--at: got '02:30', which happens twice on 2026-10-25: say … or …`.
    """

    def __init__(self, field: str, given: object, allowed: str, why: str | None = None) -> None:
        super().__init__(field, given, allowed, why)  # as args, so that the error survives pickling
        self.field = field
        self.given = given
        self.allowed = allowed
        self.why = why

    def __str__(self) -> str:
        if self.why is None:
            return f"{self.field}: got {quoted(self.given)}, expected {self.allowed}"
        return f"{self.field}: got {quoted(self.given)}, {self.why}: say {self.allowed}"


def quoted(given: object) -> str:
    """`given` as Python would write it, control characters escaped, at most QUOTE_CHARS long.

    >>> quoted("9m\\x1b[31m")
    "'9m\\\\x1b[31m'"
    """
    if not isinstance(given, str | bytes | bytearray):
        text = repr(given)
        return text if len(text) <= QUOTE_CHARS else text[: QUOTE_CHARS - 1] + "…"
    # Cut before escaping: a megabyte of zeros is not worth four megabytes of backslashes.
    kept = given[:QUOTE_CHARS]
    text = repr(kept)
    if len(text) <= QUOTE_CHARS and len(kept) == len(given):
        return text
    while len(text) >= QUOTE_CHARS:
        kept = kept[:-1]
        text = repr(kept)
    return text[:-1] + "…" + text[-1]


class Missing(BadInput):
    """Something that has to be said and was not."""

    def __init__(self, field: str, allowed: str) -> None:
        super().__init__(field, None, allowed)

    def __str__(self) -> str:
        return f"{self.field}: missing, expected {self.allowed}"
