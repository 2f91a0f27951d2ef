"""The handbook's worked example is what the commands print: each is run anew, at the hour that the text says.

python -m tests.whole.test_example --write    puts what they print today into the handbook, in every language
"""

from __future__ import annotations

import contextlib
import difflib
import io
import math
import os
import random
import re
import shlex
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch import cli, clock, handbook

HANDBOOK = Path(__file__).parents[2] / "curewatch" / "handbook"
EXAMPLE = HANDBOOK / handbook.LANGUAGES[0] / "example.md"
A_COMMAND = timedelta(seconds=4)
"""How long whoever types takes from one to the next."""
PART = re.compile(r'^\[//\]: # "(?P<at>[^"]+)"$|^```\n(?P<said>\$ curewatch .*?)\n```$', re.M | re.S)
"""A line that no reader sees, with the moment from which on the commands are typed; and a block of them."""
ONE = re.compile(r"^\$ curewatch (.*)$", re.M)


def winter() -> str:
    """What the logger in the shed wrote from the pour to May, an hour a row: invented, and always the same."""
    chance, wander = random.Random(7), 0.0
    at, end = datetime(2026, 11, 25, 12, tzinfo=UTC), datetime(2027, 5, 8, 10, tzinfo=UTC)
    first, rows = at, ["time_utc,celsius,percent"]
    while at <= end:
        wander = 0.9 * wander + chance.gauss(0, 0.15)
        day = math.sin((at.hour - 9) / 24 * 2 * math.pi)
        temp = 19.6 + 0.7 * day + wander
        rh = 52 - 1.6 * day - 1.5 * wander + 2 * math.sin((at - first).days / 30)
        rows.append(f"{at:%Y-%m-%dT%H:%MZ},{temp:.1f},{rh:.0f}")
        at += timedelta(hours=1)
    return "\n".join(rows) + "\n"


def run_anew(text: str) -> str:
    """The example with what its commands print now, in an empty folder that is the current one."""
    Path("winter.csv").write_text(winter(), encoding="utf-8")
    at = datetime.now(UTC)

    def again(part: re.Match[str]) -> str:
        nonlocal at
        if part["at"]:
            at = datetime.fromisoformat(part["at"]).replace(tzinfo=UTC)
            return part[0]
        said = []
        for line in ONE.findall(part["said"]):
            said.append(f"$ curewatch {line}\n{printed(shlex.split(line), at)}")
            at += A_COMMAND
        return "```\n" + "\n\n".join(said) + "\n```"

    return PART.sub(again, text)


def printed(arguments: list[str], at: datetime) -> str:
    out = io.TextIOWrapper(io.BytesIO(), "utf-8")
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        patch.setattr(clock.SystemClock, "now", lambda self: at)
        cli.main(arguments)
    out.seek(0)
    return out.read().rstrip("\n")


def in_an_empty_studio(run: Callable[[], str], folder: Path) -> str:
    said = {"HOME": str(folder), "TZ": "UTC", "CUREWATCH_STORE": str(folder / "shed.sqlite")}
    with pytest.MonkeyPatch.context() as patch, contextlib.chdir(folder):
        for name in [one for one in os.environ if one.startswith(("CUREWATCH_", "XDG_"))]:
            patch.delenv(name)
        for name, value in said.items():
            patch.setenv(name, value)
        return run()


FIGURE = re.compile(r"[●░]+|\d+")


def words(text: str) -> str:
    return FIGURE.sub("#", re.sub(r"[ \n]+", " ", text))


@pytest.mark.timeout(600)
def test_the_worked_example_is_what_the_commands_print(tmp_path: Path) -> None:
    """Word for word. Of its figures one in twenty may be another: the kernel adds in another order on other processors,
    and now and then a date falls into the next minute by that."""
    told = EXAMPLE.read_text(encoding="utf-8")
    found = in_an_empty_studio(lambda: run_anew(told), tmp_path)
    assert len(ONE.findall(told)) > 25
    change = list(difflib.unified_diff(told.splitlines(), found.splitlines(), "told", "printed", lineterm="", n=0))
    said = "\n".join([*change[:40], "python -m tests.whole.test_example --write tells it anew"])
    assert words(told) == words(found), said
    figures = [FIGURE.findall(text) for text in (told, found)]
    off = sum(a != b for a, b in zip(*figures, strict=True))
    assert off <= len(figures[0]) / 20, said


if __name__ == "__main__" and "--write" in sys.argv:
    with tempfile.TemporaryDirectory() as made:
        before = EXAMPLE.read_text(encoding="utf-8")
        found = in_an_empty_studio(lambda: run_anew(before), Path(made))
    for language in handbook.LANGUAGES:
        file, printed_now = HANDBOOK / language / "example.md", iter(PART.finditer(found))
        told = file.read_text(encoding="utf-8")
        file.write_text(PART.sub(lambda part, now=printed_now: next(now)[0], told), encoding="utf-8")
