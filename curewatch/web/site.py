"""What every page is made from: the desk, the clock, the templates, who asks, and what is worked out once for many."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import logging
import os
import re
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, TypeVar
from urllib.parse import quote

from cachetools import TTLCache, cached
from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from jinja2.ext import Extension
from starlette.datastructures import FormData

from curewatch.clock import Clock, WatchedClock
from curewatch.desk import Desk, PourOrder
from curewatch.desk.desk import SentBefore, fact_count
from curewatch.desk.refresh.refresher import AT_HAND, Refresher
from curewatch.desk.reports import planning
from curewatch.desk.reports.board import BoardCache
from curewatch.desk.reports.piece import PieceReport
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.intake.mqtt.status import MqttStatus
from curewatch.language import Reader, lines_of, read_by, reads
from curewatch.language.words import Text
from curewatch.records import MilestoneKind
from curewatch.records.errors import Field, InputError
from curewatch.settings import WebSettings
from curewatch.store import Store
from curewatch.studio.alarms import damage
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.drying_curve import DryingCurve
from curewatch.studio.outlook.outlook import Outlook
from curewatch.studio.planning.advice import Advice
from curewatch.studio.wording import percent
from curewatch.web.access.bodies import PHOTO
from curewatch.web.access.credentials import PasswordCheck, Sessions, Tokens
from curewatch.web.access.guard import Visitor
from curewatch.web.form_units import FormUnits
from curewatch.web.reading import phrase, reader_of
from curewatch.web.scarce import CostlyAnswers, Streams
from curewatch.web.texts import CHOICES, Words, capital


class RefreshQueue:
    """A look that has not begun sees whatever was logged until it does, so it stands for all who ask meanwhile.

    Without that, thirty finger tests typed while a full studio is forecast would leave thirty threads in a queue, each
    to look again, and by the time of when it was asked for. Safe to use from several threads.
    """

    def __init__(self, look: Callable[[datetime], object]) -> None:
        """`look` is handed the time when it was last asked for; it must not raise."""
        self._look, self._turn, self._lock = look, threading.Lock(), threading.Lock()
        self._waiting: threading.Thread | None = None
        self._now: datetime | None = None

    def ask(self, now: datetime) -> threading.Thread:
        """Have the studio looked at; the thread that ends with that look."""
        with self._lock:
            self._now = now
            if self._waiting is None:
                # daemon: a look that takes long must not keep the process from ending
                look = threading.Thread(target=self._run, name="page-look", daemon=True)
                look.start()
                self._waiting = look
            return self._waiting

    def _run(self) -> None:
        with self._turn:
            with self._lock:
                now, self._waiting = self._now, None
            assert now is not None  # it was asked for
            self._look(now)


T = TypeVar("T")
Kept = Callable[[str, Callable[[], T]], T]
"""What is worked out once for many: by its key, else as it is made."""


def kept_for(lasts: timedelta, clock: Clock) -> Kept[Any]:
    """Keeps at most 64 things by key, each for `lasts`. Safe to use from several threads; two may make the same."""

    @cached(TTLCache(64, lasts.total_seconds(), clock.monotonic), key=lambda key, make: key, lock=threading.Lock())
    def kept(key: str, make: Callable[[], T]) -> T:
        return make()

    return kept


log = logging.getLogger(__name__)
FIELDS_MOST = 60
KEPT_FOR = {
    "curves": timedelta(days=1),
    "advice": timedelta(minutes=30),
    "outlooks": timedelta(minutes=10),
    "plans": timedelta(minutes=5),
    "estimates": timedelta(days=1),
}
PATIENCE_S = 2.0
"""How long an answer waits for the dates that follow from what was logged [s], as while the daemon looks itself."""


@dataclass(frozen=True)
class Upkeep:
    """What setting up needs of the process that serves the page."""

    config: Path
    """The settings file, there or not."""
    own: str
    """The place of one's own store."""
    is_demo: bool
    """Whether all that is shown is invented."""
    late: Callable[[], datetime | None]
    """Since when nothing moves on; None while it does."""
    hearing: Callable[[], MqttStatus | None]
    """What the intake has seen; None where there is no broker."""
    leaving: threading.Event
    """Set once that is under way: what is asked then is for the next run to answer."""
    refused: str
    """Why the settings as they are written could not be taken up; empty where they were."""
    again: Callable[[], object]
    """Has everything built anew of settings and store as they are then, a moment after the answer."""
    service: str = ""
    """The command that has the daemon start with the machine; empty where it does, or where no command can."""

    @property
    def may_write(self) -> bool:
        """Whether this process may write the settings; the machine's service may not, they are root's."""
        return os.access(next(one for one in self.config.parents if one.exists()), os.W_OK)


