"""What was logged lately, and taken back after its page was left."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands import aftercare, alarm_care, observing, pours
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.commands.undo import undo
from curewatch.desk.reports.piece import piece_report
from curewatch.records import AlarmKind, Damage, Reading
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, TIMEOUT_S, Studio, served, words_of

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def logged(studio: Studio) -> dict[str, list[tuple[str, str]]]:
    """By what the page says was logged, the fields of its button; in the page's order."""
    page = studio.page("/lately")
    found = {}
    for text, form in re.findall(r"<li><p>(.*?) <small.*?<form[^>]*>(.*?)</form>", page, re.DOTALL):
        found[unescape(text)] = [
            (name, unescape(value)) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)
        ]
    return found


def press(studio: Studio, text: str) -> str:
    answer = studio.browser.post(studio.url + "/undo", data=logged(studio)[text], timeout=TIMEOUT_S)
    assert answer.status_code == 200, answer.text
    assert answer.url.endswith("/lately?done=undone")
    assert "Taken back." in answer.text
    return answer.text


def test_each_kind_of_slip_is_listed_with_its_age_and_taken_back(studio: Studio) -> None:
    """One of each, logged a minute apart; then undone from the list, in no order of theirs."""
    desk: Desk = studio.desk
    studio.read(temp_c=5, hours=30)
    studio.pour("Curlew", hours_ago=20)
    now = studio.clock.move(MINUTE)
    refresh(desk, now)
    alarm_care.acknowledge(desk, "Shed", AlarmKind.COLD, now)
    with studio.store.write() as tx:
        (piece,) = tx.pieces()
        tx.put_damages([
            Damage(piece_id=piece.id, kind=AlarmKind.FROST, hours=1, worst_c=-2, began_at=NOW - HOUR, counted_until=now)
        ])  # fmt: skip
    now = studio.clock.move(MINUTE)
    alarm_care.clear_damage(desk, "Curlew", now)
    now = studio.clock.move(MINUTE)
    log_reading(desk, Reading(room="Shed", at=now - HOUR, temp_c=18.5, rh_pct=52, received_at=now))
    now = studio.clock.move(MINUTE)
    observing.feel(desk, "Curlew", Finger.TACKY, now, now)
    now = studio.clock.move(MINUTE)
    aftercare.done(desk, "Curlew", "drips", now, now)
    now = studio.clock.move(MINUTE)
    pours.move(desk, "Curlew", "Loft", "sill", now)
    now = studio.clock.move(MINUTE)
    for name in ("Eel 1", "Eel 2", "Eel 3", "Eel 4"):
        studio.pour(name)
    now = studio.clock.move(MINUTE)
    studio.pour("Reed")
    pours.leave(desk, "Reed", now, at=now + MINUTE)
    studio.clock.move(2 * MINUTE)

    assert list(logged(studio)) == [
        "Reed left the studio", "Poured: Eel 1 to Eel 4, 4 pieces", "Curlew: moved to Loft, sill",
        "Curlew: clear the drips from the edges: done", "Curlew: still tacky", "Reading of Shed: 18.5 °C, 52 %",
        "Curlew: looked over", "Shed: too cold for wet paint, seen to",
    ]  # fmt: skip
    assert "Reed left the studio 2 min ago" in words_of(studio.page("/lately"))
    for text in ("Shed: too cold for wet paint, seen to", "Curlew: still tacky", "Poured: Eel 1 to Eel 4, 4 pieces",
                 "Curlew: moved to Loft, sill", "Reading of Shed: 18.5 °C, 52 %",
                 "Curlew: clear the drips from the edges: done", "Curlew: looked over",
                 "Reed left the studio"):  # fmt: skip
        press(studio, text)
    # what was poured can be taken back again once nothing is known of it since
    assert list(logged(studio)) == ["Poured: Reed", "Poured: Curlew"]
    assert studio.names() == ["Curlew", "Reed"]
    report = piece_report(desk, "Curlew", studio.clock.now())
    assert (report.line.room, len(report.damages)) == ("Shed", 1)
    with studio.store.read() as tx:
        assert tx.observations() == []
        assert {alarm.acknowledged_at for alarm in tx.alarms()} == {None}
        assert "acknowledged" not in [event.happening for event in tx.alarm_events()]
        assert [one.source for one in tx.readings("Shed") if one.source == "typed"] == []


def test_no_more_than_a_day_and_a_dozen_are_listed(studio: Studio) -> None:
    for number in range(14):
        studio.pour(f"Heron {number}")
        studio.clock.move(MINUTE)
    assert list(logged(studio)) == [f"Poured: Heron {number}" for number in range(13, 1, -1)]
    assert len(studio.page("/lately").encode()) < 100_000
    studio.clock.move(25 * HOUR)
    assert logged(studio) == {}
    assert "Nothing to undo." in studio.page("/lately")


def test_a_pour_of_which_something_was_found_stands_until_that_is_taken_back(studio: Studio) -> None:
    studio.pour()
    studio.clock.move(MINUTE)
    now = studio.clock.now()
    observing.feel(studio.desk, "Curlew", Finger.TACKY, now, now)
    assert list(logged(studio)) == ["Curlew: still tacky"]
    with pytest.raises(InputError, match="nothing was found of or done to since"):
        undo(studio.desk, LogKind.POUR, ["1"], now)
    press(studio, "Curlew: still tacky")
    press(studio, "Poured: Curlew")
    assert studio.names() == []


def test_a_series_too_long_for_one_form_takes_several_presses(studio: Studio) -> None:
    for number in range(60):
        studio.pour(f"Tile {number}")
    first, second = logged(studio)
    assert (first, second) == ("Poured: Tile 0 to Tile 49, 50 pieces", "Poured: Tile 50 to Tile 59, 10 pieces")
    press(studio, first)
    assert len(studio.names()) == 10


def test_the_board_leads_there(studio: Studio) -> None:
    assert '<a href="/lately">Recent entries</a>' in studio.page("/")


@pytest.mark.parametrize("of", ["zzz", "99", "1"])
def test_a_piece_that_never_left_is_not_said_to_be_gone(studio: Studio, of: str) -> None:
    """1: a piece that is here; later one whose pour was taken back."""
    studio.pour()
    assert "marked gone" not in studio.page(f"/?done=gone&of={of}")
    undo(studio.desk, LogKind.POUR, ["1"], NOW)
    assert "marked gone" not in studio.page(f"/?done=gone&of={of}")
