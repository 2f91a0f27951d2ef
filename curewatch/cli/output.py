"""Where text goes: what a terminal or pipe can show, and writing to it without surprises."""

from __future__ import annotations

import codecs
import errno
import io
import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence, Sized
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import typer

from curewatch.cli.exits import Exit

if TYPE_CHECKING:
    from curewatch.language import Reader, Value

SCHEMA = 2
"""Of every object that --json prints; raised when a name or a meaning changes, not when something is added."""
PIPED_WIDTH = 80
WIDTHS = (59, 100)
"""The narrowest and the widest a page is laid out [columns]."""
_PLAIN = str.maketrans(
    {
        "°": "",
        "µ": "u",
        "×": "x",
        "–": "-",
        "—": "-",
        "≤": "<=",
        "≥": ">=",
        "±": "+/-",
        "…": "...",
        "²": "2",
        "·": "-",
        "─": "-",
    }
)
"""For an output that cannot show the trade's own signs."""
_OURS = re.compile("(\x1b\\[[01]m)")
"""What `bold` writes; no other control character reaches a terminal, whoever gave it to us."""


@dataclass(frozen=True)
class Page:
    """What the output can show."""

    width: int = PIPED_WIDTH
    unicode: bool = True
    colour: bool = False

    @classmethod
    def of(cls, stream: TextIO) -> Page:
        """As wide as the terminal; colour only on one, and not where NO_COLOR is set (no-color.org)."""
        terminal = stream.isatty()
        width = shutil.get_terminal_size((PIPED_WIDTH, 24)).columns if terminal else PIPED_WIDTH
        wanted = not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
        return cls(
            width=min(max(width - 1, WIDTHS[0]), WIDTHS[1]) if terminal else PIPED_WIDTH,
            unicode=_speaks_unicode(stream.encoding),
            colour=terminal and wanted,
        )

    def bold(self, text: str) -> str:
        """A heading; it reads the same without."""
        return f"\x1b[1m{text}\x1b[0m" if self.colour else text


def _speaks_unicode(encoding: str | None) -> bool:
    try:
        return codecs.lookup(encoding or "ascii").name.startswith("utf")
    except LookupError:
        return False


def at_terminal() -> Reader:
    """Whoever reads here, by the locale; English where it names a language that no catalogue has."""
    from curewatch.language import PLAIN, languages, reader_for

    chosen = os.environ.get("LC_ALL") or os.environ.get("LANG", "")
    of = {name: os.environ.get("LC_ALL") or os.environ.get(name) or chosen for name in _OF_LOCALE}
    there = reader_for(of["LC_MESSAGES"], units=of["LC_MEASUREMENT"], times=of["LC_TIME"])
    return there if there.language in languages() else replace(there, language=PLAIN.language)


_OF_LOCALE = ("LC_MESSAGES", "LC_MEASUREMENT", "LC_TIME")


def text_of(words: Value) -> str:
    """As whoever reads here does."""
    if isinstance(words, str):
        return words
    from curewatch.language import reads  # which --help need not wait for

    return reads().read(words)


