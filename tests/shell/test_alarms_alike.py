"""What stands, what is close to it and what was told is one story: on the page, in the terminal and in the API."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.desk.commands import alarm_care, observing, pours
from curewatch.desk.commands.readings import store_readings
from curewatch.records import AlarmKind, MilestoneKind, Notice, Reading
from curewatch.records.facts import TYPED, Finger
from curewatch.records.workshop import Promise
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get, served, words_of

HOUR = timedelta(hours=1)
Said = Callable[..., str]


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


@pytest.fixture
def said(studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Said:
    """What a command prints of that studio, at its time."""
    monkeypatch.setattr(SystemClock, "now", lambda self: studio.clock.now())
    settings = tmp_path / "curewatch.toml"
    settings.write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 32\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(settings))

    def run(*argv: str) -> str:
        capsys.readouterr()
        assert main(["--store", str(studio.store.location), *argv]) == 0
        return capsys.readouterr().out

    return run


def flat(text: str) -> str:
    return " ".join(text.split())


def alarms_as(studio: Studio, said: Said, *without: str) -> tuple[str, str, dict[str, Any]]:
    """The page, the command, and the API's JSON, which is the command's; none of them says what is `without`."""
    page, command = words_of(studio.page("/alarms")).replace(" :", ":"), flat(said("alarms"))
    answer = get(studio, "/alarms/now")
    printed = json.loads(said("alarms", "--json"))
    assert {name: printed[name] for name in answer} == answer
    for words in without:
        assert words not in page
        assert words not in command
    return page, command, answer


def test_what_is_over_its_limit_for_a_minute_is_in_danger_and_close_to_an_alarm_for_every_reader(
    studio: Studio, said: Said
) -> None:
    """Seen: at 4.5 °C the page said that nothing was in danger, that nothing was wrong, and right below "over its
    limit"; the command had neither."""
    studio.pour("Curlew", hours_ago=6)
    studio.pour("Dunlin", hours_ago=40)
    observing.feel(studio.desk, "Dunlin", Finger.DRY_THROUGH, NOW, NOW)
    studio.read(hours=0, temp_c=4.5, rh_pct=60)
    refresh(studio.desk, NOW)
    page, command, answer = alarms_as(studio, said, "Nothing is wrong")
    close = "Shed: too cold for wet paint since today 09:00; you are told if it lasts"
    assert f"Close to an alarm: {close}" in page
    assert f"No alarm is on. Close to an alarm {close}" in command
    assert ([one["text"] for one in answer["close"]], answer["well"]) == ([close], False)
    board = get(studio, "/board")
    assert ([one["text"] for one in board["close"]], board["alarms"]) == ([close], [])
    assert board["answers"][2]["pieces"] == ["Curlew"], "and not what was found dry"
    first = words_of(studio.page("/"))
    assert "In danger 1 Curlew" in first
    assert f"Close to an alarm : {close}" in first
    assert words_of(studio.page("/")).count("! in danger") == 1
    assert "In danger Curlew" in flat(said("board"))
    for path in ("/room/Shed", "/wall"):
        assert close in words_of(studio.page(path))
    assert close in words_of(studio.page("/piece/Curlew"))
    assert f"close to an alarm: {close}" in flat(said("piece", "Curlew"))
    assert [one["text"] for one in get(studio, "/pieces/Curlew")["close"]] == [close]
    assert [one["text"] for one in get(studio, "/rooms/Shed")["close"]] == [close]

    now = studio.clock.move(timedelta(minutes=20))
    studio.read(hours=0, temp_c=4.5, rh_pct=60)
    refresh(studio.desk, now)
    page, command, answer = alarms_as(studio, said, "Nothing is wrong", "Close to an alarm", "No alarm is on")
    assert [one["alarm"] for one in answer["active"]] == ["cold"]
    assert "In danger 1 Curlew" in words_of(studio.page("/"))
    (told,) = answer["told"]
    assert f"{told['title']}" in page.split("Earlier messages")[1]
    assert told["title"] in command.split("Told last")[1]
    assert told["title"] in flat(said("notices"))

    now = studio.clock.move(3 * HOUR)
    studio.read(hours=2, temp_c=21)
    refresh(studio.desk, now)
    page, command, answer = alarms_as(studio, said, "No alarm is on", "Close to an alarm")
    assert answer["well"] is (not answer["harm"])
    assert ("Nothing is wrong" in page) is answer["well"]
    assert ("Nothing is wrong" in command) is answer["well"]


