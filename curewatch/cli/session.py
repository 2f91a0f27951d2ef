"""Opening the studio that a command is about: settings, store and desk, by option, environment or user folder."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO
from zoneinfo import ZoneInfo

import typer

from curewatch.cli.output import Page, at_terminal, say, say_json, text_of, warn
from curewatch.clock import RELEASED, SystemClock, WatchedClock, plausible
from curewatch.desk import Desk
from curewatch.desk.commands.clock_care import leapt, take_up
from curewatch.desk.refresh.refresher import AT_HAND, Refresher
from curewatch.intake.typed import not_future, parse_time
from curewatch.intake.typed.names import named
from curewatch.language import PLAIN, Reader, phrase, phrase_n, read_by
from curewatch.premises import Premises, find
from curewatch.records.errors import Field, InputError
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.settings import Settings, SettingsError
from curewatch.settings.loading import SYSTEM_CONFIG
from curewatch.store import Store, file_at
from curewatch.store.disk.lock import is_held
from curewatch.studio import wording
from curewatch.views.base import View

FIRST = ("pour", "reading", "recipe", "import", "import-readings")
"""Commands on a desk that may be a store's first, in a folder that is not there yet."""


def premises_of(ctx: typer.Context, *, or_demo: bool = False, tell: bool = True) -> Premises:
    """The settings named by --config, CUREWATCH_CONFIG or the user folder, and the store's place; what the settings
    have that is not known is told on stderr. From then on all is said to whoever reads here. Raises SettingsError."""
    found = find(ctx.obj.config, ctx.obj.store, os.environ, or_demo=or_demo)
    if ctx.obj.new_store:
        Store.open(found.own, backups=found.settings.backup.folder, anew=True).close()
        found = find(ctx.obj.config, ctx.obj.store, os.environ, or_demo=or_demo)
    read_by(replace(PLAIN, zone=found.in_use.tz) if ctx.params.get("as_json") else reader_of(found.in_use))
    for sentence in found.settings.unknown if tell else ():
        warn(phrase("{sentence}; it is ignored", sentence=sentence))
    return found


def settings_of(ctx: typer.Context) -> Settings:
    return premises_of(ctx).settings


@contextmanager
def desk_of(ctx: typer.Context, by: str | None = None) -> Iterator[tuple[Desk, datetime]]:
    """The desk of the store, in the hands of who is named, else of whom the settings name; and now.

    Raises SettingsError, also for a --store that is a slip, StoreError; InputError on a clock that cannot be right.
    """
    premises, clock = premises_of(ctx), WatchedClock(SystemClock())
    if not plausible(now := clock.now()):
        # no date could be told, and none may be written down
        day = f"{RELEASED:%Y-%m-%d}"
        allowed = phrase("a time from {day} on: set this machine's clock, then ask again", day=day)
        raise InputError(Field.CLOCK, f"{now:%Y-%m-%d %H:%M} UTC", allowed)
    settings = premises.in_use
    _refuse_slip(ctx, premises)
    _say_where_else(ctx, premises)
    with Store.open(premises.location, backups=premises.backups) as store:
        if premises.is_demo:
            warn(phrase("this is the demo studio, all of it invented; `curewatch setup` begins your own"))
        take_up(store, clock)
        if (leap := clock.held()) is not None:
            allowed = phrase(
                "a time that is confirmed ({leap}): {command} confirms it",
                leap=leapt(leap),
                command="`curewatch clock --right`",
            )
            raise InputError(Field.CLOCK, f"{leap.shown:%Y-%m-%d %H:%M} UTC", allowed)
        yield Desk(store, settings, settings.by if by is None else named(by, Field.BY)), now


def _say_where_else(ctx: typer.Context, premises: Premises) -> None:
    """Who has a studio of their own from before and forgets `sudo` may mean the one of the machine's service."""
    named = (ctx.obj.config, ctx.obj.store, os.environ.get("CUREWATCH_CONFIG"), os.environ.get("CUREWATCH_STORE"))
    file = file_at(premises.location)
    if any(named) or premises.config == SYSTEM_CONFIG or not SYSTEM_CONFIG.is_file() or file is None or is_held(file):
        return
    said = phrase(
        "this is {store}; the studio that the machine's service watches is another: `{command}` means that one",
        store=premises.location,
        command=f"sudo curewatch {ctx.info_name}",
    )
    warn(said)


