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
from curewatch.cli.session import premises_of, reader_of
from curewatch.language import Reader
from curewatch.settings import Settings, SettingsError

_LINK = re.compile(r"\[([^\]]+)\]\((\w+)\.md(?:#[\w-]+)?\)")


def help_on(
    ctx: typer.Context,
    topic: Annotated[str | None, typer.Argument(metavar="[TOPIC]", help="What to read. Left out: a list.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """Read the handbook: without a topic what there is, with a command's name what that takes."""
    reader = _reader(ctx)
    if topic is None:
        abouts = {one: reader.read(about) for one, about in handbook.TOPICS.items()}
        if as_json:
            listed = [
                {"topic": one, "title": handbook.title(one, reader.language), "about": about}
                for one, about in abouts.items()
            ]
            say_json("help", topics=listed)
        else:
            width = max(map(len, abouts))
            lines = [f"  {one:{width}}  {about}" for one, about in abouts.items()]
            say("\n".join([reader.phrase("The handbook, by `curewatch help TOPIC`:"), *lines]))
            said = reader.phrase("The same is on the page, under Help. A command's name tells what that command takes.")
            say(f"\n{said}")
    elif topic in COMMANDS and topic not in handbook.TOPICS:
        run([topic, "--help"])
    elif as_json:
        markdown = handbook.read(topic, reader.language)
        language, title = handbook.told_in(topic, reader.language), handbook.title(topic, reader.language)
        say_json("help", topic=topic, language=language, title=title, markdown=markdown)
    else:
        say(text(handbook.read(topic, reader.language), Page.of(sys.stdout)))


def _reader(ctx: typer.Context) -> Reader:
    """Whoever reads at this terminal. Settings that cannot be used keep nobody from reading what to do about them."""
    try:
        settings = premises_of(ctx, tell=False).settings
    except SettingsError:
        settings = Settings(zone="UTC")
    return reader_of(settings)


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
