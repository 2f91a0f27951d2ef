"""The commands about the service: run it, check that all it needs is there, its page's password and certificate."""

from __future__ import annotations

import sys
import threading
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from curewatch.cli import options
from curewatch.cli.exits import Exit
from curewatch.cli.output import WIDTHS, Page, ended, say, say_json, table, text_of, wrapped
from curewatch.cli.session import desk_of, iso, premises_of, settings_of
from curewatch.cli.texts import board_text
from curewatch.clock import SystemClock
from curewatch.daemon import (
    AGAIN,
    Daemon,
    Doors,
    Finding,
    Job,
    Level,
    Surroundings,
    Verdict,
    jobs_at,
    look,
    send_test,
    signal_handlers,
)
from curewatch.language import Words, phrase, reads
from curewatch.premises import Changes, Premises, run_after_run
from curewatch.records.errors import Field, InputError
from curewatch.settings import machine
from curewatch.settings.loading import SYSTEM_CONFIG, SYSTEM_STORE
from curewatch.settings.page import PAGE_PASSWORD
from curewatch.settings.values import CREDSTORE, held_at
from curewatch.settings.writing import edited, write_whole
from curewatch.studio.board import Board
from curewatch.views.board import BoardOut
from curewatch.web.access.certificates import DAYS_MOST, as_code, make_pair
from curewatch.web.access.credentials import hash_of

TEST_WITHIN_S = 20.0
"""How long `check --send-test` waits for its notice to arrive."""


def run(
    ctx: typer.Context,
    or_demo: Annotated[
        bool, typer.Option("--or-demo", help="Until your own studio is begun, an invented one in a store of its own.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Log only what is wrong.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log every look at the studio.")] = False,
    log: Annotated[
        str, typer.Option("--log", metavar="text|json", help="How: in lines for people, or a JSON object a line.")
    ] = "text",
) -> None:
    """Watch the studio until Ctrl-C: take readings, forecast, raise alarms, send notices."""
    if log not in ("text", "json"):
        raise InputError(Field.LOG, log, phrase("{one} or {other}", one="text", other="json"))
    level = Level.QUIET if quiet else Level.VERBOSE if verbose else Level.NORMAL

    def built() -> Premises:
        return premises_of(ctx, or_demo=or_demo, tell=False)

    ending, wake = threading.Event(), threading.Event()

    def stop() -> None:
        ending.set()
        wake.set()

    with closing(Doors()) as doors, signal_handlers(stop):

        def one_run(on: Premises) -> int:
            around = Surroundings(on.config_to_be, on.own, Changes(on, built), doors, on.refused, ending, wake)
            daemon = Daemon(
                on.in_use, on.location, SystemClock(), level=level, log_json=log == "json", surroundings=around
            )
            return daemon.run(demo=on.is_demo, show=lambda board: _show(board, on.in_use.tz))

        raise typer.Exit(run_after_run(built, one_run, again=AGAIN))


def _show(board: Board, tz: ZoneInfo) -> None:
    say(board_text.text(BoardOut.of(board, tz), Page.of(sys.stdout)))


