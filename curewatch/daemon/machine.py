"""What `curewatch check` finds of the machine: its clock, its disks, whose the files are, the page's port and
certificate."""

from __future__ import annotations

import errno
import os
import shutil
import socket
import ssl
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from enum import StrEnum
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from pydantic import BaseModel

from curewatch.clock import Clock, plausible
from curewatch.settings import Settings, SettingsError, WebSettings
from curewatch.settings.page import CERTIFICATE, KEY
from curewatch.studio.wording import span


class Verdict(StrEnum):
    OK = "ok"
    WARN = "warn"
    """Works, but somebody may want it otherwise."""
    FAIL = "fail"


class Finding(NamedTuple):
    """One thing looked at, in a sentence for people."""

    name: str
    verdict: Verdict
    sentence: str
    do: str = ""
    """The one thing to do about it; what is typed, in a shell or in the settings, stands in backticks."""


WITHIN_S = 3.0
MARK = "content-security-policy"
"""A header that every answer of ours carries: another program on that port is told apart by it."""
ENDS_SOON = timedelta(days=21)
OFF, FAR_OFF = timedelta(minutes=2), timedelta(hours=1)
"""So far two clocks may differ; and so far that dates and quiet hours come to be wrong."""
LITTLE, TOO_LITTLE = 200e6, 20e6
"""Room on a disk [bytes]: some weeks of readings, and hardly a backup."""
IN_THE_CLEAR, HTTPS = "the password goes there in the clear", "`curewatch phone --https`, or put a proxy before it"


# --- the clock ---


def clock_finding(settings: Settings, clock: Clock, environ: Mapping[str, str]) -> Finding:
    """Against what web servers say that the settings name: they tell their time with every answer, brokers do not."""
    now = clock.now()
    shows = f"shows {now:%Y-%m-%d %H:%M} UTC"
    set_it = "set this machine's clock, as by `timedatectl set-ntp true`"
    if not plausible(now):
        return Finding("clock", Verdict.FAIL, f"{shows}, which cannot be", set_it)
    for address in _web_addresses(settings, environ):
        told = _time_at(address)
        if told is None:
            continue
        off = told - clock.now()
        if abs(off) > OFF:
            by = f"{span(abs(off))} {'behind' if off > timedelta(0) else 'ahead of'} what {address.hostname} says"
            return Finding("clock", Verdict.FAIL if abs(off) > FAR_OFF else Verdict.WARN, f"{shows}, {by}", set_it)
        return Finding("clock", Verdict.OK, f"{shows}, as {address.hostname} does")
    return Finding("clock", Verdict.OK, shows)


def _web_addresses(settings: Settings, environ: Mapping[str, str]) -> Iterator[Any]:
    if settings.heartbeat is not None:
        with suppress(SettingsError):
            yield urlsplit(settings.heartbeat.address(environ).get_secret_value())
    if settings.webhook is not None:
        yield urlsplit(settings.webhook.url)


def _time_at(address: Any) -> datetime | None:
    """By the Date of an answer (RFC 9110, section 6.6.1); nothing is asked for that could mean something there."""
    of = HTTPSConnection if address.scheme == "https" else HTTPConnection
    try:
        with closing(of(address.hostname, address.port, timeout=WITHIN_S)) as asking:
            asking.request("HEAD", "/")
            told = parsedate_to_datetime(asking.getresponse().headers["date"])
            return told if told.tzinfo else told.replace(tzinfo=UTC)
    except (OSError, HTTPException, TypeError, ValueError):
        return None


# --- disks and files ---


def disk_findings(settings: Settings, store: Path) -> Iterator[Finding]:
    """Of the disks that the store and its backups are on; and whether there can be backups."""
    kept = settings.backup.folder or store.parent / "backups"
    seen = set()
    for folder in (_there(store.parent), _there(kept)):
        if (disk := folder.stat().st_dev) in seen:
            continue
        seen.add(disk)
        free = shutil.disk_usage(folder).free
        verdict = Verdict.FAIL if free < TOO_LITTLE else Verdict.WARN if free < LITTLE else Verdict.OK
        do = "" if verdict is Verdict.OK else f"make room on the disk of {folder}: {LITTLE / 1e6:.0f} MB at least"
        yield Finding("disk", verdict, f"{'only ' if do else ''}{_size(free)} are free where {folder} is", do)
    above = _there(kept)
    if settings.backup.every_h and not (above.is_dir() and os.access(above, os.W_OK | os.X_OK)):
        do = f'let this user write there, or name another folder: `backup.folder = "{store.parent / "backups"}"`'
        yield Finding("backups", Verdict.FAIL, f"{kept} cannot be written, so none can be made", do)