@dataclass(frozen=True)
class Site:
    """One served studio."""

    refresher: Refresher
    clock: WatchedClock
    settings: WebSettings
    sessions: Sessions
    tokens: Tokens
    password_check: PasswordCheck | None
    """None where there is no password."""
    logged: Callable[[], object]
    """Called after somebody has logged something: the daemon looks again."""
    ending: threading.Event
    """Set when the server is about to end: what goes on for ever ends itself."""
    upkeep: Upkeep | None = None
    """None where the page is served by itself: nothing can be set up then."""
    boards: BoardCache = field(init=False)
    refreshes: RefreshQueue = field(init=False)
    curves: Kept[DryingCurve | None] = field(init=False)
    advice: Kept[tuple[datetime, list[Advice]]] = field(init=False)
    """With when it was worked out: what a change would do moves little from one reading to the next."""
    outlooks: Kept[Outlook | None] = field(init=False)
    plans: Kept[planning.Plan] = field(init=False)
    estimates: Kept[Any] = field(init=False)
    """Of pours that nobody has made: they hang on nothing that is stored."""
    pending: dict[str, Any] = field(default_factory=dict)
    """Changes of the settings that were shown and not yet written, by what names them on the page."""
    costly: CostlyAnswers = field(default_factory=CostlyAnswers)
    streams: Streams = field(default_factory=Streams)

    def __post_init__(self) -> None:
        made = {"boards": BoardCache(self.desk, self.clock.monotonic), "refreshes": RefreshQueue(self._look)}
        made |= {name: kept_for(lasts, self.clock) for name, lasts in KEPT_FOR.items()}
        for name, one in made.items():
            object.__setattr__(self, name, one)

    def link_to(self, drying: Drying) -> str | None:
        """What a piece's code says; None where it would open nothing on a phone."""
        there = self.settings.reached_at
        return there and f"{there}/p/{self.sessions.label_code(drying.piece.id)}"

    @property
    def late(self) -> datetime | None:
        """Since when the daemon has not got anything done that it should have; None while it does."""
        return None if self.upkeep is None else self.upkeep.late()

    @property
    def desk(self) -> Desk:
        return self.refresher.desk

    def reader(self, request: Request) -> Reader:
        """Whoever asks."""
        said = request.headers.get("accept-language", "")
        return reader_of(self.desk.settings, visitor_of(request).name, said, request.cookies)

    def words(self, now: datetime) -> Words:
        """What is said to whoever asks."""
        return Words(now, reads())

    def own_words(self, now: datetime) -> Words:
        """What is said to nobody in particular: in the studio's language and units."""
        return Words(now, self.desk.settings.studio_reader)

    def advised(self, report: PieceReport, seen: Snapshot | None, now: datetime) -> tuple[datetime, list[Advice]]:
        """What a change would do to a piece, and when that was worked out: it takes a second, so it is kept."""
        key = f"{report.drying.piece.id} {report.drying.facts} {[(one.kind, one.raised_at) for one in report.alarms]}"
        return self.advice(key, lambda: (now, planning.advice(self.desk, report, now, seen)))

    def planned(
        self, order: PourOrder, due: datetime, pieces: int, kind: MilestoneKind, now: datetime
    ) -> planning.Plan:
        """As `planning.plan`; kept for a while in spite of readings, from which one to the next it moves little."""
        with self.desk.store.read() as tx:
            facts = fact_count(tx)
        key = f"{due} {pieces} {kind} {facts} {replace(order, at=due)}"
        return self.plans(key, lambda: planning.plan(self.desk, order, due, pieces, kind, now))

    def changed(self, now: datetime) -> None:
        """Something was logged: forecast it at once, and wake the daemon. The answer waits for that a moment only.

        In a full studio one finger test moves the dates of a thousand pieces, and nobody wants to look at a page that
        does not come for as long as that takes. An open page renews itself once they are there.
        """
        self.boards.wake()
        self.refreshes.ask(now).join(PATIENCE_S)

    def _look(self, now: datetime) -> None:
        """Many pieces are left to the daemon's own loop: what a thread here had given to other processes
        (`desk/refresh/forecasts.py`), Python would wait for at the end, after the store was closed."""
        try:
            self.refresher.refresh(now, at_most=AT_HAND)
        except Exception as error:  # what was logged is stored; the daemon, woken, tries again
            if not self.ending.is_set():
                log.warning("the look after something was logged failed: %s: %s", type(error).__name__, error)
        finally:
            self.logged()


class StalePage(Exception):
    """A form without its token: the page was open for too long, or is not ours."""


def site_of(request: Request) -> Site:
    site: Site = request.app.state.site
    return site


def visitor_of(request: Request) -> Visitor:
    visitor: Visitor = request.state.visitor
    return visitor


async def here(request: Request) -> Site:
    return site_of(request)


