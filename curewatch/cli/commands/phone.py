"""Making the page reachable from a phone: what has to be set for it, written into the settings, and a code to scan."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit

import typer

from curewatch.cli import options
from curewatch.cli.commands.daemon import asked_password, private_folder
from curewatch.cli.output import Page, agreed, ended, say, say_json
from curewatch.cli.session import premises_of
from curewatch.language import phrase
from curewatch.records.errors import Field, InputError
from curewatch.settings import SettingsError, WebSettings, machine
from curewatch.settings.page import CERTIFICATE, IN_THE_CLEAR
from curewatch.settings.setting_up import phone_changes, way_by
from curewatch.settings.writing import Edit, Key, edited, write_whole
from curewatch.web.access.certificates import (
    DAYS_MOST,
    as_code,
    authority_of,
    fingerprint_of,
    make_pair,
)


def phone(
    ctx: typer.Context,
    address: Annotated[
        str | None,
        typer.Option("--address", metavar="URL", help="What phones type; left out: the one set, else one found."),
    ] = None,
    https: Annotated[
        bool, typer.Option("--https", help="Also make a certificate, so that the password cannot be read on its way.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before the settings are written.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be written.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Make the page reachable from a phone, and show the code that opens it there."""
    on = premises_of(ctx)
    web, file = on.settings.web, on.config_to_be
    edit = edited(file, _changes(web, file, address, https=https))
    after = edit.settings.web
    if web.password_file is not None:
        web.password_hash()  # one that cannot be read is told of before anything is written
    asks = sys.stdin.isatty() and not yes
    if edit.difference and not as_json:
        say(f"{edit.difference}\n")
    if edit.difference and not dry_run and (as_json or not asks or agreed(phrase("Write this?"))):
        _write(edit, web, https=https)
    elif edit.difference:
        say(phrase("Nothing was written.")) if not as_json else None
    if as_json:
        ways = list(after.ways)
        say_json("phone", address=after.reached_at, addresses=ways, file=str(file), difference=edit.difference)
    else:
        _tell(after)


def _changes(web: WebSettings, file: Path, address: str | None, *, https: bool) -> dict[Key, Any]:
    """What has to be set. Who set an address knows it best."""
    found, folder = machine.addresses(), private_folder(file)
    beside = Path() if folder == file.parent else folder
    way = None if address is None else address.rstrip("/")
    if way is None and web.trusted_proxies and web.reached_at is None:
        allowed = phrase("the address at which the proxy of web.trusted_proxies is opened")
        raise InputError(Field.ADDRESS, None, allowed)
    if way is None and (web.reached_at is None or web.gone_address or (https and not web.is_secure)):
        named = machine.names()[:1] if machine.answers_by_name() else ()
        known = () if web.reached_at is None or web.gone_address else (urlsplit(web.reached_at).hostname,)
        if (host := next(iter((*known, *named, *found)), None)) is None:
            raise InputError(Field.ADDRESS, None, phrase("what phones type: no network that leads here can be seen"))
        way = way_by(web, host, https=https)
    v6 = bool(found) and all(":" in one for one in found)
    return phone_changes(web, way, https=https, v6=v6, beside=beside)


def _write(edit: Edit, before: WebSettings, *, https: bool) -> None:
    """First what the settings name, then the settings: a cut leaves a file too many, never one too few."""
    after, folder = edit.settings.web, private_folder(edit.file)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if before.password_file is None and after.password_file is not None:
            write_whole(after.password_file, asked_password())
        if https and before.certificate is None:
            here = (urlsplit(after.shown_address).hostname or "", *machine.names(), *machine.addresses())
            make_pair(folder, list(dict.fromkeys((*here, "localhost", "127.0.0.1"))), DAYS_MOST)
    except OSError as error:
        raise SettingsError([f"{folder}: cannot be written to: {error.strerror}"]) from None
    edit.write()


def _tell(web: WebSettings) -> None:
    say(phrase("While the daemon runs, which takes it up within seconds, the page is at"))
    for way in web.ways:
        say(f"  {way}")
    if not web.is_secure:
        say(phrase("Note: {note}", note=ended(IN_THE_CLEAR)))
    if web.certificate is not None and web.certificate.name == CERTIFICATE and web.certificate.exists():
        say(
            phrase(
                "Nobody but you vouches for its certificate: it is the right one if the phone shows this fingerprint:"
            )
        )
        say(fingerprint_of(web.certificate))
        if authority_of(web.certificate) is not None:
            say(
                phrase(
                    "With its authority trusted, the phone works out of reach too: {command}",
                    command="curewatch help phone",
                )
            )
    if (there := web.reached_at) is not None and Page.of(sys.stdout).unicode:
        say(phrase("Point the phone's camera at this, which is {address}:", address=there))
        say(as_code(there))
