"""The commands about backups: making one, listing them, and going back to one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import say, say_json, working
from curewatch.cli.session import iso, new_path, premises_of, settings_of
from curewatch.clock import SystemClock
from curewatch.language import phrase
from curewatch.records.errors import Field, InputError
from curewatch.settings import Settings
from curewatch.store import Backup, BackupFailed, back_up, backups_of, file_at, newest
from curewatch.store import restore as bring_back


def backup(
    ctx: typer.Context,
    to: Annotated[
        str | None,
        typer.Option("--to", metavar="FILE", help="A new file for it. Left out: the folder the daemon uses."),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Back up the whole store and check the copy, while the daemon runs."""
    settings = settings_of(ctx)
    # The store is not opened, which would bring its tables up to date: before an upgrade people want a backup.
    with working(phrase("Copying the store")):
        made = back_up(
            _store_of(ctx),
            SystemClock().now(),
            to=None if to is None else new_path(to, Field.TO),
            folder=settings.backup.folder,
        )
    if as_json:
        say_json("backup", path=str(made.path), at=iso(made.at, settings.tz), size_bytes=made.size)
        return
    size = f"{made.size // 1000} kB"
    say(phrase("Backed up to {path} ({size}), and looked through: it is sound.", path=str(made.path), size=size))


def restore(
    ctx: typer.Context,
    file: Annotated[
        str | None, typer.Argument(metavar="[FILE]", help="The backup. Left out: the newest the daemon made.")
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Only list the backups there are.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Restore a backup. The present store is set aside, not deleted. Stop the daemon first."""
    settings, store = settings_of(ctx), _store_of(ctx)
    kept = backups_of(store, settings.backup.folder)
    if listed:
        if file is not None:
            raise InputError(Field.FILE, file, phrase("left out beside --list"))
        _list(kept, settings, as_json=as_json)
        return
    now = SystemClock().now()
    if file is not None:
        chosen = Path(file).expanduser().absolute()
    elif (last := newest(kept, now)) is not None:
        chosen = last.path
    else:
        raise BackupFailed(f"there is no backup of {store} to bring back; name a file that is one")
    with working(phrase("Bringing {file} back", file=chosen.name)):
        done = bring_back(store, chosen, now)
    if as_json:
        before = None if done.before is None else str(done.before)
        say_json("restore", store=str(store), backup=str(done.backup), before=before)
        return
    say(phrase("{store} is again as it was in {backup}.", store=str(store), backup=str(done.backup)))
    if done.before is not None:
        said = phrase(
            "What was there before is kept as {path}; what was logged since the backup is only in it.",
            path=str(done.before),
        )
        say(said)


def _list(kept: list[Backup], settings: Settings, *, as_json: bool) -> None:

    if as_json:
        rows = [{"path": str(one.path), "at": iso(one.at, settings.tz), "size_bytes": one.size} for one in kept]
        say_json("backups", backups=rows)
        return
    for one in reversed(kept):
        say(f"{one.at.astimezone(settings.tz):%Y-%m-%d %H:%M}  {one.size // 1000:>8} kB  {one.path}")
    if not kept:
        say(phrase("There are no backups yet."))


def _store_of(ctx: typer.Context) -> Path:
    """One's own: nothing of a demo is worth keeping."""
    file = file_at(premises_of(ctx).own)
    if file is None:
        raise InputError(
            Field.STORE,
            phrase("a database's address"),
            phrase("a file: databases come with tools of their own for this"),
        )
    return file
