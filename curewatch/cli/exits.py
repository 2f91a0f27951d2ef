"""How a command ends: the one list of exit codes."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    DONE = 0
    FAILED = 1
    BAD_INPUT = 2
    """The command line, the settings or a named file: nothing was changed; say it differently."""
    ALREADY_RUNNING = 3
    STORE_BROKEN = 4
    """The store is damaged or gone: a person decides what is brought back, so nothing should start it again."""
    INTERRUPTED = 130
    """128 + SIGINT, as shells count."""
    NOBODY_READS = 141
    """128 + SIGPIPE: whatever read the output stopped before its end."""


MEANINGS = {
    Exit.DONE: "done",
    Exit.FAILED: "it failed",
    Exit.BAD_INPUT: "bad input: an option, the settings or a file is not as it should be",
    Exit.ALREADY_RUNNING: "another daemon holds the store",
    Exit.STORE_BROKEN: "the store is damaged or gone, see Backups",
    Exit.INTERRUPTED: "interrupted",
    Exit.NOBODY_READS: "nobody read the output to its end",
}


def listed() -> str:
    """The codes with their meanings, one a line."""
    return "\n".join(f"  {code.value:>3}  {meaning}" for code, meaning in MEANINGS.items())
