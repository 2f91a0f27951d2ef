"""Setting up: from a demo to one's own studio, step by step. Nothing is written before its difference was shown."""

from __future__ import annotations

import secrets
import shlex
from collections.abc import Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import segno
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from starlette.exceptions import HTTPException

from curewatch.desk.commands.notice_care import note_arrived, reached, send_test_notice, trouble
from curewatch.desk.desk import mark_changed
from curewatch.desk.orders import meet_room
from curewatch.intake.typed.names import named
from curewatch.language import reads
from curewatch.records import DeliveryState
from curewatch.records.errors import Field, InputError
from curewatch.settings import Settings, SettingsError, load_settings, machine
from curewatch.settings.setting_up import STEPS, Change, Known, Step, answered, step_of
from curewatch.settings.writing import Edit
from curewatch.store import Store
from curewatch.views.listening import TopicOut
from curewatch.web.access.certificates import DAYS_MOST, make_pair
from curewatch.web.access.credentials import hash_of
from curewatch.web.api.listening import EARS
from curewatch.web.pages.forms import Wrong
from curewatch.web.pages.login import CAME_IN, proved, wrong_password
from curewatch.web.reading import phrase
from curewatch.web.site import Here, Site, Typed, Upkeep, page, text_of

router = APIRouter(include_in_schema=False)
PENDING_MOST = 32
TEST_WITHIN_S, LOOK_EVERY_S = 20.0, 0.1
GOES_ON_AFTER_S = 3
"""By then the page is encrypted [s]."""


@router.get("/setup")
def overview(request: Request, site: Here) -> HTMLResponse:
    known = None if _is_not_ours(site) else known_of(site.desk.store)
    settings = Settings(zone="UTC") if known is None else _current(site)
    steps = [] if known is None else [(step, step.done(settings, known), step.said(settings, known)) for step in STEPS]
    return page(request, "setup.html", site.clock.now(), upkeep=site.upkeep, steps=steps)


@router.post("/setup/begin")
def begin(site: Here, form: Typed) -> Response:
    """One's own studio, empty: from now on it is the one that is watched."""
    Store.open(_upkeep(site).own).close()
    _upkeep(site).again()
    return RedirectResponse("/setup", 303)


@router.post("/setup/write")
def write(request: Request, site: Here, form: Typed) -> Response:
    """Write what was shown, and have the daemon take it up."""
    key, change, edit = site.pending.get(text_of(form, "change"), (None, None, None))
    if change is None:
        raise InputError(Field.CHANGE, "", phrase("one that was shown a moment ago: make it once more"))
    if (wait_s := proved(request, site, str(form.get("password", "")))) is not None:
        wrong = wrong_password(wait_s)
        return _shown(request, site, key, change, edit, text_of(form, "change"), 429 if wait_s else 401, wrong)
    try:
        change.write(edit, hash_of, partial(pair_for, settings=edit.settings))
    except (SettingsError, OSError, ValueError) as error:
        return _shown(request, site, key, change, edit, text_of(form, "change"), 422, Wrong({"": str(error)}))
    del site.pending[text_of(form, "change")]
    _upkeep(site).again()
    then = f"/setup/{key}?{urlencode({'done': 'yes'})}"
    if edit.settings.web.certificate is None or request.url.scheme == "https":
        return RedirectResponse(then, 303)
    # a browser lets no form end at another scheme than its page's (Content-Security-Policy: form-action 'self')
    there = str(request.url.replace(scheme="https", path="/")).rstrip("/")
    answer = page(request, "setup_change.html", site.clock.now(), step=_step(key), goes_on=there + f"/setup/{key}")
    answer.headers["refresh"] = f"{GOES_ON_AFTER_S};url={there}{then}"
    return answer


def pair_for(folder: Path, settings: Settings) -> object:
    names = (*sorted(settings.web.allowed_hosts), *machine.names(), *machine.addresses(), "localhost", "127.0.0.1")
    return make_pair(folder, list(dict.fromkeys(names)), DAYS_MOST)


@router.post("/setup/test")
def test(request: Request, site: Here, form: Typed) -> Response:
    """Send a test to everybody, and say through what it arrived."""
    step = _step(text_of(form, "step"))
    notice = send_test_notice(site.desk, site.clock.now())
    site.logged()
    until, never = site.clock.monotonic() + TEST_WITHIN_S, site.ending
    while True:
        found = note_arrived(site.desk, notice.key)
        waits = [one for one in found if one.state is not DeliveryState.DELIVERED and not trouble(one)]
        if not waits or site.clock.monotonic() > until or site.clock.wait(never, LOOK_EVERY_S):
            break
    outcome = [
        f"{one.channel}: "
        + (
            phrase("arrived")
            if one.state is DeliveryState.DELIVERED
            else reads().read(trouble(one) or phrase("not yet"))
        )
        for one in found
    ]
    return _page(request, site, step, {}, outcome=outcome or [phrase("nowhere to send one")])


@router.get("/setup/{key}")
def step_page(request: Request, site: Here, key: str) -> HTMLResponse:
    """One step's questions; what is in the query stands in them already."""
    return _page(request, site, _step(key), dict(request.query_params))


