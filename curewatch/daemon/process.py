"""What the daemon says: one line an event on stderr, in plain words."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from enum import IntEnum

OURS = "curewatch"


class Level(IntEnum):
    """How much is said."""

    QUIET = logging.WARNING
    """Only what is wrong."""
    NORMAL = logging.INFO
    VERBOSE = logging.DEBUG
    """Every look, too."""


_ESCAPED = {code: f"\\x{code:02x}" for code in (*range(0x20), *range(0x7F, 0xA0))}


class _Line(logging.Formatter):
    """The time, then a word for what is wrong, if anything is."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(trouble)s%(message)s", "%Y-%m-%d %H:%M:%S")

    def format(self, record: logging.LogRecord) -> str:
        record.trouble = f"{record.levelname.lower()}: " if record.levelno >= logging.WARNING else ""
        return super().format(record)

    def formatMessage(self, record: logging.LogRecord) -> str:
        """In one line, whatever it quotes: a sensor's topic, say, may hold control characters."""
        return super().formatMessage(record).translate(_ESCAPED)


@contextlib.contextmanager
def to_stderr(level: Level) -> Iterator[None]:
    """Within the block, what the package logs goes to stderr, and what others log if it is a warning."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Line())
    ours, root = logging.getLogger(OURS), logging.getLogger()
    before = ours.level
    ours.setLevel(level)
    root.addHandler(handler)
    try:
        yield
    finally:
        root.removeHandler(handler)
        ours.setLevel(before)
        handler.close()
