"""The page of one piece, of one room, and of the alarms."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from curewatch.cli.output import Page
from curewatch.cli.texts import piece_text
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports.piece import piece_report
from curewatch.records import Reading
from curewatch.studio.forecasting.drying_curve import drying_curve
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get, served, words_of


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def test_a_piece_shows_its_milestones_curves_air_and_cautions_with_a_table_behind_each_curve(studio: Studio) -> None:
    studio.pour(hours_ago=20)
    studio.read(hours=30, temp_c=18, rh_pct=55)
    refresh(studio.desk, NOW)
    page = studio.page("/piece/Curlew")
    said = words_of(page)
    titles = re.findall(r"<figcaption>([^<]+)", page)
    assert [title.split(",")[0] for title in titles] == [
        "Water and glycol still in the film",
        "Wet at the top and at the bottom",
        "Film temperature",
        "Room temperature",
        "Relative humidity",
    ]
    assert len(re.findall(r"<figure.*?<table>.*?</figure>", page, re.DOTALL)) == len(titles)
    for expected in (
        "MFFT 10 °C",
        "damp 75 %",
        "earliest (10 %)",
        "safe to assume (90 %)",
        "18.0 °C on average (18.0 to 18.0 °C)",
    ):
        assert expected in said
    assert "ventilate" in said
    assert len(page.encode()) < 100_000


def test_the_curve_begins_full_falls_and_agrees_with_its_band(studio: Studio) -> None:
    studio.pour(hours_ago=20)
    studio.read(hours=30)
    refresh(studio.desk, NOW)
    report = piece_report(studio.desk, "Curlew", NOW)
    curve = drying_curve(report.drying, report.climates, report.forecast, NOW)
    assert curve is not None
    assert curve.left.mid[0] == pytest.approx(1)
    assert (np.diff(curve.left.mid) <= 1e-6).all()
    assert (curve.left.low <= curve.left.mid + 1e-9).all()
    assert (curve.left.mid <= curve.left.high + 1e-9).all()
    assert (curve.surface.mid <= curve.bottom.mid + 1e-3).all()
    handle = next(m for m in report.forecast.milestones if m.kind == "handle")
    assert curve.hours[-1] > (handle.safe_at - report.drying.pour.at) / timedelta(hours=1)


def test_a_piece_without_readings_has_no_curves_and_says_why(studio: Studio) -> None:
    studio.pour()
    refresh(studio.desk, NOW)
    page = studio.page("/piece/Curlew")
    assert "<figure" not in page
    assert "no temperature and humidity of Shed yet" in page


def test_a_room_shows_its_air_its_sensors_with_age_and_battery_and_what_is_wet(studio: Studio) -> None:
    studio.pour()
    studio.read(hours=50)
    old = NOW - timedelta(days=3)
    store_readings(
        studio.desk,
        [Reading(room="Shed", at=old, temp_c=20, rh_pct=50, source="door", received_at=old, battery_pct=11)],
    )
    refresh(studio.desk, NOW)
    for span in ("day", "week", "month", "nonsense"):
        page = studio.page(f"/room/Shed?span={span}")
        assert page.count("<figure") == 2
    said = words_of(page)
    assert "door 3 d ago ! late" in said
    assert "11 % ! low" in said
    assert "window 0 min ago 21.0 °C 50 % unknown" in said
    assert "Still drying here: 1" in said


def test_a_piece_shows_its_room_as_the_room_s_own_page_does_however_old_its_dates_are(studio: Studio) -> None:
    """Two sensors, which have moved since the forecast was made, but not by enough to make it again."""
    studio.pour()

    def read(at: datetime, **temps: float) -> None:
        told = [
            Reading(room="Shed", at=at, received_at=at, temp_c=temp_c, rh_pct=50, source=source)
            for source, temp_c in temps.items()
        ]
        store_readings(studio.desk, told)

    for minutes in range(0, 60, 10):
        read(NOW - timedelta(minutes=minutes), window=21.0, door=21.0)
    refresh(studio.desk, NOW)
    now = studio.clock.move(timedelta(minutes=20))
    read(now, window=20.9, door=21.5)
    assert refresh(studio.desk, now).forecasts == 0, "by dates of what the room was"
    shown = "21.2 °C, 50 %, read 0 min ago"
    pages = [words_of(studio.page(path)).replace(" ,", ",") for path in ("/room/Shed", "/piece/Curlew")]
    assert [shown in page for page in pages] == [True, True]
    assert "21.2 °C 50 % read 0 min ago" in words_of(studio.page("/"))
    assert shown in piece_text.text(piece_report(studio.desk, "Curlew", now), now, Page())


def test_what_is_not_there_is_said_kindly(studio: Studio) -> None:
    assert studio.get("/room/Nowhere").status_code == 404
    answer = studio.get("/piece/Nobody")
    assert answer.status_code == 422
    assert "Nobody" in answer.text
    assert studio.get("/nothing").status_code == 404


def test_alarms_are_listed_while_they_last_and_after(studio: Studio) -> None:
    studio.pour(hours_ago=6)
    studio.read(temp_c=5, hours=8)
    refresh(studio.desk, NOW)
    said = words_of(studio.page("/alarms"))
    assert "Shed: too cold for wet paint" in said
    assert "warm the room" in said
    assert "· since" not in said, "its text says when it was so"
    cold = {"room": "Shed", "kind": "cold"}
    lines = re.findall(r"<dt>([^<]+)</dt><dd[^>]*>([^<]+)</dd>", studio.page("/alarms"))
    assert [label for label, _ in lines] == ["Cause", "Do this", "Caution", "Gain"]
    told = unescape(" ".join(text for _, text in lines))
    assert told == get(studio, "/alarms")[0]["text"], "line by line what a program and a notice are told"
    assert lines[1][1].startswith("Within the hour: warm the room slowly"), "by when, and what"
    assert "acknowledged 0 min ago" in words_of(studio.post("/alarms", cold | {"do": "seen"}).text)
    assert "acknowledged" not in words_of(studio.post("/alarms", cold | {"do": "unseen"}).text)
    assert studio.post("/alarms", cold | {"do": "unseen"}).status_code == 422
    assert "acknowledged 0 min ago" in words_of(studio.post("/alarms", cold | {"do": "seen"}).text)
    assert "muted until" in words_of(studio.post("/alarms", cold | {"do": "mute 4"}).text)
    assert "muted until" not in words_of(studio.post("/alarms", cold | {"do": "unmute"}).text)
    assert studio.post("/alarms", cold | {"do": "mute 99"}).status_code == 422
    assert studio.post("/alarms", {"room": "Shed", "kind": "boredom", "do": "seen"}).status_code == 422
    studio.clock.move(timedelta(hours=3))
    studio.read(temp_c=21, hours=2)
    refresh(studio.desk, studio.clock.now())
    said = words_of(studio.page("/alarms"))
    assert "Nothing is wrong. Last readings: Shed 0 min ago." in said
    assert "too cold for wet paint: over" in said


def test_an_alarm_for_other_pieces_is_called_so_on_the_page_of_one_that_is_dry(studio: Studio) -> None:
    studio.pour("Curlew", hours_ago=6)
    studio.pour("Dunlin", hours_ago=7)
    studio.post("/piece/Dunlin/found", {"what": "dry-through", "when": "now", "spot": "middle"}, on="/reading")
    studio.read(temp_c=5, hours=8)
    refresh(studio.desk, NOW)
    assert "too cold for wet paint : what to do" in words_of(studio.page("/piece/Curlew"))
    assert "too cold for wet paint (for Curlew; Dunlin is safe from it)" in words_of(studio.page("/piece/Dunlin"))
    room = studio.page("/room/Shed")
    assert "in danger" in room[room.index("Curlew") :]
    assert "Dunlin" not in room or "in danger" not in room[room.index("Dunlin") :]


def test_a_moment_that_cannot_be_is_quoted_as_it_was_typed(studio: Studio) -> None:
    studio.pour("Curlew", hours_ago=6)
    answer = studio.post(
        "/piece/Curlew/found",
        {"what": "tacky", "when": "typed", "when_typed": "yesterday 3:05", "spot": "edge"},
        on="/reading",
    )
    assert "When: got 'yesterday 3:05', expected a moment after the pour" in words_of(answer.text)
