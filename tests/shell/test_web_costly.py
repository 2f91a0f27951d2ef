"""Answers that take seconds of work: nobody is kept from the rest of the page by who asks for many of them."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import requests

from curewatch.desk.reports import planning
from curewatch.web.access.credentials import Sessions, hash_of
from curewatch.web.scarce import LINE_FOR_LOOKERS, SHARE
from tests.shell.doors import class_link, pupil
from tests.shell.parts import wait_for
from tests.shell.web_parts import PASSWORD, TIMEOUT_S, Studio, served

SOON_S = 2.0
DAY = "2026-12-10"


class Works:
    """Plans take as long as the test wants."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.may_end, self.asked = threading.Event(), Counter[int]()
        real, made = planning.plan, list[planning.Plan]()

        def plan(desk: object, order: object, due: object, pieces: int, *rest: object) -> planning.Plan:
            self.asked[pieces] += 1
            assert self.may_end.wait(60)
            made.extend([real(desk, order, due, 1, *rest)] if not made else [])  # type: ignore[arg-type]
            return made[0]

        monkeypatch.setattr(planning, "plan", plan)


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    (tmp_path / "page-password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "page-password") as studio:
        studio.read(hours=30)
        yield studio


def plan(studio: Studio, cookie: str, pieces: int) -> requests.Response:
    asked = {"due": DAY, "room": "Shed", "thickness": "thin", "pieces": str(pieces)}
    return requests.get(f"{studio.url}/plan", params=asked, headers={"cookie": cookie}, timeout=TIMEOUT_S)


def seconds(studio: Studio, path: str) -> float:
    began = time.monotonic()
    assert requests.get(studio.url + path, timeout=TIMEOUT_S).status_code == 200
    return time.monotonic() - began


def test_a_class_that_asks_for_eighty_plans_keeps_nobody_from_the_page_and_the_owner_goes_first(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    works = Works(monkeypatch)
    link = class_link(studio)
    cookies = [pupil(link) for _ in range(16)]
    owner = f"curewatch={studio.browser.cookies['curewatch']}"
    with ThreadPoolExecutor(90) as many:
        asked = [many.submit(plan, studio, cookies[n % 16], n + 1) for n in range(80)]
        wait_for(lambda: sum(one.done() for one in asked) >= 80 - LINE_FOR_LOOKERS - 1, 20, "the rest refused")
        assert seconds(studio, "/login") < SOON_S
        assert sum(works.asked.values()) == 1, "a class has one thread of its own"
        mine = many.submit(plan, studio, owner, 500)
        wait_for(lambda: works.asked[500], 10, "the owner's plan begun, before those who wait")
        works.may_end.set()
        assert mine.result(TIMEOUT_S).status_code == 200
        codes = Counter(one.result(TIMEOUT_S).status_code for one in asked)
    assert codes == {200: LINE_FOR_LOOKERS + 1, 503: 80 - LINE_FOR_LOOKERS - 1}
    refused = next(one.result() for one in asked if one.result().status_code == 503)
    assert int(refused.headers["retry-after"]) > 0
    assert "Too many answers that take long" in refused.text


def test_one_visitor_waits_for_a_few_answers_and_no_more(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    works = Works(monkeypatch)
    cookie = pupil(class_link(studio))
    with ThreadPoolExecutor(12) as many:
        asked = [many.submit(plan, studio, cookie, n + 1) for n in range(12)]
        wait_for(lambda: sum(one.done() for one in asked) == 12 - SHARE, 20, "the rest refused")
        assert {one.result().status_code for one in asked if one.done()} == {429}
        works.may_end.set()
        assert sum(one.result(TIMEOUT_S).status_code == 200 for one in asked) == SHARE
    assert plan(studio, cookie, 1).status_code == 200, "once they are answered more may be asked"


def test_what_thirty_ask_at_once_is_worked_out_once(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    works = Works(monkeypatch)
    link = class_link(studio)
    cookies = [pupil(link) for _ in range(30)]
    with ThreadPoolExecutor(30) as many:
        asked = [many.submit(plan, studio, cookie, 4) for cookie in cookies]
        wait_for(lambda: works.asked[4], 10, "the plan begun")
        works.may_end.set()
        answers = [one.result(TIMEOUT_S) for one in asked]
    assert {one.status_code for one in answers} == {200}
    assert works.asked == {4: 1}
    asked_again = plan(studio, cookies[0], 4)
    assert (asked_again.status_code, works.asked[4]) == (200, 1)


def test_who_hammers_is_told_so_at_the_door_and_nobody_else(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    works, known = Works(monkeypatch), Counter[str | None]()
    real = Sessions.known
    monkeypatch.setattr(
        Sessions, "known", lambda self, cookie, now: (known.update([cookie]), real(self, cookie, now))[1]
    )
    link = class_link(studio)
    hammerer, other = pupil(link), pupil(link)
    word = hammerer.partition("=")[2]
    with ThreadPoolExecutor(SHARE) as many:
        asked = [many.submit(plan, studio, hammerer, n + 1) for n in range(SHARE)]
        wait_for(lambda: known[word] == SHARE, 10, "as many plans asked for as may be")
        wait_for(lambda: works.asked.total() == 1, 10, "the first begun")
        answers = [plan(studio, hammerer, 100 + n) for n in range(30)]
        assert {one.status_code for one in answers} == {429}
        assert all(int(one.headers["retry-after"]) > 0 for one in answers)
        told = ["again and again" in one.text for one in answers]
        assert told == sorted(told)
        assert 10 <= told.index(True) <= 12
        assert known[word] == SHARE + told.index(True), "the store is not asked who that is"
        board = requests.get(studio.url, headers={"cookie": hammerer}, timeout=TIMEOUT_S)
        assert board.status_code == 200, "what was not hammered on is there"
        works.may_end.set()
        assert plan(studio, other, 3).status_code == 200
        assert {one.result(TIMEOUT_S).status_code for one in asked} == {200}


@pytest.mark.parametrize(
    ("site", "mode", "dest", "code"),
    [
        ("cross-site", "no-cors", "image", 403),
        ("cross-site", "no-cors", "script", 403),
        ("cross-site", "cors", "empty", 403),
        ("same-site", "no-cors", "image", 403),
        ("cross-site", "navigate", "iframe", 403),
        ("cross-site", "navigate", "document", 200),
        ("same-origin", "cors", "empty", 200),
        ("none", "navigate", "document", 200),
    ],
)
def test_another_site_may_link_here_and_have_nothing_worked_out(
    tmp_path: Path, site: str, mode: str, dest: str, code: int
) -> None:
    """W3C, Fetch Metadata Request Headers; the rule is that of web.dev, "Resource Isolation Policy"."""
    headers = {"sec-fetch-site": site, "sec-fetch-mode": mode, "sec-fetch-dest": dest}
    with served(tmp_path) as studio:
        asked = "/api/v1/estimate?wet_thickness_mm=1&temp_c=20&rh_pct=50"
        for path in ("/", "/static/page.css", *([asked] if code == 403 else [])):
            assert studio.get(path, headers=headers).status_code == code, path