async def acting(request: Request) -> Desk:
    """The desk in the hands of whoever asks: the name of their link or token stands beside what is logged."""
    return site_of(request).desk.used_by(visitor_of(request).name)


async def typed(request: Request) -> AsyncIterator[FormData]:
    """A form of ours, its token checked; with a file only where one is sent."""
    files = int(request.url.path.endswith(PHOTO))
    form = await request.form(max_files=files, max_fields=FIELDS_MOST)
    visitor, sessions = visitor_of(request), site_of(request).sessions
    if visitor.session is None or not sessions.is_form_token(str(form.get("token", "")), visitor.session):
        await form.close()
        raise StalePage
    try:
        yield form
    finally:
        await form.close()


async def sending(form: Annotated[FormData, Depends(typed)], desk: Annotated[Desk, Depends(acting)]) -> Desk:
    """As `acting`, with the number that a device sends a form under, which is to count once.

    SentBefore where it came before: whatever it says now, a name that is taken meanwhile above all, is answered.
    """
    number = text_of(form, "sent")
    if not number:
        return desk
    if _NUMBER.fullmatch(number) is None:
        raise InputError(Field.NUMBER, number, phrase("16 to 64 letters, digits and hyphens"))
    await asyncio.to_thread(_once, desk.store, number)
    return replace(desk, sent=number)


_NUMBER = re.compile(r"[0-9A-Za-z-]{16,64}")


def _once(store: Store, number: str) -> None:
    with store.read() as tx:
        if (came_of_it := tx.came_of(number)) is not None:
            raise SentBefore(*came_of_it)


# What the pages depend on is async, for FastAPI sends whatever is not through a thread of its own.
Here = Annotated[Site, Depends(here)]
Acting = Annotated[Desk, Depends(acting)]
Sending = Annotated[Desk, Depends(sending)]
Typed = Annotated[FormData, Depends(typed)]


def text_of(form: FormData | Mapping[str, str], name: str) -> str:
    """What stands in a field, trimmed; empty where it is missing."""
    return str(form.get(name, "")).strip()


def page(request: Request, name: str, now: datetime, status: int = 200, **values: Any) -> HTMLResponse:
    """One page from its template."""
    site, visitor = site_of(request), visitor_of(request)
    read_by(site.reader(request))  # where no route was found, nobody has asked yet who reads
    words = site.words(now)
    values = {"wrong": None} | values
    values |= {
        "failed": status >= 400,
        "words": words,
        "now": now,
        "visitor": visitor,
        "late": site.late,
        "demo": site.upkeep is not None and site.upkeep.is_demo,
        "token": visitor.form_token,
        "path": request.scope["path"],
        "version": _version(),
    }
    made = _templates(site.settings.prefix).get_template(name).render(values)
    return HTMLResponse(*packed(request, made.encode(), {"vary": "accept-language, cookie, accept-encoding"}, status))


def packed(
    request: Request, body: bytes, headers: dict[str, str], status: int = 200
) -> tuple[bytes, int, dict[str, str]]:
    """An answer, shorter on the way to a browser that can unpack it: of a piece's page a quarter is left."""
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return body, status, headers
    return gzip.compress(body, 6, mtime=0), status, headers | {"content-encoding": "gzip"}


class Rooted(Extension):
    """A path that a template writes is one of the page's, wherever the page lies: `base` is put before it."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        return _PATH.sub(r"\1{{ base }}", source)


_PATH = re.compile(r'(\s(?:href|action|src)=")(?=/)')


def _said(value: Any) -> Any:
    """Sentences and quantities that a template shows, as whoever asked for the page reads them."""
    return reads().read(value) if isinstance(value, Text) else value


@cache
def _templates(base: str) -> Environment:
    made = Environment(
        loader=PackageLoader("curewatch.web"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=[Rooted],
        finalize=_said,
    )
    made.filters |= {
        "lines": lines_of,
        "number": lambda value, digits=0: "?" if value is None else reads().number(value, digits),
        "percent": percent,
        "harm": damage.in_words,
        "capital": lambda words: capital(reads().read(words)),
        "quoted": lambda text: quote(text, safe=""),
    }
    made.globals |= CHOICES | {
        "base": base,
        "phrase": phrase,
        "reader": reads,
        "form_units": lambda: FormUnits.of(reads()),
        "phrase_n": lambda one, many, n, **values: reads().phrase_n(one, many, n, **values),
    }
    return made


@cache
def _version() -> str:
    """Changes with the style and the script, so that browsers may keep them for ever."""
    folder = files("curewatch.web") / "static"
    held = b"".join(one.read_bytes() for one in sorted(folder.iterdir(), key=lambda one: one.name))
    return hashlib.sha256(held).hexdigest()[:10]


AHEAD_MOST = timedelta(days=400)
