"""`curewatch help`: the handbook in the terminal, and what a command takes by its name."""

from __future__ import annotations

import io
import re
import sys
from typing import Annotated, ClassVar

import typer
from rich.console import Console, ConsoleOptions, RenderResult
from rich.markdown import CodeBlock, Heading, Markdown
from rich.text import Text

from curewatch import handbook
from curewatch.cli import options
from curewatch.cli.app import COMMANDS, run
from curewatch.cli.output import Page, say, say_json
from curewatch.language import PLAIN

_ABOUT = tuple((topic, PLAIN.read(about)) for topic, about in handbook.TOPICS.items())
_LINK = re.compile(r"\[([^\]]+)\]\((\w+)\.md(?:#[\w-]+)?\)")


def help_on(
    topic: Annotated[str | None, typer.Argument(metavar="[TOPIC]", help="What to read. Left out: a list.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """Read the handbook: without a topic what there is, with a command's name what that takes."""
    if topic is None:
        listed = [{"topic": one, "title": handbook.title(one), "about": about} for one, about in _ABOUT]
        if as_json:
            say_json("help", topics=listed)
        else:
            width = max(len(one) for one, _ in _ABOUT)
            lines = [f"  {one:{width}}  {about}" for one, about in _ABOUT]
            say("\n".join(["The handbook, by `curewatch help TOPIC`:", *lines]))
            say("\nThe same is on the page, under Help. A command's name tells what that command takes.")
    elif topic in COMMANDS and topic not in handbook.TOPICS:
        run([topic, "--help"])
    elif as_json:
        say_json("help", topic=topic, title=handbook.title(topic), markdown=handbook.read(topic))
    else:
        say(text(handbook.read(topic), Page.of(sys.stdout)))


class _Plain(CodeBlock):
    """As it is: what a command printed is eighty columns wide already."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(str(self.text).rstrip(), no_wrap=True, overflow="ignore")


class _Left(Heading):
    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(f"\n{self.text.plain}" if self.tag != "h1" else self.text.plain)


class _Topic(Markdown):
    elements: ClassVar = {**Markdown.elements, "fence": _Plain, "code_block": _Plain, "heading_open": _Left}


def text(markdown: str, page: Page) -> str:
    """A topic for the terminal: links become the command that shows what they lead to."""
    headings = set(re.findall(r"^#+ (.*)$", markdown, re.M))
    out = io.StringIO()
    console = Console(file=out, width=page.width, color_system=None, highlight=False, legacy_windows=False)
    console.print(_Topic(_LINK.sub(r"\1 (`curewatch help \2`)", markdown), hyperlinks=False), crop=False)
    lines = [line.rstrip() for line in out.getvalue().splitlines()]
    return "\n".join(page.bold(line) if line in headings else line for line in lines).strip("\n")
