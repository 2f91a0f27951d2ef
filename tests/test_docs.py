"""README and handbook stay true: every command, alarm and exit code is told, and every option and link is there."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from curewatch import handbook
from curewatch.cli.app import COMMANDS, load
from curewatch.cli.commands.handbook import text
from curewatch.cli.exits import MEANINGS
from curewatch.cli.output import Page
from curewatch.web.pages.handbook import as_html, slug

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
HANDBOOK = {topic: handbook.read(topic) for topic in handbook.TOPICS}


def commands(of: Any, path: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every command that can be typed, by its words."""
    children = getattr(of, "commands", None)
    if not children:
        return {path: of}
    return {words: found for name, child in children.items() for words, found in commands(child, (*path, name)).items()}


ALL = {words: found for name in COMMANDS for words, found in commands(load(name), (name,)).items()}


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_command_is_documented(words: tuple[str, ...]) -> None:
    assert f"`curewatch {' '.join(words)}" in HANDBOOK["commands"]


def test_every_exit_code_is_documented() -> None:
    for code, meaning in MEANINGS.items():
        assert f"| {code.value} | {meaning} |" in HANDBOOK["commands"]


def test_every_command_line_shown_exists() -> None:
    shown = re.findall(
        r"curewatch ((?:[a-z]+(?:-[a-z]+)* ?)+)((?:[^`\n]|\\\n)*)", "\n".join([README, *HANDBOOK.values()])
    )
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
    assert seen >= 60


def test_the_readme_is_short_and_what_it_names_is_there() -> None:
    assert len(README.splitlines()) <= 200
    assert (ROOT / "deploy" / "board.png").stat().st_size <= 80_000
    assert set(re.findall(r"`curewatch help ([a-z]+)`", README)) <= HANDBOOK.keys()
    for there in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / there).exists(), there


@pytest.mark.parametrize("language", handbook.LANGUAGES)
def test_every_topic_is_a_file_and_every_file_a_topic(language: str) -> None:
    written = {file.stem for file in (ROOT / "curewatch" / "handbook" / language).glob("*.md")}
    assert written == handbook.TOPICS.keys()
    for topic in handbook.TOPICS:
        assert re.fullmatch(r"# \S.*", handbook.read(topic, language).partition("\n")[0])


def sections(topic: str) -> set[str]:
    return {slug(heading) for heading in re.findall(r"^#+ (.+)$", HANDBOOK[topic], re.M)}


def test_every_link_of_the_handbook_leads_somewhere() -> None:
    links = [found for read in HANDBOOK.values() for found in re.findall(r"\]\((\w+)\.md(?:#([\w-]+))?\)", read)]
    links += [(topic, "") for read in HANDBOOK.values() for topic in re.findall(r"`curewatch help ([a-z]+)`", read)]
    assert len(links) > 10
    for topic, section in links:
        assert topic in HANDBOOK
        assert not section or section in sections(topic), section


def test_a_topic_in_the_terminal_is_no_wider_than_it_and_names_commands_for_links() -> None:
    for topic in ("alarms", "glossary", "trouble"):
        shown = text(HANDBOOK[topic], Page(width=80))
        assert max(map(len, shown.splitlines())) <= 80
        assert ".md" not in shown
    assert "(curewatch help alarms)" in re.sub(r"\s+", " ", text(HANDBOOK["glossary"], Page()))


def test_what_looks_like_html_in_a_topic_stays_text_on_the_page() -> None:
    made = as_html(
        "# A <b>x</b>\n\n<script>1</script> [y](api.md#metrics)\n\n```\n<i>\n```\n", "/studio/help", "# x", "<i>"
    )
    assert not re.search(r"<(script|b|i)>", made)
    assert 'href="/studio/help/api#metrics"' in made
    assert '<pre tabindex="0"' in made, "what is wide can be scrolled by keyboard"


def test_what_the_readme_prints_is_what_the_worked_example_does() -> None:
    (shown,) = re.findall(r"^```\n(\$ curewatch estimate .*?)\n```$", README, re.M | re.S)
    assert shown in HANDBOOK["example"]


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