def test_what_was_foretold_and_what_is_at_risk_stand_with_what_was_told_of_them(studio: Studio, said: Said) -> None:
    """Seen: notices of frost to come and of dates at risk were sent, and the alarms' page had neither."""
    studio.pour("Curlew", hours_ago=6)
    studio.read(hours=8, temp_c=21)
    due = Promise(piece_id=0, due_at=NOW + 2 * HOUR, ready=MilestoneKind.HANDLE, occasion="fair", logged_at=NOW)
    pours.promise(studio.desk, "Curlew", due, NOW)
    refresh(studio.desk, NOW)
    frost = Notice(
        key="foreseen/frost/Shed/2026-11-20", kind="foreseen", created_at=NOW, title="Shed: frost may come from 22:00",
        text="It may freeze.", expires_at=NOW + 20 * HOUR, room="Shed",
        data={"alarm": "frost", "begins_at": (NOW + 13 * HOUR).isoformat(), "ends_at": (NOW + 20 * HOUR).isoformat()},
    )  # fmt: skip
    with studio.store.write() as tx:
        tx.add_notice(frost, {})
    page, command, answer = alarms_as(studio, said, "Nothing is wrong")
    risk = "Curlew: due Fri 20 Nov 2026 11:00 for fair, dry to handle: "
    for text in (page, command):
        assert "Close to an alarm" in text
        assert text.count(frost.title) == 2, "as what is close, and as what was told"
        assert risk in text
        assert "Curlew: at risk for Fri 20 Nov 2026 11:00 for fair, dry to handle" in text
    assert [one["piece"] for one in answer["at_risk"]] == ["Curlew"]
    assert [(one["alarm"], one["since"]) for one in answer["close"]] == [("frost", None)]
    assert {one["kind"] for one in answer["told"]} == {"foreseen", "promise"}
    assert frost.title in words_of(studio.page("/room/Shed"))
    studio.clock.move(21 * HOUR)
    assert get(studio, "/alarms/now")["close"] == []


def test_what_is_so_now_is_not_foretold(studio: Studio) -> None:
    """Seen: a cellar too cold since 17:31 that "will be too cold from 18:01", both told at 17:31."""
    now = studio.clock.move(8 * HOUR)
    studio.pour("Curlew", hours_ago=0)
    studio.read(hours=0, temp_c=9, rh_pct=60)
    refresh(studio.desk, now)
    answer = get(studio, "/alarms/now")
    assert [(one["alarm"], one["from_at"]) for one in answer["close"]] == [("cold", None)]
    refresh(studio.desk, studio.clock.move(timedelta(minutes=30)))
    assert [one["kind"] for one in get(studio, "/alarms/now")["told"]] == ["alarm"]


def test_an_alarm_says_of_when_its_reading_is_and_not_of_when_it_was_judged(studio: Studio) -> None:
    """Seen: of one reading typed in the morning one alarm was "last checked 17 h ago", another "2 min ago", and the
    room "was at 1.5 °C (22:34)"."""
    studio.pour("Curlew", hours_ago=30)
    store_readings(studio.desk, [Reading(room="Shed", at=NOW, temp_c=1.5, rh_pct=80, source=TYPED, received_at=NOW)])
    for minutes in (0, 20, 8 * 60, 16 * 60):
        refresh(studio.desk, studio.clock.now())
        studio.clock.move(NOW + timedelta(minutes=minutes) - studio.clock.now())
    refresh(studio.desk, studio.clock.now())
    active = get(studio, "/alarms/now")["active"]
    assert {one["alarm"] for one in active} >= {"frost", "damp"}
    for one in active:
        assert "The room was at 1.5 °C, 80 %RH (Fri 20 Nov 09:00)" in one["text"]
    assert words_of(studio.page("/alarms")).count("read 16 h ago") == len(active)


