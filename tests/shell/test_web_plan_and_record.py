"""The plan as a form, the cure record, a room's outlook, and the label of a piece that has left."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import pytest

from curewatch.desk.commands import aftercare, observing, pours
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.commands.undo import undo
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.reports.room import room_outlook, room_record
from curewatch.records import Reading, Support
from curewatch.records.facts import Finger
from curewatch.settings import WebSettings
from curewatch.studio.planning.advice import FAN_CAUTION
from curewatch.web.access.credentials import Password, Sessions
from curewatch.web.pages.forms import pour_words
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, copied, prepare, words_of


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("prepared"), hours=24 * 8)


@pytest.fixture
def studio(prepared: Path, tmp_path: Path) -> Iterator[Studio]:
    with copied(prepared, tmp_path) as studio:
        yield studio


PLAN = "/plan?due=2026-12-04&for=handle&pieces=3&room=Shed&thickness=medium"


def test_the_plan_says_the_latest_moment_at_two_odds_and_what_a_change_buys(studio: Studio) -> None:
    page = studio.page(PLAN)
    said = words_of(page)
    assert "To have 3 pieces dry to handle by Fri 4 Dec 18:00 in Shed, pour by" in said
    assert "There is time." in said
    assert "what is to come is taken from its usual days" in said, "eight of them were read"
    rows = re.findall(r'<th scope="row">([^<]+)</th><td><i>90 %</i> ([^<]+)</td><td><i>50 %</i> ([^<]+)<', page)
    assert [name for name, *_ in rows] == ["as it usually is", "3 °C warmer", "10 %RH drier", "with a fan on it"]
    assert all("Dec" in safe and "Dec" in even for _, safe, even in rows)
    assert "Taken by" in said
    assert "Curlew" in said


def test_the_plan_counts_free_places_and_says_when_there_is_room_for_all(studio: Studio) -> None:
    studio.pour("Snipe", place="rack 2", hours_ago=1)
    studio.pour("Plover", place="rack 3", hours_ago=30)
    pours.leave(studio.desk, "Plover", NOW)
    refresh(studio.desk, NOW)
    said = words_of(studio.page(PLAN))
    assert "Free now: rack 3." in said
    assert "with a fan on it" in said
    # beside the fan what it does to this film in this air, and how it is used: it is warm there
    assert re.search(r"with a fan on it: Risk: water leaves [\d.]+ times as fast, a skin over a soft core", said)
    assert "film-forming temperature" not in said
    assert str(FAN_CAUTION) in said
    assert "Room for all of them:" in said, "three pieces, one place free: when two more are"


def test_the_plan_of_a_disc_on_bare_wood(studio: Studio) -> None:
    """Wood that soaks up water lets pour later; a volume makes the film that the disc's area gives it."""
    form = studio.page("/plan")
    assert all(f'name="support" value="{support}"' in form for support in Support)
    ml = math.pi * 20**2 * 0.12  # cm3
    disc = {"room": "Shed", "thickness": "volume", "poured": f"{ml:.4f}", "size": "round 40cm", "recipe": "river white"}
    wood = disc | {"support": "raw-panel"}
    (order,) = pour_words(wood, None).orders(NOW)
    assert (order.support, order.round, order.size_m) == (Support.RAW_PANEL, True, (0.4, 0.4))
    assert order.wet_thickness_m == pytest.approx(1.2e-3, rel=1e-6)
    latest = []
    for asked in (disc, wood):
        page = studio.page(f"/plan?{urlencode({'due': '2026-12-04', **asked})}")
        (even,) = re.findall(r'<p class="deadline even">([^<]+) <small>', page)
        latest.append(datetime.strptime(f"{even} 2026", "%a %d %b %H:%M %Y").replace(tzinfo=UTC))
    assert latest[1] > latest[0]
    assert 'value="raw-panel" checked' in page
    assert 'value="round 40cm"' in page


def test_a_date_too_near_is_too_late_and_says_in_how_many_cases_it_would_do(studio: Studio) -> None:
    said = words_of(studio.page("/plan?due=2026-11-20&for=varnish_ready&pieces=1&room=Shed&thickness=thick"))
    assert "too late to be in time in nine cases of ten" in said
    assert "in under 2 % of cases" in said


