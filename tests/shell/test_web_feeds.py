"""What programs fetch: the calendar, the metrics; and the labels that a camera reads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import requests
from icalendar import Calendar, Event
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from curewatch.desk.commands import pours
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.undo import undo
from curewatch.desk.reports.piece import piece_report
from curewatch.settings import MailSettings, WebSettings
from curewatch.web.access.credentials import Password, Sessions, hash_of
from curewatch.web.feeds.calendar import KEPT_AFTER
from tests.refreshing import refresh
from tests.shell.web_parts import PASSWORD, Studio, served, words_of


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.pour()
        studio.read()
        refresh(studio.desk, studio.clock.now())
        yield studio


def events(studio: Studio) -> dict[str, Event]:
    """By UID."""
    answer = studio.get("/calendar.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    calendar = Calendar.from_ical(answer.text)
    assert calendar["version"] == "2.0"
    assert calendar["name"] == "What dries when"
    assert all(len(line.encode()) <= 75 for line in answer.text.split("\r\n"))
    return {str(event["uid"]): event for event in calendar.walk("VEVENT")}


def only(studio: Studio, kind: str) -> Event:
    (found,) = [event for uid, event in events(studio).items() if f"-{kind}@" in uid]
    return found


def test_each_told_milestone_is_a_tentative_event_at_its_safe_date(studio: Studio) -> None:
    found = events(studio)
    assert sorted(uid.split("@")[0] for uid in found) == [
        "piece-1-handle", "piece-1-touch-dry", "piece-1-varnish-ready",
    ]  # fmt: skip
    forecast = piece_report(studio.desk, "Curlew", studio.clock.now()).forecast
    assert forecast is not None
    safe = next(m.safe_at for m in forecast.milestones if m.kind == "touch_dry")
    assert safe is not None
    event = only(studio, "touch-dry")
    assert timedelta(0) <= event.decoded("dtstart") - safe < timedelta(minutes=15)
    assert (event["status"], int(event["sequence"]), event["summary"]) == ("TENTATIVE", 0, "Curlew: touch-dry")
    assert "Worth checking from" in event["description"]
    assert "ventilate" in only(studio, "varnish-ready")["description"]


def test_each_event_names_who_publishes_it_by_mail_where_the_studio_has_an_address(studio: Studio) -> None:
    """RFC 5546, section 3.2.1: METHOD:PUBLISH wants an ORGANIZER; RFC 5545, section 3.3.3: mail only as mailto."""
    by = {str(event["organizer"]) for event in events(studio).values()}
    (address,) = by
    assert re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", address)
    assert {str(event["organizer"]) for event in events(studio).values()} == by, "the same at each fetch"
    mail = MailSettings(host="127.0.0.1", sender="shed@shed.example")
    object.__setattr__(studio.desk, "settings", studio.desk.settings.model_copy(update={"mail": mail}))
    told = {(str(one["organizer"]), one["organizer"].params["CN"]) for one in events(studio).values()}
    assert told == {("mailto:shed@shed.example", "curewatch")}


def test_a_date_that_moves_is_the_same_event_counted_up_and_one_that_stays_is_untouched(studio: Studio) -> None:
    before = only(studio, "touch-dry")
    assert studio.get("/calendar.ics").content == studio.get("/calendar.ics").content
    studio.clock.move(timedelta(hours=1))
    studio.read(temp_c=14, rh_pct=70, hours=0)
    refresh(studio.desk, studio.clock.now())
    after = only(studio, "touch-dry")
    assert before["uid"] == after["uid"]
    assert after.decoded("dtstart") > before.decoded("dtstart")
    assert (int(before["sequence"]), int(after["sequence"])) == (0, 1)
    assert after.decoded("dtstamp") > before.decoded("dtstamp")


def test_it_is_confirmed_once_safe_and_forgotten_a_month_later(studio: Studio) -> None:
    events(studio)
    studio.clock.move(timedelta(days=5))
    studio.read(hours=5 * 24)
    refresh(studio.desk, studio.clock.now())
    assert only(studio, "touch-dry")["status"] == "CONFIRMED"
    studio.clock.move(timedelta(days=40))
    assert [uid for uid in events(studio) if "touch-dry" in uid] == []


def test_what_has_become_of_a_month_ago_was_never_cancelled(studio: Studio) -> None:
    """It ends as it was, confirmed: a calendar that keeps the past would strike out a date that came true."""
    events(studio)
    studio.clock.move(timedelta(days=5))
    studio.read(hours=5 * 24)
    refresh(studio.desk, studio.clock.now())
    start = only(studio, "touch-dry").decoded("dtstart")
    studio.clock.move(start + KEPT_AFTER - studio.clock.now() - timedelta(minutes=30))
    assert only(studio, "touch-dry")["status"] == "CONFIRMED"
    said = set()
    for _ in range(8):
        studio.clock.move(timedelta(hours=1))
        said |= {str(event["status"]) for uid, event in events(studio).items() if "touch-dry" in uid}
    assert said <= {"CONFIRMED"}


@pytest.mark.parametrize("way", ["gone", "taken back"])
def test_a_piece_that_is_no_more_leaves_cancelled_events(studio: Studio, way: str) -> None:
    events(studio)
    now = studio.clock.now()
    if way == "gone":
        pours.leave(studio.desk, "Curlew", now)
    else:
        undo(studio.desk, LogKind.POUR, ["1"], now)
    assert {(str(e["status"]), int(e["sequence"])) for e in events(studio).values()} == {("CANCELLED", 1)}
    assert {(str(e["status"]), int(e["sequence"])) for e in events(studio).values()} == {("CANCELLED", 1)}


def test_what_has_not_changed_is_not_sent_again(studio: Studio) -> None:
    tag = studio.get("/calendar.ics").headers["etag"]
    answer = studio.get("/calendar.ics", headers={"if-none-match": tag})
    assert (answer.status_code, answer.content) == (304, b"")


def test_the_private_link_opens_the_calendar_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "password") as studio:
        assert studio.get("/calendar.ics", allow_redirects=False).status_code == 303
        assert studio.get("/calendar/nonsense.ics").status_code == 404
        studio.post("/login", {"password": PASSWORD})
        page = studio.post("/ways-in", {"name": "Phone", "kind": "calendar", "password": PASSWORD}).text
        link = re.search(r"<code>\S+(/calendar/[\w-]+\.ics)</code>", page)
        assert link
        answer = requests.get(studio.url + link[1], timeout=10)
        assert answer.text.startswith("BEGIN:VCALENDAR")
        assert "set-cookie" not in answer.headers
        assert requests.get(studio.url + "/metrics", timeout=10).status_code == 401


@pytest.mark.parametrize("version", ["abc", "1..2", ""])
def test_metrics_asked_for_in_a_version_that_is_none_come_in_the_usual_one(studio: Studio, version: str) -> None:
    """RFC 9110, section 12.5.1: who cannot serve what is accepted may answer with what it has."""
    answer = studio.get("/metrics", headers={"accept": f"application/openmetrics-text; version={version}"})
    assert answer.status_code == 200
    assert "curewatch_room_temperature_celsius" in answer.text


def test_the_metrics_are_open_metrics_in_base_units_and_know_no_zero_for_what_is_not_known(studio: Studio) -> None:
    studio.pour("Shivering", "Loft")
    refresh(studio.desk, studio.clock.now())
    answer = studio.get("/metrics", headers={"accept": "application/openmetrics-text; version=1.0.0"})
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    values = {
        (sample.name, *sorted(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }
    assert values["curewatch_room_temperature_celsius", "Shed"] == 21
    assert values["curewatch_room_relative_humidity_ratio", "Shed"] == 0.5
    assert values["curewatch_pieces", "Shed", "wet"] == 1
    assert values["curewatch_pieces", "Loft", "not known"] == 1
    assert values["curewatch_alarm_active", "Shed", "cold"] == 0
    assert values["curewatch_room_reading_timestamp_seconds", "Shed"] == studio.clock.now().timestamp()
    assert ("curewatch_room_temperature_celsius", "Loft") not in values
    assert studio.get("/metrics").headers["content-type"].startswith("text/plain")


def test_a_label_carries_a_code_that_opens_its_piece_and_says_nothing_of_it(studio: Studio) -> None:
    page = studio.page("/labels")
    assert page.count('<section class="label">') == 1
    assert "Curlew" in page
    opaque = Sessions(studio.store, Password(WebSettings())).label_code(1)
    assert re.fullmatch(r"[a-z2-7]{12}", opaque)
    assert studio.get(f"/p/{opaque}").url.endswith("/piece/Curlew")
    assert studio.get("/p/aaaaaaaaaaaa").status_code == 404
    assert studio.page("/labels?piece=99").count('<section class="label">') == 0
    for asked, said in (("/labels?piece=abc", "piece: got 'abc'"), ("/?page_no=1.5", "page_no: got '1.5'")):
        answer = studio.get(asked)
        assert answer.status_code == 422
        assert f"{said}, expected a whole number" in words_of(answer.text)
