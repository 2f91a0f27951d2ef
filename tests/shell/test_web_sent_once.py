"""What a device kept while the studio was out of reach: sent twice it counts once, and "now" is when it was typed."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import requests

from tests.core.pictures import jpeg
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, PASSWORD, TIMEOUT_S, Studio, served, token_on

NUMBER = "4be0643f-1d98-573b-97cd-ca98a65347dd"
TYPED_AGO = timedelta(minutes=40)
AS_A_SCRIPT = {"prefer": "return=minimal"}
FORMS: dict[str, tuple[str, str, dict[str, str]]] = {
    "pour": ("/pour", "/pour", {"name": "Eider", "room": "Shed", "thickness": "medium", "when": "10 min ago"}),
    "again": ("/pour/again", "/pour", {"count": "2"}),
    "reading": ("/reading", "/reading", {"room": "Shed", "temperature": "19", "humidity": "52", "when": "now"}),
    "finger": ("/piece/Curlew/found", "/piece/Curlew", {"what": "tacky", "when": "now"}),
    "weighing": ("/piece/Curlew/found", "/piece/Curlew", {"what": "weighing", "grams": "512", "when": "now"}),
    "step": ("/piece/Curlew/done", "/piece/Curlew", {"step": "varnish-1", "anyway": "yes", "when": "now"}),
    "photo": ("/piece/Curlew/photo", "/piece/Curlew", {"kind": "wet", "when": "now"}),
    "move": ("/piece/Curlew/move", "/piece/Curlew", {"room": "Shed", "place": "sill", "new": "yes"}),
    "promise": ("/piece/Curlew/promise", "/piece/Curlew", {"due": "in 3 weeks", "ready": "handle"}),
    "gone": ("/piece/Curlew/gone", "/pour", {}),
}


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with served(tmp_path_factory.mktemp("studio")) as studio:
        studio.read(hours=24)
        studio.clock.move(-timedelta(hours=1))
        studio.pour("Curlew", hours_ago=19)
        studio.clock.move(timedelta(hours=1))  # what is promised as it is poured is taken back with the pour
        refresh(studio.desk, NOW)
        studio.page("/")  # with a session from now on
        yield studio


def send(studio: Studio, form: str, number: str, **more: str) -> requests.Response:
    path, on, fields = FORMS[form]
    data = {"token": token_on(studio.page(on)), "sent": number, "ago_s": f"{TYPED_AGO.total_seconds():.0f}"}
    files: Any = {"file": ("a.jpg", jpeg(400, 300), "image/jpeg")} if form == "photo" else None
    return requests.post(
        studio.url + path, data=data | fields | more, files=files, cookies=studio.browser.cookies,
        headers=AS_A_SCRIPT, timeout=TIMEOUT_S,
    )  # fmt: skip


def facts(studio: Studio) -> list[datetime]:
    """The moments of all that people logged."""
    with studio.store.read() as tx:
        ids = [one.id for one in (*tx.pieces(), *tx.pieces(gone=True))]
        poured = {one.piece_id: one.at for one in tx.pours(ids)}
        typed = tx.readings("Shed", since=NOW - timedelta(days=2), until=NOW)
        return [
            *poured.values(), *(one.at for one in tx.observations(ids)),
            *(one.done_at for one in tx.steps(ids) if one.undone_at is None), *(one.at for one in tx.photos(ids)),
            *(one.at for one in typed if one.source != "window"),
            *(one.since for one in tx.stays(ids) if one.since != poured.get(one.piece_id, one.since)),
            *(one.due_at - timedelta(weeks=3) for one in tx.promises(ids) if one.due_at),
            *(one.gone_at for one in tx.pieces(gone=True) if one.gone_at and one.id in poured),
        ]  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_what_comes_twice_is_logged_once_for_the_moment_it_was_typed(studio: Studio, form: str) -> None:
    before, number = facts(studio), f"{form}-{NUMBER}"
    with ThreadPoolExecutor(2) as phones:  # two tabs that find the studio back at once, then one that heard no answer
        answers = [*phones.map(lambda _: send(studio, form, number), range(2)), send(studio, form, number)]
    new = facts(studio)
    for one in before:
        new.remove(one)
    earlier = timedelta(minutes=10) if form == "pour" else timedelta(0)
    assert set(new) == {NOW - TYPED_AGO - earlier}
    assert len(new) == (2 if form == "again" else 1)
    assert {one.status_code for one in answers} == {201}
    (there,) = {one.headers["location"] for one in answers}
    page = studio.page(there)
    assert 'class="done"' in page, "says what was logged, and offers to take it back"
    studio.undo(page)
    assert send(studio, form, number).headers["location"] == there
    assert sorted(facts(studio)) == sorted(before), "taken back is taken back, whoever sends it once more"


def test_the_same_again_is_of_the_pour_that_the_page_showed(studio: Studio) -> None:
    with studio.store.read() as tx:
        (curlew,) = (piece.id for piece in tx.pieces() if piece.name == "Curlew")
    studio.pour("Thick one", hours_ago=1, wet_mm=3)
    there = send(studio, "again", f"shown-{NUMBER}", like=str(curlew)).headers["location"]
    with studio.store.read() as tx:
        made = [piece.id for piece in tx.pieces() if piece.name in ("Curlew 2", "Curlew 3")]
        assert {one.wet_thickness_m for one in tx.pours(made)} == {1.2e-3}
    studio.undo(studio.page(there))


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"ago_s": "-5"}, "ago_s: got '-5', expected whole seconds since it was typed"),
        ({"ago_s": "9" * 8}, "at most those of 60 days"),
        ({"sent": "short"}, "got 'short', expected 16 to 64 letters, digits and hyphens"),
        ({"when": "typed", "when_typed": "10:00"}, "a moment after the pour"),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_may_be_sent_again_once_mended(
    studio: Studio, more: dict[str, str], says: str
) -> None:
    number = str(uuid4())
    before = facts(studio)
    refused = send(studio, "finger", number, **more)
    assert refused.status_code == 422
    assert says in refused.text.replace("&#39;", "'")
    assert facts(studio) == before
    mended = send(studio, "finger", number, **({"spot": "middle"} if "sent" in more else {}))
    assert mended.status_code == 201
    assert len(facts(studio)) == len(before) + 1


def test_who_is_out_is_asked_to_sign_in_and_a_stale_token_is_told_from_that(tmp_path: Path) -> None:
    from curewatch.web.access.credentials import hash_of

    (tmp_path / "password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "password") as studio:
        fields = {"room": "Shed", "temperature": "19", "humidity": "52", "token": "x", "sent": NUMBER}
        out = studio.browser.post(f"{studio.url}/reading", data=fields, headers=AS_A_SCRIPT, timeout=TIMEOUT_S)
        assert out.status_code == 401
        asked = studio.get("/token", headers=AS_A_SCRIPT)
        assert asked.status_code == 401
        studio.post("/login", {"password": PASSWORD})
        stale = studio.browser.post(f"{studio.url}/reading", data=fields, headers=AS_A_SCRIPT, timeout=TIMEOUT_S)
        assert stale.status_code == 403
        fields["token"] = studio.get("/token").text
        sent = studio.browser.post(f"{studio.url}/reading", data=fields, headers=AS_A_SCRIPT, timeout=TIMEOUT_S)
        assert sent.status_code == 201