NO_PLAN = [
    ("due=2026-11-01&room=Shed&thickness=medium", "a moment that is yet to come"),
    ("due=2029-01-01&room=Shed&thickness=medium", "within the next 400"),
    ("due=soon&room=Shed&thickness=medium", "soon"),
    ("due=2026-12-04&room=Loft&thickness=medium", "Loft"),
    ("due=2026-12-04&room=Shed&thickness=", "Wet thickness"),
    ("due=2026-12-04&room=Shed&thickness=medium&pieces=0", "between 1 and 1000"),
    ("due=2026-12-04&room=Shed&thickness=medium&for=packed", "handle or varnish_ready"),
    ("due=2026-12-04&room=Shed&thickness=medium&recipe=tar", "tar"),
    ("due=2026-12-04&room=Shed&thickness=medium&support=velvet", "velvet"),
    ("due=2026-12-04&room=Shed&thickness=medium&size=round", "round 40cm"),
]


def test_a_plan_that_cannot_be_is_refused_on_its_form(studio: Studio) -> None:
    for query, said in NO_PLAN:
        answer = studio.get(f"/plan?{query}")
        assert answer.status_code == 422, query
        assert "No plan." in answer.text
        assert said in words_of(answer.text)


def test_the_form_alone_plans_nothing(studio: Studio) -> None:
    page = studio.page("/plan")
    assert "When must I pour?" in page
    assert 'value="2026-12-04"' in page, "a fortnight ahead"
    assert 'class="outcome"' not in page


def test_the_record_holds_what_was_found_done_and_the_air_it_dried_in(studio: Studio) -> None:
    observing.feel(studio.desk, "Curlew", Finger.TACKY, NOW - timedelta(hours=5), NOW)
    aftercare.done(studio.desk, "Curlew", "skins", NOW - timedelta(hours=1), NOW, anyway=True)
    page = studio.page("/record/Curlew")
    said = words_of(page)
    for expected in (
        "Cure record: Curlew",
        "1.2 mm wet, by comb gauge",
        "21.0 °C (21.0 to 21.0 °C), 50 % humidity (50 to 50); never out of range",
        "finger test: still tacky",
        "skins",
        "no guarantee and no test report",
    ):
        assert expected in said
    assert page.count("<figure") == 2
    assert "19 Nov 2026" in said, "with the year: paper is read later"


def test_a_label_of_a_piece_that_has_left_opens_its_record_which_says_so(studio: Studio) -> None:
    code = Sessions(studio.store, Password(WebSettings())).label_code(
        piece_report(studio.desk, "Curlew", NOW).drying.piece.id
    )
    assert studio.get(f"/p/{code}").url.endswith("/piece/Curlew")
    pours.leave(studio.desk, "Curlew", NOW)
    studio.pour("Curlew", hours_ago=1)  # the name is free, and another piece's by now
    answer = studio.get(f"/p/{code}")
    assert answer.status_code == 200
    assert "It has left the studio" in answer.text
    assert "19 Nov 2026" in answer.text, "the first Curlew's record, not the second's"


def test_a_label_of_a_piece_that_was_taken_back_finds_nothing(studio: Studio) -> None:
    studio.pour("Slip", hours_ago=1)
    piece = piece_report(studio.desk, "Slip", NOW).drying.piece
    undo(studio.desk, LogKind.POUR, [str(piece.id)], NOW)
    assert studio.get(f"/p/{Sessions(studio.store, Password(WebSettings())).label_code(piece.id)}").status_code == 404


def test_a_room_shows_what_is_coming_with_its_band(studio: Studio) -> None:
    page = studio.page("/room/Shed?span=day")
    assert page.count("foreseen</li>") == 2
    assert len(re.findall(r'<path class="spread"', page)) == 2
    assert "four cases of five" in page
    ahead = room_outlook(studio.desk, "Shed", NOW)
    assert ahead is not None
    assert len(ahead.temp_c.mid) == 48
    assert (ahead.temp_c.low <= ahead.temp_c.high).all()


def test_a_room_that_fell_silent_foresees_nothing_and_says_so(studio: Studio) -> None:
    later = studio.clock.move(timedelta(hours=9))
    assert room_outlook(studio.desk, "Shed", later) is None
    said = words_of(studio.page("/room/Shed?span=week"))
    assert "Too few recent readings for a forecast" in said
    assert "foreseen" not in said


def test_a_spike_is_marked_and_not_drawn_as_the_rooms_air(studio: Studio) -> None:
    at = NOW - timedelta(minutes=90)
    spike = Reading(room="Shed", at=at, temp_c=38, rh_pct=50, source="window", received_at=NOW)
    store_readings(studio.desk, [spike])
    record = room_record(studio.desk, "Shed", NOW - timedelta(days=1), NOW)
    assert record is not None
    assert [(one.at_s, one.quantity, one.value) for one in record.aside] == [(at.timestamp(), "temp_c", 38.0)]
    assert np.max(record.climate.temp_c) == 21
    page = studio.page("/room/Shed?span=day")
    assert page.count('class="aside"') == 2, "in the drawing, and in its legend"
    assert "17.0 °C above" in words_of(page)
