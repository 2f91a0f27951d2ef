"""The content of a file that somebody named, however large or unreadable it may be."""

from __future__ import annotations

from pathlib import Path

from curewatch.intake.errors import BadInput


def read_whole(path: str | Path, most: int, *, wanted: str, field: str) -> bytes:
    """The file at `path`. BadInput where it cannot be read, which tells what was `wanted`, or has over `most` bytes."""
    given = str(path)
    try:
        with open(path, "rb") as file:
            content = file.read(most + 1)
    except (OSError, ValueError) as problem:
        why = problem.strerror if isinstance(problem, OSError) else "no possible path"
        raise BadInput(field, given, wanted, f"which cannot be read ({why})") from None
    if len(content) > most:
        raise BadInput(field, given, f"a file of at most {most // 1_000_000} MB", f"which is larger than {most} bytes")
    return content