def wrapped(words: Value, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most `width`, the first after `first`, the others after `rest`, which is as wide where left out; a
    number is not parted from its unit."""
    held = re.sub(r"(?<=[0-9]) (?=[^ ])", "\u00a0", text_of(words))
    after = " " * len(first) if rest is None else rest
    lines = textwrap.wrap(held, width, initial_indent=first, subsequent_indent=after, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def say(words: Value) -> None:
    """Write `words` and a line end to stdout, now.

    Raises typer.Exit where nobody reads any more, OSError where it cannot be written.
    """
    with _heard():
        write(text_of(words), sys.stdout)


def say_pieces(pieces: Iterable[str]) -> None:
    """Write text that may be longer than memory, of JSON in ASCII, and a line end to stdout. Raises as `say`."""
    from curewatch.records import visible

    with _heard():
        for piece in pieces:
            sys.stdout.write(visible(piece))
        sys.stdout.write("\n")
        sys.stdout.flush()


@contextmanager
def _heard() -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        _let_go_of(sys.stdout)
        if problem.errno == errno.EPIPE:
            raise typer.Exit(Exit.NOBODY_READS) from None
        raise OSError(problem.errno, f"the output cannot be written: {problem.strerror}") from None


def say_json(kind: str, **values: Any) -> None:
    """Write the one object of a --json command. NaN never leaves: it is an error here."""
    say(json.dumps({"schema": SCHEMA, "kind": kind, **values}, ensure_ascii=_needs_ascii(), allow_nan=False))


def _needs_ascii() -> bool:
    return not _speaks_unicode(sys.stdout.encoding)


def write(text: str, stream: TextIO) -> None:
    """Write and flush: control characters as escapes, which JSON knows too; what the encoding cannot show replaced."""
    from curewatch.records import visible  # which --help and completion need not wait for

    text = "".join(part if i % 2 else visible(part) for i, part in enumerate(_OURS.split(text)))
    encoding = stream.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        if not _speaks_unicode(encoding):
            text = text.translate(_PLAIN)
        text = text.encode(encoding, "backslashreplace").decode(encoding)
    stream.write(text + "\n")
    stream.flush()


def _let_go_of(stream: TextIO) -> None:
    """Send what is still in the stream's buffer to nowhere, or Python complains of it once more at its exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, stream.fileno())
    finally:
        os.close(nowhere)


def ended(words: Value) -> str:
    """With the mark at its end that it may have already."""
    text = text_of(words)
    return text if text.endswith(("?", ".")) else f"{text}."


def say_notes(notes: Iterable[Value]) -> None:
    from curewatch.language import phrase

    for note in notes:
        say("\n".join(wrapped(phrase("Note: {note}", note=ended(note)), PIPED_WIDTH, rest="  ")))


def warn(words: Value) -> None:
    """A note on stderr, beside what is printed; nobody may be left to read it."""
    from curewatch.language import phrase

    with suppress(OSError):
        write(text_of(phrase("Note: {note}", note=ended(words))), sys.stderr)


def agreed(question: Value) -> bool:
    """Asked at the terminal: yes, in their language or in English, or nothing typed."""
    from curewatch.language import phrase

    yes, no = text_of(phrase("Yes")).casefold(), text_of(phrase("No")).casefold()
    answers = {word[:n]: word == yes for word in (yes, no) for n in range(1, len(word) + 1)}
    answers |= {"y": True, "yes": True, "n": False, "no": False, "": True}
    while True:
        typed = typer.prompt(f"{text_of(question)} [{yes[0].upper()}/{no[0]}]", default="", show_default=False)
        if (said := answers.get(typed.strip().casefold())) is not None:
            return said


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], page: Page) -> str:
    """Rows under heads, as wide as the page; what is longer goes on below."""
    from rich.console import Console  # which what is quick need not wait for
    from rich.table import Table
    from rich.text import Text

    drawn = Table(*heads, box=None, pad_edge=False, header_style="bold" if page.colour else "")
    for row in rows:
        drawn.add_row(*map(Text, row))
    text = io.StringIO()
    Console(file=text, width=page.width, force_terminal=page.colour, color_system="standard").print(drawn)
    return "\n".join(line.rstrip() for line in text.getvalue().splitlines())


def warn_old(old: str, new: str) -> None:
    """On stderr, that something is called otherwise by now."""
    from curewatch.language import phrase

    said = phrase("{old} is called {new} now; the old name goes with the next version.", old=old, new=new)
    write(f"curewatch: {text_of(said)}", sys.stderr)


T = TypeVar("T")


@contextmanager
def working(what: Value) -> Iterator[None]:
    """Within the block a person at a terminal sees that `what` goes on, and for how long; a pipe sees nothing."""
    for _ in each([None], what, counted=False):
        yield


def each(items: Iterable[T], what: Value, *, counted: bool = True, of: int | None = None) -> Iterator[T]:
    """The items one by one, with a bar on the terminal that grows as each is done with; a pipe sees nothing. `of`: how
    many they are, where they do not say."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console  # which what is quick need not wait for
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    bar = (BarColumn(), MofNCompleteColumn()) if counted else ()
    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), *bar, TimeElapsedColumn())
    total = of if of is not None or not counted or not isinstance(items, Sized) else len(items)
    stride = max(1, (total or 0) // BAR_STEPS)  # a million rows are not counted one by one
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(text_of(what), total=total)
        for count, item in enumerate(items, 1):
            yield item
            if count % stride == 0:
                shown.update(task, completed=count)


BAR_STEPS = 500