def _there(path: Path) -> Path:
    """The path, or the next one above it that exists."""
    return next(one for one in (path, *path.parents) if one.exists())


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"


def file_findings(settings: Settings, store: Path) -> Iterator[Finding]:
    """Files that others may read, or that the store's owner cannot."""
    if not store.exists():
        return
    owner = store.stat().st_uid
    beside = [one for one in store.parent.glob(f"{store.name}*") if one.stat().st_uid != owner]
    if beside:
        names = " ".join(map(str, sorted(beside)))
        said = f"{names}: of another owner than the store, so that a daemon of its user is refused"
        yield Finding("files", Verdict.FAIL, said, f"as root: `chown --reference={store} {names}`")
    for key, path in [("the store", store), *_secrets(settings)]:
        with suppress(OSError):
            if path.stat().st_mode & 0o004:
                yield Finding("files", Verdict.WARN, f"{path} ({key}) may be read by everybody", f"`chmod o= {path}`")


def _secrets(table: BaseModel, above: str = "") -> Iterator[tuple[str, Path]]:
    """The files of the settings that hold a secret, with their keys."""
    for name in type(table).model_fields:
        value = getattr(table, name)
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, BaseModel):
                yield from _secrets(one, f"{above}{name}.")
        if isinstance(value, Path) and name != "ca_file" and (name.endswith("_file") or name == "key"):
            yield f"{above}{name}", value


def put_secret(file: Path | None, variable: str | None, what: str) -> str:
    """What to do where a secret cannot be had."""
    return f"write {what} into {file}, and nothing else" if file else f"set {variable} in the daemon's environment"


# --- the page ---


class PageFound(NamedTuple):
    trouble: str | None
    """What keeps it from being opened; None where it answers."""
    do: str = ""
    """Where nothing is said, a new certificate helps."""
    certificate_ends: datetime | None = None


def page_finding(settings: Settings, beside: Path, now: datetime, *, running: bool, unserved: bool = False) -> Finding:
    """Whether it may be served so; where a daemon serves it, whether it answers, else whether one could.

    `beside`: the folder of the settings file; `unserved`: the daemon that runs could not have the port.
    """
    web = settings.web
    if not web.enabled:
        return Finding("page", Verdict.OK, "not served: web.enabled is false")
    certify = _certify(web, beside)
    try:
        web.password_hash()
    except SettingsError as error:
        do = f"`curewatch password {web.password_file}`" if web.password_file else "`curewatch phone` sets one"
        return Finding("page", Verdict.FAIL, str(error), do)
    try:
        web.tls()
    except SettingsError as error:
        return Finding("page", Verdict.FAIL, str(error), certify)
    found = page_found(web) if running and not unserved else port_found(web)
    if unserved and found.trouble is None:
        found = PageFound(f"the daemon could not have port {web.port} when it began", "start the daemon anew")
    if found.trouble is not None:
        return Finding("page", Verdict.FAIL, found.trouble, found.do or certify)
    said = f"answers at {web.shown_address}" if running else f"will be at {web.shown_address} while the daemon runs"
    if found.certificate_ends is not None and found.certificate_ends - now < ENDS_SOON:
        ends = f"{said}; its certificate {web.certificate} is over on {found.certificate_ends:%Y-%m-%d}"
        return Finding("page", Verdict.WARN, ends, certify)
    if (gone := web.gone_address) is not None:
        word = f"{said}; {gone} is no address of this machine any more"
        return Finding("page", Verdict.WARN, word, "set the new one: `curewatch phone`")
    if not web.is_loopback and not web.is_secure:
        return Finding("page", Verdict.WARN, f"{said}; {IN_THE_CLEAR}", HTTPS)
    return Finding("page", Verdict.OK, said)


