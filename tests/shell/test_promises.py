"""A piece promised for a date: seen at risk weeks ahead, told once, and told when it is in time again."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import observing, pours
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports.board import board_of
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import MilestoneKind
from curewatch.records.facts import Finger
from curewatch.records.workshop import Promise
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.moved_studio import everything, from_json
from tests.shell.test_desk import HOUR, MINUTE, forecasts, notices, order, reading, sensed, settings_of
from tests.shell.test_desk import store as store
from tests.shell.web_parts import NOW, Studio, get, served, words_of

READY = MilestoneKind.VARNISH_READY


def told(store: Store) -> list[tuple[str, bool]]:
    return [(str(one.title), one.data["at_risk"]) for one in notices(store) if one.kind == "promise"]


def promised(desk: Desk, due: datetime, now: datetime, ready: MilestoneKind = READY) -> None:
    wanted = Promise(piece_id=0, due_at=due, ready=ready, occasion="fair", logged_at=now)
    pours.promise(desk, "Heron", wanted, now)
    refresh(desk, now)


def test_at_risk_is_told_once_with_what_would_help_and_again_when_it_is_in_time(store: Store) -> None:
    desk = Desk(store, settings_of())
    store_readings(desk, sensed(NOON - HOUR, NOON, temp=16, rh=60))
    log_pour(desk, order(), NOON)
    refresh(desk, NOON)
    ready = forecasts(store)[1].milestone(READY)
    assert ready is not None
    assert ready.worth_checking_at is not None
    assert ready.worth_checking_at - NOON > timedelta(days=14), "weeks ahead"
    due = ready.worth_checking_at
    promised(desk, due, NOON + MINUTE)
    ((title, risk),) = told(store)
    assert (title.startswith("Heron: at risk for "), risk) == (True, True)
    (notice,) = [one for one in notices(store) if one.kind == "promise"]
    assert "Heron, in Boat shed, is in time in 50 % of cases. What would help: 3 °C warmer, in time in " in str(
        notice.text
    )
    assert "Never leave a heater unattended" in str(notice.text)
    (line,) = board_of(desk, NOON + MINUTE).pieces
    assert line.promised is not None
    assert line.promised.odds == pytest.approx(notice.data["odds"], abs=1e-3), "the board tells the same"
    for minutes in (2, 3, 60):
        refresh(desk, NOON + minutes * MINUTE)
    assert len(told(store)) == 1
    promised(desk, due + timedelta(days=90), NOON + 2 * HOUR)
    assert len(told(store)) == 1, "a date that is safe is no news"
    promised(desk, due, NOON + 3 * HOUR)
    assert len(told(store)) == 1, "nor is the first one, once more"
    observing.feel(desk, "Heron", Finger.DRY_THROUGH, NOON + 4 * HOUR, NOON + 4 * HOUR)
    promised(desk, NOON + 20 * HOUR, NOON + 4 * HOUR, MilestoneKind.HANDLE)
    (line,) = board_of(desk, NOON + 4 * HOUR).pieces
    assert line.promised is not None
    assert (line.promised.odds, line.promised.at_risk) == (1.0, False)


def test_it_is_told_when_a_warm_room_brings_it_back_in_time(store: Store) -> None:
    desk = Desk(store, settings_of())
    store_readings(desk, sensed(NOON - HOUR, NOON, temp=9, rh=60))
    log_pour(desk, order(), NOON)
    refresh(desk, NOON)
    handle = forecasts(store)[1].milestone(MilestoneKind.HANDLE)
    assert handle is not None
    assert handle.worth_checking_at is not None
    promised(desk, handle.worth_checking_at, NOON + MINUTE, MilestoneKind.HANDLE)
    now = NOON + MINUTE
    while len(told(store)) < 2 and now < handle.worth_checking_at:
        now += HOUR
        store_readings(desk, [reading(now, 26.0, 40.0, source="post")])
        refresh(desk, now)
    assert [risk for _, risk in told(store)] == [True, False]
    assert told(store)[1][0].startswith("Heron: likely in time again for ")


def test_a_date_that_is_past_was_not_met_by_what_is_tacky_since(store: Store) -> None:
    """What a finger finds later holds of the date before it, however sure the model was of that."""
    desk, later = Desk(store, settings_of()), NOON + timedelta(days=9)
    store_readings(desk, sensed(NOON - HOUR, NOON, temp=23, rh=45))
    log_pour(desk, order(), NOON)
    promised(desk, NOON + timedelta(days=8), NOON, MilestoneKind.HANDLE)
    (line,) = board_of(desk, later).pieces
    assert line.promised is not None
    assert line.promised.odds is not None
    assert line.promised.odds > 0.95
    observing.feel(desk, "Heron", Finger.TACKY, later, later)
    for dates in ("of before", "of what was found"):
        (line,) = board_of(desk, later).pieces
        assert line.promised is not None
        assert (str(line.promised.odds_in_words), line.promised.at_risk) == ("not in time", True), dates
        refresh(desk, later)


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read(hours=30)
        yield studio


def test_page_api_calendar_plan_and_export_tell_one_story(studio: Studio, tmp_path: Path) -> None:
    form = {"name": "Coaster", "count": "2", "when": "3 h ago", "room": "Shed", "thickness": "thick",
            "due": "21 Nov", "occasion": "fair"}  # fmt: skip
    assert "Logged: Coaster 1, Coaster 2." in words_of(studio.post("/pour", form).text)
    piece = get(studio, "/pieces/Coaster 1")["promised"]
    assert (piece["due_at"], piece["occasion"], piece["ready"]) == ("2026-11-21T18:00:00Z", "fair", "handle")
    said = piece["text"]
    assert re.fullmatch(
        r"due Sat 21 Nov 2026 18:00 for fair, dry to handle: in time in \d+ % of cases(, at risk)?", said
    )
    for path in ("/", "/piece/Coaster 1", "/series/Coaster"):
        assert said.removeprefix("due ") in words_of(studio.page(path)), path
    assert "dry to handle by 21 Nov 2026, 18:00 for fair" in words_of(studio.page("/record/Coaster 1"))
    studio.read(hours=1)
    plan = "room=Shed&due=2026-12-04T18:00:00Z&wet_thickness_mm=1"
    assert [(one["piece"], one["text"]) for one in get(studio, f"/plan?{plan}")["promised"]] == [
        ("Coaster 1", said), ("Coaster 2", said)
    ]  # fmt: skip
    feed = studio.get("/calendar.ics").text.replace("\r\n ", "")
    event = next(part for part in feed.split("BEGIN:VEVENT") if "due for fair" in part)
    assert "SUMMARY:Coaster\\, 2 pieces: due for fair" in event
    assert "DTSTART:20261121T180000Z" in event
    url = studio.url + "/api/v1/pieces/Coaster/promise"
    studio.clock.move(MINUTE)
    sent = studio.browser.post(url, json={"due": "friday", "occasion": "open day"}, timeout=60)
    assert (sent.status_code, get(studio, "/pieces/Coaster 2")["promised"]["due_at"]) == (201, "2026-11-20T18:00:00Z")
    assert studio.browser.post(url, json={"due": "yesterday"}, timeout=60).status_code == 422
    studio.clock.move(MINUTE)
    page = studio.post("/piece/Coaster 2/promise", {"due": "27 Nov", "occasion": "fair", "ready": "varnish-ready"},
                       on="/piece/Coaster 2").text  # fmt: skip
    assert get(studio, "/pieces/Coaster 2")["promised"]["ready"] == "varnish_ready"
    assert "at risk" in words_of(studio.page("/piece/Coaster 2"))
    studio.undo(page)
    assert get(studio, "/pieces/Coaster 2")["promised"]["occasion"] == "open day"
    studio.clock.move(MINUTE)
    assert studio.browser.post(url, json={"due": None}, timeout=60).status_code == 201
    assert get(studio, "/pieces/Coaster 1")["promised"] is None
    exported = everything(studio.desk)
    assert [(one["piece_id"], one["occasion"]) for one in exported["promises"]] == [
        (1, "fair"), (1, "open day"), (1, None), (2, "fair"), (2, "open day"), (2, None)
    ]  # fmt: skip
    with Store.open(tmp_path / "other.sqlite") as other:
        import_facts(Desk(other, studio.desk.settings), from_json(exported))
        assert everything(Desk(other, studio.desk.settings)) == exported
    assert NOW.tzinfo is UTC


def test_on_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))

    def out(*line: str) -> Any:
        assert main([*line]) == 0, capsys.readouterr().err
        said = capsys.readouterr().out
        return json.loads(said) if "--json" in line else " ".join(said.split())

    out("reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", "3 h ago")
    poured = out("pour", "Heron", "--room", "Shed", "--layer", "thick", "--due", "in 4 days", "--for", "fair",
                 "--ready", "varnish-ready", "--at", "2 h ago", "--by", "Ada", "--json")  # fmt: skip
    assert (poured["promised"]["by"], poured["promised"]["at_risk"]) == ("Ada", True)
    text = poured["promised"]["text"]
    for line in (("board",), ("piece", "Heron"), ("plan", "--due", "in 30 days", "--layer", "thin")):
        assert text.removeprefix("due ") in out(*line), line
    assert re.search(r"What would help: |No change of its room would help", out("piece", "Heron"))
    assert out("promise", "Heron", "--due", "in 300 days").startswith("Heron: due ")
    assert "at risk" not in out("board")
    assert out("undo", "Heron") == "Taken back: Heron: promised for a date."
    assert "at risk" in out("board")
    assert out("promise", "Heron", "--none") == "Heron: no longer promised."
    for line, says in (
        (("promise", "Heron"), "--due: missing"),
        (("promise", "Heron", "--none"), "was promised for none"),
        (("promise", "Heron", "--due", "yesterday"), "a day or time to come"),
        (("promise", "Herron", "--due", "friday"), "'Heron'"),
        (("pour", "Eel", "--room", "Shed", "--layer", "thin", "--for", "fair"), "--for: got 'fair'"),
    ):
        assert main(list(line)) == 2
        assert says in capsys.readouterr().err, line