@router.post("/setup/{key}")
def ask(request: Request, site: Here, form: Typed, key: str) -> Response:
    """Show what the answers come to in the settings file."""
    step, settings, known = _step(key), _current(site), known_of(site.desk.store)
    given = {str(name): text_of(form, name) for name in form if name != "token"}
    given["room"] = given.pop("room_typed", "") or given.get("room", "")
    try:
        change = answered(step, settings, known, given)
        edit = change.edit(_upkeep(site).config)
        if key == "room":
            add_room(site.desk.store, named(given["room"], Field.ROOM))
    except InputError as error:
        called = {question.name: question.label for question in step.asks(settings, known)}
        wrong = Wrong(
            {one.field: one.in_words(lambda field: reads().read(called.get(field, field))) for one in error.each}
        )
        return _page(request, site, step, given, wrong=wrong, status=422)
    except SettingsError as error:
        return _page(request, site, step, given, wrong=Wrong({"": str(error)}), status=422)
    if not edit.difference and not change.files and change.password is None:
        return RedirectResponse(f"/setup/{key}?done=yes", 303)
    named_so = secrets.token_urlsafe(16)
    site.pending[named_so] = key, change, edit
    while len(site.pending) > PENDING_MOST:
        del site.pending[next(iter(site.pending))]
    return _shown(request, site, key, change, edit, named_so)


def add_room(store: Store, name: str) -> None:
    with store.write() as tx:
        meet_room(tx, name, new=True)
        mark_changed(tx)


def _shown(
    request: Request, site: Site, key: str, change: Change, edit: Edit, named_so: str, status: int = 200,
    wrong: Wrong | None = None,
) -> HTMLResponse:  # fmt: skip
    files = [
        *change.files,
        *(["page-password"] if change.password else []),
        *([phrase("the certificate")] if change.pair else []),
    ]
    return page(
        request, "setup_change.html", site.clock.now(), status, step=_step(key), edit=edit, files=files,
        change=named_so, wrong=wrong, locks=change.password is not None, goes_on=None,
    )  # fmt: skip


def _page(
    request: Request, site: Site, step: Step, given: dict[str, str], *, wrong: Wrong | None = None, status: int = 200,
    outcome: Sequence[str] = (),
) -> HTMLResponse:  # fmt: skip
    settings, known = _current(site), known_of(site.desk.store)
    code = None
    if step.key == "phone" and (there := settings.web.reached_at) is not None:
        drawn = segno.make(there, error="m", micro=False)
        code = Markup(drawn.svg_inline(omitsize=True, svgclass="qr", lineclass=None, border=2))
    heard = _heard(site, settings) if step.key == "sensor" else None
    questions = step.asks(settings, known)
    typed = ""
    if not _upkeep(site).may_write:
        answers = [f"{q.name}={given[q.name]}" for q in questions if given.get(q.name) and q.kind != "password"]
        typed = shlex.join(["sudo", "curewatch", "setup", step.key, *(w for a in answers for w in ("--answer", a))])
    following = next((after for before, after in pairwise(STEPS) if before is step), None)
    return page(
        request, "setup_step.html", site.clock.now(), status, step=step, questions=questions, typed=typed,
        given=given, done=step.done(settings, known), said=step.said(settings, known), wrong=wrong, outcome=outcome,
        rooms=known.rooms, settings=settings, heard=heard, code=code, following=following,
        refused=_upkeep(site).refused,
    )  # fmt: skip


def _heard(site: Site, settings: Settings) -> dict[str, Any] | None:
    """What the broker sends, for as long as somebody looks; None where none is set."""
    if settings.broker is None:
        return None
    try:
        found = EARS.look(site, settings.broker, settings.sensors).found()
    except (SettingsError, InputError) as error:
        return {"trouble": str(error), "topics": [], "unheard": {}}
    topics = [(one, TopicOut.model_validate(one)) for one in found.topics]
    # what could be a sensor first, then what is one, then the rest
    topics.sort(key=lambda pair: (pair[1].reading is None, not pair[1].readings, pair[1].topic))
    entries = {raw.topic: urlencode(_proposed(raw.guess.entry("", ""), raw.topic)) for raw, _ in topics if raw.guess}
    return {
        "trouble": found.trouble,
        "topics": [one for _, one in topics],
        "unheard": found.unheard,
        "entries": entries,
    }


def _proposed(entry: dict[str, str], topic: str) -> dict[str, str]:
    levels = [one for one in topic.split("/") if one.casefold() not in ("temperature", "humidity", "air", "state")]
    return {**entry, "id": "-".join(levels[-2:]) or topic.replace("/", "-")}


def known_of(store: Store) -> Known:
    with store.read() as tx:
        rooms = [room.name for room in tx.rooms() if room.removed_at is None]
        heard = frozenset(source.split("/")[0] for _, source in tx.newest_by_source())
        return Known(rooms, heard, reached(tx), tx.get_meta(CAME_IN) is not None)


def _current(site: Site) -> Settings:
    """As the file has them now. SettingsError where it cannot be used."""
    config = _upkeep(site).config
    return load_settings(config if config.is_file() else None)


def _step(key: str) -> Step:
    step = step_of(key)
    if step is None:
        raise HTTPException(404)
    return step


def _is_not_ours(site: Site) -> bool:
    return site.upkeep is None or site.upkeep.is_demo


def _upkeep(site: Site) -> Upkeep:
    if site.upkeep is None:
        raise HTTPException(404)
    return site.upkeep