def port_found(web: WebSettings) -> PageFound:
    """Whether a daemon that begins now could serve it; and when its certificate is over."""
    try:
        family = socket.AF_INET6 if ":" in web.host else socket.AF_INET
        with socket.create_server((web.host, web.port), family=family):
            pass
    except OSError as error:
        if error.errno != errno.EADDRINUSE:
            do = 'let it serve this machine: `web.host = "127.0.0.1"`'
            return PageFound(f"nothing can be served on {web.host}:{web.port}: {error.strerror or error}", do)
        return PageFound(f"port {web.port} is taken by another program", _other_port(web.host))
    try:
        return PageFound(None, certificate_ends=_ends(_shown(web)))
    except ssl.SSLError as error:
        return _not_trusted(web, str(web.certificate), error)


def _shown(web: WebSettings) -> Any:
    """The certificate as a visitor would see it, whom a handshake in memory stands for. Raises ssl.SSLError."""
    if (serves := web.tls()) is None:
        return None
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    sides = _trusting(web).wrap_bio(back, there), serves.wrap_bio(there, back, server_side=True)
    for side in sides * 2:
        with suppress(ssl.SSLWantReadError):
            side.do_handshake()
    return sides[0].getpeercert()


def _not_trusted(web: WebSettings, what: str, error: ssl.SSLError) -> PageFound:
    why = getattr(error, "verify_message", "") or error.reason
    return PageFound(f"the certificate {what} is over, or another than the daemon's: {why}")


def _certify(web: WebSettings, beside: Path) -> str:
    folder = web.certificate.parent if web.certificate else beside
    made = {"certificate": folder / CERTIFICATE, "key": folder / KEY}
    there = made == {"certificate": web.certificate, "key": web.key}
    named = "" if there else "".join(f', `web.{key} = "{path}"`' for key, path in made.items())
    return f"`curewatch certificate {folder}`{named and f' and in the settings{named[1:]}'}"


def _other_port(host: str) -> str:
    with socket.create_server((host, 0), family=socket.AF_INET6 if ":" in host else socket.AF_INET) as free:
        return f"end that one, or name a free port: `web.port = {free.getsockname()[1]}`"


def page_found(settings: WebSettings) -> PageFound:
    """Asked for is a file that is handed out without a password, at the address that the daemon serves on."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)
    place = f"{settings.scheme}://{f'[{host}]' if ':' in host else host}:{settings.port}"
    look = "look what the daemon logs, and start it anew"
    try:
        asking = _asking(settings, host)
        with closing(asking):
            asking.connect()
            held = asking.sock.getpeercert() if isinstance(asking.sock, ssl.SSLSocket) else None
            asking.request("GET", "/static/page.css")
            answer = asking.getresponse()
    except ssl.SSLCertVerificationError as error:
        return _not_trusted(settings, f"{settings.certificate} at {place}", error)
    except TimeoutError:
        return PageFound(f"nothing answers at {place} (not within {WITHIN_S:g} s)", look)
    except (OSError, HTTPException):
        return PageFound(f"nothing answers at {place} (the connection was refused or broken off)", look)
    if answer.status != 200 or MARK not in answer.headers:
        return PageFound(f"something else answers on port {settings.port}", _other_port(host))
    return PageFound(None, certificate_ends=_ends(held))


def _asking(settings: WebSettings, host: str) -> HTTPConnection:
    if settings.certificate is None:
        return HTTPConnection(host, settings.port, timeout=WITHIN_S)
    return HTTPSConnection(host, settings.port, timeout=WITHIN_S, context=_trusting(settings))


def _trusting(settings: WebSettings) -> ssl.SSLContext:
    trusts = ssl.create_default_context(cafile=settings.certificate)
    trusts.check_hostname = False  # it is for the name that people type, and asked here is this machine
    trusts.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # this very certificate, whoever vouches for it elsewhere
    return trusts


def _ends(held: Any) -> datetime | None:
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(str(held["notAfter"])), UTC) if held else None
