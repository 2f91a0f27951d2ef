"""The board as a browser gets it: the three answers, the shared axis, filters, pages, alarms."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, served, words_of


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def test_an_empty_studio_says_so_and_offers_to_log_a_pour(studio: Studio) -> None:
    page = studio.page("/")
    assert "Nothing is drying here yet" in page
    assert 'href="/pour"' in page


def test_a_row_says_what_comes_next_and_the_pieces_page_draws_each_milestone_in_order(studio: Studio) -> None:
    studio.pour(hours_ago=2)
    studio.read()
    refresh(studio.desk, NOW)
    page = studio.page("/")
    bands = r'<rect class="band \w+[^"]*" x="([\d.]+)%'
    assert len(re.findall(bands, page)) == 1, "what comes next has its band, and no more on one line"
    assert re.search(r'<li class="piece" id="piece-\d+"', page), (
        "by which it is found again when the page renews itself"
    )
    assert re.search(r'<p class="next"><b>Set: worth checking [^<]+</b>', page)
    whole = studio.page("/piece/Curlew")
    drawn = [float(x) for x in re.findall(bands, whole)]
    assert len(drawn) == 4
    assert drawn == sorted(drawn)
    table = re.search(r'<table class="dates drying-dates">.*?</table>', whole, re.DOTALL)
    assert table
    names = re.findall(r'<th scope="row">.*?</svg>([^<]+)</th>', table[0], re.DOTALL)
    assert names == ["set", "touch-dry", "dry to handle", "ready to varnish"]


def test_a_room_that_was_never_read_gives_no_dates_and_says_why(studio: Studio) -> None:
    studio.pour()
    refresh(studio.desk, NOW)
    said = words_of(studio.page("/"))
    assert "no dates yet" in said
    assert "no temperature and humidity of Shed yet" in said
    assert "never read" in said


def test_the_three_answers_name_what_may_be_touched_what_frees_a_place_and_what_is_in_danger(studio: Studio) -> None:
    studio.pour("Touchable", "Shed", hours_ago=14)
    studio.pour("Long dry", "Shed", hours_ago=200)
    studio.pour("Shivering", "Loft", hours_ago=3)
    studio.read("Shed", hours=210)
    studio.read("Loft", temp_c=6, hours=10)
    refresh(studio.desk, NOW)
    answers = dict(re.findall(r'<a class="answer (\w+)".*?<p>(.*?)</p>', studio.page("/"), re.DOTALL))
    assert "Touchable" in answers["touch"]
    assert "Long dry" in answers["places"]
    assert "Shivering" not in answers["touch"] + answers["places"]
    assert "Shivering" in answers["danger"]
    asked = studio.page("/?ask=danger")
    assert "1 of 3 pieces" in words_of(asked)
    assert '<li class="piece danger"' in asked
    assert "too cold for wet paint" in words_of(asked)


def test_a_thousand_pieces_come_thirty_a_page_and_can_be_found(studio: Studio) -> None:
    for number in range(70):
        studio.pour(f"Reed {number}", f"Shed {number % 2}", hours_ago=1 + number)
    first = studio.page("/")
    assert len(re.findall(r'<li class="piece', first)) == 30
    assert len(first.encode()) < 100_000
    assert "page 1 of 3" in words_of(first)
    assert len(re.findall(r'<li class="piece', studio.page("/?page_no=3"))) == 10
    assert "1 of 70 pieces" in words_of(studio.page("/?q=reed+69"))
    assert "35 of 70 pieces" in words_of(studio.page("/?room=Shed+1"))
    grouped = re.findall(r'<h2 class="group">([^<]+)', studio.page("/?by=room&q=Reed+1"))
    assert grouped == ["Shed 0", "Shed 1"]


@pytest.mark.parametrize(
    "query", ["?page_no=x", "?page_no=-3", "?page_no=9", "?ask=nonsense", "?by=;drop", "?q=%00%ff"]
)
def test_a_strange_question_gets_a_page_and_never_a_failure(studio: Studio, query: str) -> None:
    assert studio.get(f"/{query}").status_code in (200, 422)


def test_names_cannot_break_out_of_the_page(studio: Studio) -> None:
    studio.pour('<script>alert("x")</script> & "Co"')
    studio.read()
    refresh(studio.desk, NOW)
    page = studio.page("/")
    assert "<script>alert" not in page
    link = re.search(r'<a href="(/piece/[^"]+)">&lt;script', page)
    assert link
    assert "&lt;script&gt;alert" in studio.page(link[1])


def test_what_was_logged_elsewhere_is_on_the_next_page(studio: Studio) -> None:
    studio.page("/")
    studio.pour("From a command")
    assert "From a command" in studio.page("/")
