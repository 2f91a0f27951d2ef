"""The handbook tells the same in every language: block by block the same commands, keys, links and figures."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

from curewatch import handbook
from curewatch.language import PLAIN
from curewatch.language.catalogue import catalogue
from curewatch.records import AlarmKind, MilestoneKind
from curewatch.studio.wording import STAGES
from curewatch.web.pages.handbook import as_html, slug

FIRST, *OTHERS = handbook.LANGUAGES
FIGURE = re.compile(r"[±-]?\d+(?:\.\d+)?(?: ?(?:°[CF]|%RH|%|mm|µm|ms|kB|h\b))?")
MARKS = ("code_inline", "link_open", "strong_open", "em_open")
SHORT, LENGTHS = 60, (0.85, 1.6)
"""A block of more letters than that is told in so many times those: in Spanish 0.88 to 1.58."""


def tokens(markdown: str) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(markdown)


def plain(inline: Token) -> str:
    return "".join(one.content if one.type == "text" else " " for one in inline.children or ())


def figures(inline: Token, language: str) -> Counter[str]:
    """Numbers with their units, whatever sign parts the thousands and the decimals."""
    text = plain(inline)
    if language == FIRST:
        text = re.sub(r"(?<=\d),(?=\d{3}\b)", "", text)
    else:
        text = re.sub(r"(?<=\d),(?=\d)", ".", re.sub(r"(?<=\d) (?=\d{3}\b)", "", text))
    return Counter(FIGURE.findall(text))


def found(inline: Token, kind: str) -> list[Token]:
    return [one for one in inline.children or () if one.type == kind]


def emphasized(inline: Token) -> set[str]:
    children = inline.children or []
    return {children[at + 1].content for at, one in enumerate(children) if one.type == "em_open"}


def facts(inline: Token, language: str) -> list[Counter[str]]:
    """What a block holds in every language: its marks, its code, where its links lead, its figures."""
    return [
        Counter({mark: len(found(inline, mark)) for mark in MARKS}),
        Counter(one.content for one in found(inline, "code_inline")),
        Counter(str(one.attrGet("href")) for one in found(inline, "link_open")),
        figures(inline, language),
    ]


def differences(of_first: str, of_other: str, language: str) -> Iterator[str]:
    """In what the two do not tell the same; up to the first block that only one has."""
    ends = [Token("end", "", 0)]
    for one, other in zip(tokens(of_first) + ends, tokens(of_other) + ends, strict=False):
        if (one.type, one.tag) != (other.type, other.tag):
            yield f"{one.type} {one.content!r} is {other.type} {other.content!r}"
            return
        if one.type == "fence" and uncommented(one.content) != uncommented(other.content):
            yield f"commands are others: {one.content!r}, {other.content!r}"
        if one.type != "inline":
            continue
        for first, second in zip(facts(one, FIRST), facts(other, language), strict=True):
            if first != second:
                yield f"{first - second} is {second - first} in {plain(other)!r}"
        length = len(other.content) / max(len(one.content), 1)
        if len(one.content) > SHORT and not LENGTHS[0] < length < LENGTHS[1]:
            yield f"{length:.2f} times as long: {one.content!r}, {other.content!r}"
    moments = [re.findall(r"^\[//\]: # .*$", text, re.M) for text in (of_first, of_other)]
    if moments[0] != moments[1]:
        yield f"moments are others: {moments}"


def uncommented(code: str) -> str:
    """What is behind a command for people is in their language."""
    return re.sub(r" +# .*", "", code)


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("topic", handbook.TOPICS)
def test_a_topic_tells_the_same_in_each_language(topic: str, language: str) -> None:
    assert handbook.told_in(topic, language) == language
    assert list(differences(handbook.read(topic), handbook.read(topic, language), language)) == []


@pytest.mark.parametrize(
    ("topic", "was", "now"),
    [
        ("alarms", "## Frost", "### Frost"),
        ("alarms", "(`frost_c`, 2 °C)", "(`frost_c`, 3 °C)"),
        ("alarms", "`curewatch cleared PIECE`", "`curewatch clear PIECE`"),
        ("alarms", "of 282 alarms 8", "of 282 alarms 9"),
        ("telling", "api.md#what-is-published-to-the-broker", "api.md#the-log"),
        ("telling", 'sender = "curewatch@', 'sender = "studio@'),
        ("cautions", "- Dates are", "- Keep paint off your bread.\n- Dates are"),
        (
            "cautions",
            " and it can be wrong.",
            " and it can be wrong. Paint is no food, nor is what it is thinned with.",
        ),
        ("trouble", "| dates jump", "| no dates | wait |\n| dates jump"),
        ("example", "2026-11-29 10:00:00", "2026-11-29 11:00:00"),
    ],
)
@pytest.mark.parametrize("language", OTHERS)
def test_what_is_changed_in_one_language_alone_is_found(topic: str, was: str, now: str, language: str) -> None:
    changed = handbook.read(topic).replace(was, now, 1)
    assert changed != handbook.read(topic)
    assert list(differences(changed, handbook.read(topic, language), language)) != []


@pytest.mark.parametrize("language", OTHERS)
def test_what_the_page_has_on_it_is_called_as_the_page_calls_it(language: str) -> None:
    words = catalogue(language).texts
    for topic in handbook.TOPICS:
        for one, other in zip(tokens(handbook.read(topic)), tokens(handbook.read(topic, language)), strict=False):
            called = {words[label] for label in emphasized(one) if words.get(label)}
            assert called <= emphasized(other), topic


@pytest.mark.parametrize("language", handbook.LANGUAGES)
def test_each_alarm_and_milestone_has_its_section_with_what_to_do_under_one_link_in_every_language(
    language: str,
) -> None:
    todo = {"en": "What to do:", "es": "Qué hacer:"}[language]
    alarms = [kind.value.replace("_", "-") for kind in AlarmKind]
    for topic, names in (
        ("alarms", alarms),
        ("milestones", [slug(PLAIN.read(STAGES[kind])) for kind in MilestoneKind]),
    ):
        made = as_html(handbook.read(topic, language), "/help", handbook.read(topic), "Code")
        for name in names:
            _, _, after = made.partition(f'<h2 id="{name}">')
            assert todo in after.partition("<h2")[0]