def check(
    ctx: typer.Context,
    send_test: Annotated[
        bool, typer.Option("--send-test", help="Also write a test notice, and say whether it arrived.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Look at the settings, the clock, store, disk and files, the page, the broker, each sensor and who is told.

    What is amiss ends with the one thing to do about it; below stands what is done by the clock, and when. Exit code 1
    if something fails.
    """
    on, clock = premises_of(ctx, tell=False), SystemClock()
    findings = look(on.in_use, on.location, clock, config=on.config)
    if send_test:
        findings = [*findings, _send_test(ctx)]
    failed = any(finding.verdict is Verdict.FAIL for finding in findings)
    running = any(finding.name == "daemon" and finding.verdict is Verdict.OK for finding in findings)
    now, tz = clock.now(), on.in_use.tz
    jobs = jobs_at(on.location, on.in_use, now, running=running)
    if as_json:
        rows = [
            job._asdict() | {"does": str(job.does), "last_at": iso(job.last_at, tz), "next_at": iso(job.next_at, tz)}
            for job in jobs
        ]
        say_json("check", ok=not failed, findings=[finding._asdict() for finding in findings], jobs=rows)
    else:
        for name, verdict, sentence, do in findings:
            say(f"{verdict.upper():<5} {name:<12} {f'{ended(sentence)} To do: {do}' if do else sentence}")
        if jobs:
            say(f"\n{_by_the_clock(jobs, now, running=running)}")
    raise typer.Exit(Exit.FAILED if failed else Exit.DONE)


def _by_the_clock(jobs: list[Job], now: datetime, *, running: bool) -> str:
    def told(at: datetime | None, otherwise: Words) -> str:
        return text_of(otherwise) if at is None else reads().date(at, now)

    nothing = phrase("nothing waits") if running else phrase("once a daemon runs")
    rows = [
        (one.id, text_of(one.does), told(one.last_at, phrase("never yet")), told(one.next_at, nothing)) for one in jobs
    ]
    heads = (phrase("by the clock"), phrase("what is done"), phrase("last"), phrase("next"))
    return table(list(map(text_of, heads)), rows, Page.of(sys.stdout))


def _send_test(ctx: typer.Context) -> Finding:
    """A test notice through every channel: by the daemon if one runs, else from here."""
    with desk_of(ctx) as (desk, now):
        return send_test(desk, now, SystemClock(), within_s=TEST_WITHIN_S)


def password(
    ctx: typer.Context,
    file: Annotated[
        str | None,
        typer.Argument(metavar="[FILE]", help="The file to write; left out: the one set, else one that is then set."),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Set the password of the page: asks for it twice, or reads one line where the input is no terminal."""
    on = premises_of(ctx)
    known = on.settings.web.password_file
    path = Path(file).expanduser() if file else held_at(known or private_folder(on.config_to_be) / PAGE_PASSWORD)
    held = asked_password()
    try:
        write_whole(path, held)
    except OSError as error:
        raise InputError(
            Field.FILE, str(path), phrase("a file that can be written ({why})", why=error.strerror or "")
        ) from None
    edit = None if file or known else edited(on.config_to_be, {"web.password_file": str(path)})
    if edit is not None:
        edit.write()
    if as_json:
        say_json("password", file=str(path.absolute()), difference=edit.difference if edit else "")
        return
    if file:
        setting = f"[web] password_file = {str(path.absolute())!r}"
        say(phrase("{file} holds a hash of it. In the settings: {setting}", file=str(path), setting=setting))
        return
    say(phrase("{file} holds a hash of it.", file=str(path)))
    if edit:
        say(edit.difference)
    if path.parent == CREDSTORE:
        say(phrase("The service is handed it at its next start: {command}.", command="`systemctl restart curewatch`"))


def private_folder(config: Path) -> Path:
    """Where a secret goes that the daemon of these settings reads: beside them; of the machine's, beside its store."""
    return SYSTEM_STORE.parent if config == SYSTEM_CONFIG else config.parent


def certificate(
    ctx: typer.Context,
    folder: Annotated[str, typer.Argument(metavar="FOLDER", help="Where to put the pair; over what is there.")] = ".",
    name: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="HOST", help="A name or address people type; left out: all that are known."),
    ] = None,
    days: Annotated[
        int, typer.Option("--days", min=1, max=DAYS_MOST, help=f"How long it holds, up to {DAYS_MOST}.")
    ] = DAYS_MOST,
    as_json: options.AsJson = False,
) -> None:
    """Make a certificate and its key, so that the page is served by https without a proxy; nobody vouches for it."""
    known = sorted(settings_of(ctx).web.allowed_hosts - {"localhost", "127.0.0.1", "::1"})
    here = (*machine.names(), *machine.addresses(), "localhost", "127.0.0.1")
    names = list(dict.fromkeys(name or [*known, *here]))
    try:
        pair = make_pair(Path(folder).expanduser().absolute(), names, days)
    except OSError as error:
        raise InputError(
            Field.FILE, folder, phrase("a folder that can be written to ({why})", why=error.strerror or "")
        ) from None
    if as_json:
        told = {"certificate": str(pair.certificate), "key": str(pair.key), "fingerprint": pair.fingerprint}
        told["authority"] = str(pair.authority)
        say_json("certificate", **told, names=names, days=days)
        return
    lie = phrase(
        "{certificate} and {key} lie in {folder}, for {names}.", certificate=pair.certificate.name, key=pair.key.name,
        folder=str(pair.certificate.parent), names=", ".join(names),
    )  # fmt: skip
    say(lie)
    setting = f"[web] certificate = {str(pair.certificate)!r}, key = {str(pair.key)!r}"
    say(phrase("In the settings: {setting}", setting=setting))
    vouches = phrase(
        "Nobody vouches for it, so a browser warns once. It is the right one if what the browser shows as its SHA-256 "
        "fingerprint is this, which the code tells to a phone's camera:"
    )
    say("\n".join(wrapped(vouches, WIDTHS[1])))
    say(pair.fingerprint)
    if Page.of(sys.stdout).unicode:
        say(as_code(pair.fingerprint))
    said = phrase(
        "A phone that is to work out of reach too has to trust {authority}: {command}",
        authority=pair.authority.name,
        command="curewatch help phone",
    )
    say(said)


def asked_password() -> bytes:
    """The hash of a password that is asked for twice, or read as one line where the input is no terminal."""
    typed = (
        typer.prompt(
            text_of(phrase("Password of the page")), hide_input=True, confirmation_prompt=text_of(phrase("Once more"))
        )
        if sys.stdin.isatty()
        else sys.stdin.readline().rstrip("\r\n")
    )
    try:
        return hash_of(typed).encode() + b"\n"
    except ValueError as error:
        raise InputError(Field.PASSWORD, f"{len(typed)} characters", str(error)) from None