def _refuse_slip(ctx: typer.Context, premises: Premises) -> None:
    """A store of --store in a folder that is not there is a slip, unless the command may be its first, which is said.
    Raises SettingsError."""
    typed, file = ctx.obj.store, file_at(premises.location)
    if typed is None or file is None or file.parent.exists() or Store.is_begun(file, premises.backups):
        return
    if ctx.info_name not in FIRST:
        raise SettingsError(
            [f"--store: got {typed!r}, expected a store that is there; there is no folder {file.parent}"]
        )
    warn(phrase("a new store begins: {file}", file=str(file)))


@contextmanager
def fresh_desk_of(ctx: typer.Context, by: str | None = None) -> Iterator[tuple[Desk, datetime]]:
    """As `desk_of`, forecast and decided as of now."""
    with desk_of(ctx, by) as (desk, now):
        refresh_first(desk, now)
        yield desk, now


def refresh_first(desk: Desk, now: datetime) -> None:
    """Forecast and decide as of `now`, before anything is shown.

    A daemon of this store does the same within seconds; so where it would take long, as after a finger test in a full
    studio, what is stored is shown and that is said on stderr.
    """
    left = Refresher(desk).refresh(now, at_most=AT_HAND if desk.store.has_daemon() else None).left
    if left:
        said = phrase_n(
            "the daemon is working out {n} piece anew; the dates shown are from before",
            "the daemon is working out {n} pieces anew; the dates shown are from before",
            left,
        )
        warn(said)


def reader_of(settings: Settings) -> Reader:
    """Whoever reads at this terminal: as the settings say, and where they say nothing as its locale does."""
    return settings.reader.reader(replace(at_terminal(), zone=settings.tz))


def notes_of(remarks: Iterable[Remark]) -> list[str]:
    """What came of something that was logged, a line each."""
    found = list(remarks)
    said = zip(found, map(text_of, wording.notes(found)), strict=True)
    return [f"{text} (`curewatch {_BY[one.kind].format(one.name)}`)" if one.kind in _BY else text for one, text in said]


_BY = {
    RemarkKind.READING_STORED_ALREADY: "undo --room {!r}",
    RemarkKind.READING_AGAIN: "undo --room {!r}",
    RemarkKind.SENSOR_APART: "trust",
    RemarkKind.OTHERWISE: "undo",
}
"""The command by which that is put right, with the name that it is about."""


def moment(typed: str | None, desk: Desk, now: datetime) -> datetime:
    """The moment typed as --at, in the studio's zone; now where none was. Raises InputError."""
    if typed is None:
        return now
    at = parse_time(typed, now=now, zone=desk.settings.tz, field=Field.AT)
    return not_future(at, now, field=Field.AT, given=typed)


def iso(at: datetime | None, tz: ZoneInfo) -> str | None:
    """A moment for JSON: ISO 8601 in the studio's zone, to the second."""
    return None if at is None else at.astimezone(tz).isoformat(timespec="seconds")


def new_path(typed: str, option: Field) -> Path:
    """The path of a file that is to be written; InputError where there is one already."""
    path = Path(typed).expanduser().absolute()
    if path.exists():
        raise InputError(option, typed, phrase("a file that is not there yet"))
    return path


@contextmanager
def new_file(typed: str, option: Field) -> Iterator[BinaryIO]:
    """A file for its owner alone, which bears its name only once it is whole. Raises InputError, OSError."""
    path = new_path(typed, option)
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)  # of a run that was cut off
    try:
        with os.fdopen(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        part.rename(path)
    finally:
        part.unlink(missing_ok=True)


def say_view(kind: str, view: View, **beside: Any) -> None:
    """A view as --json prints it, which is as the API does, with what else there is to say."""
    say_json(kind, **view.model_dump(mode="json"), **beside)


def answer(as_json: bool, kind: str, view: View, text: Callable[[Page], str]) -> None:
    """A view as JSON, or as the page of text that is made of it."""
    if as_json:
        say_view(kind, view)
    else:
        say(text(Page.of(sys.stdout)))