def test_a_room_of_which_nothing_is_known_is_not_well_and_a_muted_one_is_not_told(studio: Studio, said: Said) -> None:
    studio.pour("Curlew", "Loft", hours_ago=1)
    refresh(studio.desk, NOW)
    page, command, answer = alarms_as(studio, said, "Nothing is wrong")
    assert "Loft: something dries there, and it was never read" in page
    assert "no alarm can tell of them: Loft" in command
    assert answer["unread"] == ["Loft"]
    alarm_care.mute(studio.desk, "Loft", AlarmKind.COLD, 8 * HOUR, NOW)
    now = studio.clock.move(timedelta(minutes=1))
    studio.read("Loft", hours=0, temp_c=5)
    refresh(studio.desk, now)
    page, command, _ = alarms_as(studio, said, "you are told if it lasts")
    for text in (page, command):
        assert "Loft: too cold for wet paint since today 09:01; muted" in text


def test_a_place_that_is_likely_free_is_told_with_its_odds_and_one_that_is_safe_without(
    studio: Studio, said: Said
) -> None:
    """Seen: places were called free that were so at even odds only."""
    studio.read(hours=300)
    studio.pour("Long dry", hours_ago=250)
    studio.pour("Curlew", hours_ago=1, place="rack 2")
    refresh(studio.desk, NOW)
    handle = get(studio, "/pieces/Curlew")["milestones"]["handle"]
    even, safe = (datetime.fromisoformat(handle[key]) for key in ("worth_checking_at", "safe_at"))
    now = studio.clock.move(even + (safe - even) / 3 - timedelta(days=1) - NOW)
    refresh(studio.desk, now)
    places = get(studio, "/board")["answers"][1]
    assert places["pieces"] == ["Long dry", "Curlew"] or places["pieces"] == ["Curlew", "Long dry"]
    assert list(places["odds"]) == ["Curlew"]
    assert 0.5 < places["odds"]["Curlew"] < 0.9
    told = f"Curlew ({100 * places['odds']['Curlew']:.0f} %)"
    for text in (words_of(studio.page("/")), flat(said("board"))):
        assert told in text
        assert "Long dry (" not in text


COMMAND = "curewatch "


def test_after_logging_a_page_names_its_button_and_the_terminal_its_command(studio: Studio, said: Said) -> None:
    """Seen: "`curewatch undo`" above the Undo button."""
    studio.pour("Curlew", hours_ago=40)
    studio.read(hours=48)
    refresh(studio.desk, NOW)
    typed = {"room": "Shed", "temperature": "21", "humidity": "50", "when": "now"}
    pages = [
        studio.post("/piece/Curlew/found", {"what": what, "when": "now", "spot": "edge"}, on="/reading").text
        for what in ("dry-through", "tacky")
        for _ in [studio.clock.move(HOUR)]
    ]
    for temperature in ("6", "16"):
        studio.clock.move(timedelta(minutes=3))
        pages.append(studio.post("/reading", typed | {"temperature": temperature}).text)
    for page in pages:
        flash = words_of(page.split('<div class="done"')[1].split("</form>")[0])
        assert "Logged: " in flash or "logged" in flash
        assert COMMAND not in flash
        assert "Undo" in flash
    assert "take it back" in words_of(pages[1])
    assert "A slip? Then take this one back" in words_of(pages[3])
    assert COMMAND not in words_of(studio.page("/piece/Curlew"))
    studio.clock.move(HOUR)
    typed_in = ("reading", "--room", "Shed", "--humidity", "50%", "--temperature")
    again = [flat(said(*typed_in, degrees)) for degrees in ("18C", "25C")]
    assert again[0].endswith("Logged Shed: 18.0 °C, 50 % at Fri 20 Nov 12:06.")
    assert again[1].endswith("take it back first (`curewatch undo --room 'Shed'`). Nothing was logged.")
    studio.clock.move(timedelta(minutes=3))
    third = flat(said(*typed_in, "25C"))
    assert "A slip? Then take this one back (`curewatch undo --room 'Shed'`)" in third


def test_a_date_that_a_record_lacks_has_its_reason_there(studio: Studio) -> None:
    """Seen: "safe not foreseen", and no word of why."""
    studio.pour("Curlew", hours_ago=20, wet_mm=4)
    studio.read(temp_c=6, rh_pct=85, hours=24)
    refresh(studio.desk, NOW)
    dates = get(studio, "/pieces/Curlew")["milestones"].values()
    lacking = [one for one in dates if one["safe_at"] is None and one["reason"]]
    assert lacking
    record = words_of(studio.page("/record/Curlew"))
    assert record.count("safe not foreseen") == len(lacking)
    for one in lacking:
        assert f"safe not foreseen {one['reason']}" in record
