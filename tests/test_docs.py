"""The README stays true: every command and exit code is in it, and every option it shows exists."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli.app import COMMANDS, load
from curewatch.cli.exits import MEANINGS

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def commands(of: Any, path: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every command that can be typed, by its words."""
    children = getattr(of, "commands", None)
    if not children:
        return {path: of}
    return {words: found for name, child in children.items() for words, found in commands(child, (*path, name)).items()}


ALL = {words: found for name in COMMANDS for words, found in commands(load(name), (name,)).items()}


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_command_is_documented(words: tuple[str, ...]) -> None:
    assert f"`curewatch {' '.join(words)}" in README


def test_every_exit_code_is_documented() -> None:
    for code, meaning in MEANINGS.items():
        assert f"| {code.value} | {meaning} |" in README


def test_every_command_line_shown_exists() -> None:
    shown = re.findall(r"curewatch ((?:[a-z]+(?:-[a-z]+)* ?)+)((?:[^`\n]|\\\n)*)", README)
    seen = 0
    for words, rest in shown:
        typed = tuple(words.split())
        match = next((typed[:n] for n in (2, 1) if typed[:n] in ALL), None)
        if match is None:
            continue  # prose, such as "curewatch watches"
        known = {option for parameter in ALL[match].params for option in parameter.opts}
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]*", rest):
            seen += 1
            assert option in known | {"--store", "--config"}, f"curewatch {' '.join(match)} has no {option}"
    assert seen >= 10


def test_the_job_comes_first() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# curewatch"
    assert paragraph.startswith("curewatch watches poured acrylic paintings dry")


def test_it_says_that_it_is_no_safety_system() -> None:
    assert "no safety system" in README


def test_every_recorded_room_that_is_carried_has_its_source_and_licence_beside_it() -> None:
    carried = Path(__file__).parent / "data" / "rooms"
    said = (carried / "README.md").read_text(encoding="utf-8")
    packed = {file.stem for file in carried.glob("*.xz")}
    assert len(packed) == 3
    assert packed == {name for name, source in re.findall(r"^\| `(\S+)` .*\| (.+) \|$", said, re.M) if len(source) > 20}
    assert "creativecommons.org/licenses/by/4.0" in said
