"""Pieces poured together: one row, one notice, one sheet of labels, one undo; each still its own piece."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import observing
from curewatch.desk.commands.correcting import PourChange, correct, delete
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.records import DeliveryState, Notice
from curewatch.records.facts import Finger
from curewatch.settings import MailSettings, PersonSettings
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.moved_studio import everything
from tests.shell.test_desk import HOUR, MINUTE, forecasts, order, sensed, settings_of
from tests.shell.test_desk import store as store
from tests.shell.web_parts import Studio, get, served, words_of

ADA = {
    "people": (PersonSettings(name="Ada", mail="ada@shed.example", kinds=("milestone",)),),
    "mail": MailSettings(host="localhost", sender="shed@shed.example"),
}


def coasters(desk: Desk, count: int = 6) -> None:
    store_readings(desk, sensed(NOON - HOUR, NOON))
    log_pours(desk, [replace(order(f"Coaster {k + 1}"), series="Coaster") for k in range(count)], NOON)
    refresh(desk, NOON)


def waiting(store: Store, channel: str) -> list[Notice]:
    with store.read() as tx:
        return [one.notice for one in tx.deliveries(state=DeliveryState.WAITING) if one.channel == channel]


def test_what_a_series_reaches_together_is_one_notice_for_everybody(store: Store) -> None:
    desk = Desk(store, settings_of(**ADA))
    coasters(desk)
    even = forecasts(store)[1].milestones[1].worth_checking_at
    assert even is not None
    refresh(desk, even + MINUTE)
    for channel in ("webhook", "mail:Ada"):
        told = [one for one in waiting(store, channel) if one.data["milestone"] == "touch_dry"]
        assert [str(one.title) for one in told] == ["Coaster, 6 pieces: worth checking, probably touch-dry"], channel
        assert "All 6 of Coaster are probably touch-dry by now." in str(told[0].text)
        assert told[0].data["pieces"] == [f"Coaster {k}" for k in range(1, 7)]
    refresh(desk, even + 2 * MINUTE)
    assert len([one for one in waiting(store, "webhook") if one.data["milestone"] == "touch_dry"]) == 1, "nor again"


def test_a_finger_on_one_takes_it_out_of_what_waits_and_the_others_are_told_anew(store: Store) -> None:
    desk = Desk(store, settings_of(**ADA, webhook=False))
    coasters(desk, 3)
    even = forecasts(store)[1].milestones[1].worth_checking_at
    assert even is not None
    refresh(desk, even + MINUTE)
    observing.feel(desk, "Coaster 1", Finger.TOUCH_DRY, even + 2 * MINUTE, even + 2 * MINUTE)
    assert [one for one in waiting(store, "mail:Ada") if one.data["milestone"] == "touch_dry"] == [], "not said of it"
    refresh(desk, even + 3 * MINUTE)
    (told,) = [one for one in waiting(store, "mail:Ada") if one.data["milestone"] == "touch_dry"]
    assert "2 of the 3 of Coaster (Coaster 2 and Coaster 3) are probably touch-dry" in str(told.text)


def heard(store: Store, now: datetime, *channels: str) -> list[str]:
    """The titles of all that waits for these channels and now goes out; of what is withdrawn the text too."""
    found = []
    with store.write() as tx:
        for one in tx.deliveries(state=DeliveryState.WAITING):
            if one.channel in channels:
                tx.mark_delivered(one.id, now)
                told = one.notice
                found.append(f"{told.title} {told.text}" if told.kind == "withdrawn" else str(told.title))
    return found


@pytest.mark.parametrize("which", [1, 2])
def test_of_one_that_is_put_right_all_who_were_told_of_it_hear_once_and_the_others_stand(
    store: Store, which: int
) -> None:
    """The first of a series bears the notice of all; of whichever it is, what was said of it alone is taken back."""
    desk = Desk(store, settings_of(**ADA))
    coasters(desk, 3)
    safe = forecasts(store)[1].milestones[1].safe_at
    assert safe is not None
    now = safe + MINUTE
    refresh(desk, now)
    assert "Coaster, 3 pieces: safe to assume touch-dry" in heard(store, now, "webhook", "mail:Ada")
    name = f"Coaster {which}"
    correct(desk, name, PourChange(at=now - HOUR), now)
    for k in range(1, 4):
        refresh(desk, now + k * MINUTE)
    for channel in ("webhook", "mail:Ada"):
        (line,) = heard(store, now, channel)
        assert line.startswith(f"{name}: ")
        assert "(withdrawn: the pour was corrected)" in line
        assert f"{name}: safe to assume touch-dry" in line
        assert "Coaster, 3" not in line
    correct(desk, name, PourChange(at=NOON), now + 5 * MINUTE)
    refresh(desk, now + 6 * MINUTE)
    again = [title for title in heard(store, now, "webhook") if "touch-dry" in title]
    assert again == [f"{name}: safe to assume touch-dry"], "so after all"


@pytest.mark.parametrize("which", [1, 2])
@pytest.mark.parametrize("how", ["corrected", "deleted", "found tacky"])
def test_who_has_not_heard_yet_hears_of_the_others_and_who_has_of_the_one(store: Store, which: int, how: str) -> None:
    desk = Desk(store, settings_of(**ADA))
    coasters(desk, 3)
    safe = forecasts(store)[1].milestones[1].safe_at
    assert safe is not None
    now, name = safe + MINUTE, f"Coaster {which}"
    refresh(desk, now)
    heard(store, now, "webhook")
    if how == "corrected":
        correct(desk, name, PourChange(at=now - HOUR), now)
    elif how == "deleted":
        delete(desk, name, now)
    else:
        observing.feel(desk, name, Finger.TACKY, now, now)
    assert [t for t in heard(store, now, "mail:Ada") if "Coaster, 3" in t and "safe" in t] == [], "not said of it"
    for k in range(1, 4):
        refresh(desk, now + k * MINUTE)
    (line,) = [title for title in heard(store, now, "webhook") if "withdrawn" in title]
    assert f"{name}: safe to assume touch-dry" in line
    told = [title for title in heard(store, now, "mail:Ada") if title.startswith("Coaster") and "safe" in title]
    learned = how == "found tacky"  # of one, and so of the others: of none it is so any more
    assert told == ([] if learned else ["Coaster, 2 pieces: safe to assume touch-dry"])


def test_one_that_comes_later_within_the_round_joins_the_notice_that_waits(store: Store) -> None:
    desk = Desk(store, settings_of(**ADA, webhook=False))
    store_readings(desk, sensed(NOON - HOUR, NOON))
    thicker = [replace(order(f"Coaster {k + 1}"), series="Coaster", wet_thickness_m=m * 1e-3)
               for k, m in enumerate((1.2, 1.25))]  # fmt: skip
    log_pours(desk, thicker, NOON)
    refresh(desk, NOON)
    first, second = (forecasts(store)[k].milestones[1].worth_checking_at for k in (1, 2))
    assert first is not None
    assert second is not None
    assert first < second
    refresh(desk, first + MINUTE)
    (told,) = [one for one in waiting(store, "mail:Ada") if one.data["milestone"] == "touch_dry"]
    assert str(told.title) == "Coaster 1: worth checking, probably touch-dry"
    refresh(desk, second + MINUTE)
    (told,) = [one for one in waiting(store, "mail:Ada") if one.data["milestone"] == "touch_dry"]
    assert str(told.title) == "Coaster, 2 pieces: worth checking, probably touch-dry"


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    return tmp_path


def test_on_the_command_line_six_are_one_row_and_one_undo(shell: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def out(*line: str) -> str:
        assert main(list(line)) == 0, capsys.readouterr().err
        return capsys.readouterr().out

    out("reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", "7 h ago")
    out("pour", "Coaster", "--room", "Shed", "--layer", "thin", "--times", "6", "--at", "6 h ago")
    out("pour", "Eel", "--room", "Shed", "--layer", "thin", "--at", "6 h ago")
    rows = [line for line in out("board").splitlines() if line.startswith(("Coaster", "Eel"))]
    assert [re.split(r"\s{2,}", row)[0] for row in rows] == ["Coaster ×6", "Eel"]
    seen = json.loads(out("board", "--json"))
    assert [(one["name"], len(one["pieces"])) for one in seen["series"]] == [("Coaster", 6)]
    assert len(seen["pieces"]) == 7, "each is still its own piece"
    out("feel", "Coaster 2", "tacky")
    assert "of 6: " in out("board"), "what differs is said beneath"
    listed = out("series", "Coaster")
    assert listed.startswith("Coaster, 6 pieces")
    assert all(f"Coaster {k}" in listed for k in range(1, 7))
    assert main(["undo", "Coaster"]) == 2
    assert "nothing was found of" in capsys.readouterr().err
    assert out("undo", "Coaster 2") == "Taken back: Coaster 2: still tacky.\n"
    assert out("undo", "Coaster") == "Taken back: Poured: Coaster 1 to Coaster 6, 6 pieces.\n"
    assert "Coaster" not in out("board")
    assert main(["series", "Coaster"]) == 2


def test_a_pair_is_poured_and_compared_in_one_view(shell: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def told(*line: str) -> Any:
        assert main([*line, "--json"]) == 0, capsys.readouterr().err
        return json.loads(capsys.readouterr().out)

    told("reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", "7 h ago")
    told("pour", "Heron", "--room", "Shed", "--layer", "thin", "--pair", "silicone", "--at", "6 h ago")
    told(
        "pour", "Rail", "--room", "Shed", "--layer", "thin", "--pair", "river blend", "--times", "2", "--at", "6 h ago"
    )
    assert [one["silicone"] for one in told("compare", "Heron")["pieces"]] == [False, True]
    found = [(one["name"], one["recipe"]) for one in told("compare", "Rail")["pieces"]]
    assert found == [("Rail 1", "house mix"), ("Rail 3", "river blend")]
    assert main(["compare", "Heron"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"Mix \*\s+house mix", said), "what differs is marked"
    assert re.search(r"^Surface {12}\S", said, re.MULTILINE)
    assert main(["pour", "Smew", "--room", "Shed", "--layer", "thin", "--pair", "house mix"]) == 2
    assert "--pair: got 'house mix', expected silicone, or the name of another recipe" in capsys.readouterr().err


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read(hours=30)
        yield studio


def test_on_the_page_and_in_the_api_a_series_is_one_row_one_sheet_and_one_undo(studio: Studio, tmp_path: Path) -> None:
    form = {"name": "Coaster", "count": "3", "when": "3 h ago", "room": "Shed", "thickness": "thin", "pair": "silicone"}
    assert "Logged: Coaster 1, Coaster 2" in words_of(studio.post("/pour", form).text)
    board = studio.page("/")
    assert len(re.findall(r'<li class="piece', board)) == 1
    assert "Coaster ×6" in words_of(board)
    whole = studio.page("/series/Coaster")
    assert len(re.findall(r'<li class="piece', whole)) == 6
    assert "with silicone" in words_of(whole)
    assert "Mix differs" in words_of(whole)
    assert len(re.findall(r'<section class="label">', studio.page("/labels?series=Coaster"))) == 6
    assert [len(one["pieces"]) for one in get(studio, "/series")] == [6]
    assert len(get(studio, "/labels?series=Coaster")) == 6
    assert [one["silicone"] for one in get(studio, "/compare?one=Coaster")["pieces"]] == [False, True]
    assert studio.get("/api/v1/compare?one=Coster").status_code == 404
    exported = everything(studio.desk)
    assert {one["series"] for one in exported["pieces"]} == {"Coaster"}
    sent = studio.post("/pour/again", {"count": "2"}, on="/pour")
    assert "Logged: Coaster 7, Coaster 8." in words_of(sent.text)
    assert sorted((one["name"], len(one["pieces"])) for one in get(studio, "/series")) == [
        ("Coaster", 6), ("Coaster 7 to 8", 2)
    ]  # fmt: skip
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', whole.split('action="/undo"')[1].split("</form>")[0])
    assert studio.browser.post(studio.url + "/undo", data=fields, timeout=60).status_code == 200
    assert studio.names() == ["Coaster 7", "Coaster 8"]
    assert studio.get("/series/Coaster").status_code == 404
