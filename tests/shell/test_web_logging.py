"""What people log from the page, and take back."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands import pours as moves
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.commands.undo import undo
from curewatch.desk.mixing import put_recipe
from curewatch.desk.refresh.refresher import Refresher
from curewatch.desk.reports.board import BoardCache, board_of
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.transfer.exporting import KINDS
from curewatch.intake.typed.pours import continued
from curewatch.records import Reading, Recipe
from curewatch.records.errors import InputError
from curewatch.store import StoreError
from curewatch.web import site
from tests.refreshing import refresh
from tests.shell.parts import wait_for
from tests.shell.web_parts import NOW, TIMEOUT_S, Studio, served, words_of

POUR = {
    "name": "Curlew", "count": "1", "when": "now", "room": "Shed", "thickness": "gauge", "gauge": "1,4",
    "size": "30x40cm", "recipe": "river white", "place": "rack 2", "support": "board", "air": "", "silicone": "yes",
}  # fmt: skip


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def test_a_pour_as_typed_is_stored_and_stands_on_the_board_with_its_dates(studio: Studio) -> None:
    studio.read()
    page = studio.post("/pour", POUR).text
    assert "Logged: Curlew." in page
    torch = "never near alcohol, spray cans or their vapour"
    said = words_of(page)
    assert said.count(torch) == 1, "where the torch is in the hand"
    assert said.count("Follow the product's safety sheet and local codes; fixed wiring and heating are a licensed") == 1
    assert "worth checking" in words_of(page)
    drying = piece_report(studio.desk, "Curlew", NOW).drying
    assert (drying.room, drying.place, drying.pour.at) == ("Shed", "rack 2", NOW)
    assert drying.pour.wet_thickness_m == pytest.approx(1.4e-3)
    assert (drying.pour.silicone, drying.pour.support, drying.pour.recipe) == (True, "board", "river white")
    assert (drying.pour.width_m, drying.pour.height_m) == (0.30, 0.40)
    assert studio.told == 1
    long_ago = words_of(studio.post("/pour", POUR | {"name": "Reed", "when": "3 h ago", "place": ""}).text)
    assert (long_ago.count("Logged: Reed."), long_ago.count(torch)) == (1, 0)


def test_what_is_logged_is_answered_though_its_dates_take_long_and_they_follow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with served(tmp_path, patience_s=0.2) as studio:
        let_go, real = threading.Event(), Refresher.refresh
        monkeypatch.setattr(Refresher, "refresh", lambda *who, **how: let_go.wait(TIMEOUT_S) and real(*who, **how))
        studio.read()
        began = time.monotonic()
        assert "Logged: Curlew." in studio.post("/pour", POUR).text
        assert time.monotonic() - began < 10
        assert piece_report(studio.desk, "Curlew", NOW).forecast is None
        let_go.set()
        wait_for(lambda: piece_report(studio.desk, "Curlew", NOW).forecast is not None, TIMEOUT_S, "its dates")
        wait_for(lambda: studio.told == 1, what="the daemon being woken")


def test_what_is_logged_while_a_look_takes_long_waits_for_one_more_look_and_not_for_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look that has not begun sees all that is logged until then. Common practice, no source."""
    with served(tmp_path, patience_s=0.1) as studio:
        let_go, looked = threading.Event(), list[datetime]()
        monkeypatch.setattr(Refresher, "refresh", lambda one, now, **how: looked.append(now) or let_go.wait(TIMEOUT_S))
        for minute in range(6):
            studio.clock.move(timedelta(minutes=1))
            studio.post("/pour", POUR | {"name": f"Curlew {minute}"})
        assert sum(thread.name == "page-look" for thread in threading.enumerate()) == 2
        let_go.set()
        wait_for(lambda: studio.told == 2, what="both looks")
        assert looked == [NOW + timedelta(minutes=1), NOW + timedelta(minutes=6)]


def test_more_pieces_than_a_moment_is_enough_for_are_left_to_the_daemon(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The daemon ends such a look before it ends itself; a thread of the page would hold up its end."""
    monkeypatch.setattr(site, "AT_HAND", 2)
    studio.read()
    page = studio.post("/pour", POUR | {"count": "3"}).text
    assert "Logged: Curlew 1, Curlew 2, Curlew 3." in page
    assert studio.told == 1
    assert piece_report(studio.desk, "Curlew 1", NOW).forecast is None
    refresh(studio.desk, NOW)  # as the daemon does, once it was told
    assert piece_report(studio.desk, "Curlew 1", NOW).forecast is not None


def test_a_look_that_fails_costs_nobody_what_was_logged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(desk: Desk, now: datetime, **how: Any) -> None:
        raise StoreError("the disk is full")

    with served(tmp_path) as studio:
        monkeypatch.setattr(Refresher, "refresh", fails)
        assert "Logged: Curlew." in studio.post("/pour", POUR).text
        assert studio.names() == ["Curlew"]
        assert studio.told == 1  # the daemon tries again, and says what is wrong


def test_a_studio_taken_in_is_not_said_to_be_refused_where_the_look_after_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is stored by then, and a second try would be told that the store is not empty."""

    def fails(desk: Desk, now: datetime, **how: Any) -> None:
        raise StoreError("the disk is full")

    with served(tmp_path) as studio:
        monkeypatch.setattr(Refresher, "refresh", fails)
        whole = {"schema": 1, "kind": "export", "readings": {}, **{kind: [] for kind in KINDS}}
        whole["rooms"] = [{"name": "Loft"}]
        answer = studio.browser.post(f"{studio.url}/api/v1/import", json=whole, timeout=TIMEOUT_S)
        assert (answer.status_code, answer.json()["taken_in"]["rooms"]) == (201, 1)


def test_a_page_that_fails_after_something_was_logged_does_not_say_that_nothing_was(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who reads that logs it again."""

    def fails(board: BoardCache, now: datetime) -> None:
        raise StoreError("the disk is full")

    studio.read()
    studio.get("/pour")
    with monkeypatch.context() as broken:
        broken.setattr(BoardCache, "look", fails)
        answer = studio.post("/reading", {"room": "Shed", "temperature": "20", "humidity": "50"}, on="/ways-in")
    assert answer.status_code == 503
    assert answer.history, "it was logged, and the page after it fails"
    assert "the disk is full" in answer.text
    assert "Nothing was stored" not in answer.text


def test_volume_less_what_ran_off_over_the_size_is_a_thickness(studio: Studio) -> None:
    studio.post("/pour", POUR | {"thickness": "volume", "poured": "250", "ran_off": "70 ml"})
    pour = piece_report(studio.desk, "Curlew", NOW).drying.pour
    assert pour.wet_thickness_m == pytest.approx(180e-6 / 0.12)
    assert pour.thickness_source == "volume"


def test_the_form_comes_filled_in_with_the_last_pour_and_the_same_again_numbers_the_names(studio: Studio) -> None:
    studio.post("/pour", POUR)
    form = studio.page("/pour")
    assert 'name="size" list="sizes" value="30x40cm"' in form
    assert 'value="river white"' in form
    page = studio.post("/pour/again", {"count": "4"}, on="/pour").text
    assert "Logged: Curlew 2, Curlew 3, Curlew 4, Curlew 5." in page
    pours = [piece_report(studio.desk, name, NOW).drying.pour for name in studio.names()]
    assert len({(p.wet_thickness_m, p.recipe, p.silicone, p.support, p.width_m) for p in pours}) == 1
    studio.undo(page)
    assert studio.names() == ["Curlew"]


def test_the_same_again_says_the_air_it_takes_over_and_claims_no_measurement(studio: Studio) -> None:
    """Nobody has held a gauge to the new film: its thickness is as unsure as one said in a word."""
    studio.post("/pour", POUR | {"air": "fan"})
    said = words_of(studio.page("/pour"))
    told = "river white with silicone, 1.4 mm assumed alike, 30x40cm on board, in Shed, air over it: fan"
    assert f"Same again, now {told} ×1" in said
    studio.post("/pour/again", {"count": "1"}, on="/pour")
    studio.post("/pour", POUR | {"name": "Reed", "thickness": "same"})
    first, *assumed = [piece_report(studio.desk, name, NOW).drying.pour for name in ("Curlew", "Curlew 2", "Reed")]
    assert first.thickness_source == "gauge"
    assert [(one.thickness_source, one.wet_thickness_m) for one in assumed] == [("layer", first.wet_thickness_m)] * 2
    assert assumed[0].air_speed_m_s == first.air_speed_m_s == 1.0
    assert "1.4 mm wet, from a word or as the last, so rough" in words_of(studio.page("/piece/Curlew%202"))


def test_the_same_again_after_a_move_is_told_with_the_air_where_the_last_one_lies(studio: Studio) -> None:
    studio.post("/pour", POUR | {"air": "fan"})
    studio.clock.move(timedelta(minutes=1))
    moves.move(studio.desk, "Curlew", "Loft", None, studio.clock.now(), 0.7)
    assert "in Loft, air over it: 0.7 m/s" in words_of(studio.page("/pour"))
    studio.post("/pour/again", {"count": "1"}, on="/pour")
    drying = piece_report(studio.desk, "Curlew 2", studio.clock.now()).drying
    assert (drying.room, drying.air_speed) == ("Loft", 0.7)


def test_several_alike_started_earlier(studio: Studio) -> None:
    studio.post("/pour", POUR | {"count": "3", "when": "1 h ago", "name": "Reed"})
    assert studio.names() == ["Reed 1", "Reed 2", "Reed 3"]
    assert piece_report(studio.desk, "Reed 2", NOW).drying.pour.at == NOW - timedelta(hours=1)
    studio.post("/pour", POUR | {"when": "typed", "when_typed": "yesterday 18:30"})
    assert studio.desk.local(piece_report(studio.desk, "Curlew", NOW).drying.pour.at).strftime("%d %H:%M") == "19 18:30"


def test_a_name_that_sounds_like_a_known_one_is_asked_back_and_one_tap_says_that_it_is_new(studio: Studio) -> None:
    studio.read()
    assert "is new" not in words_of(studio.post("/pour", POUR | {"recipe": ""}).text)
    put_recipe(studio.desk, Recipe(name="river white", solids=0.4, stated=True), NOW)
    assert "is new" not in words_of(studio.post("/pour", POUR | {"name": "Reed", "recipe": "River  White"}).text)
    slip = POUR | {"name": "Eel", "room": "", "room_typed": "Shde", "recipe": "river whte"}
    answer = studio.post("/pour", slip)
    said = words_of(answer.text)
    assert answer.status_code == 422
    assert "got 'Shde', which is near 'Shed': say 'Shed' (did you mean that?)" in said
    assert "It is new: save it" in said
    assert studio.names() == ["Curlew", "Reed"]
    said = words_of(studio.post("/pour", slip | {"new": "yes"}).text)
    assert "Room “Shde” was never read" in said
    assert "Recipe “river whte” was never described and is taken as 30% solids, 3% glycol" in said
    reading = {"room": "", "temperature": "18", "unit": "C", "humidity": "52", "when": "now"}
    assert studio.post("/reading", reading | {"room": "", "room_typed": "Shdee"}).status_code == 422
    reading["room_typed"] = "SHED "
    assert studio.post("/reading", reading).status_code == 200
    studio.clock.move(timedelta(minutes=2))
    again = words_of(studio.post("/reading", reading | {"temperature": "9", "when": "now"}).text)
    assert "Reading of Shed logged." in again
    for path, fields, told in (
        ("/pour", POUR | {"gauge": ""}, "Type a thickness, for example 1.2 mm."),
        ("/reading", reading | {"temperature": ""}, "Type a temperature, for example 19.5 °C."),
    ):
        assert told in words_of(studio.post(path, fields).text)
    with studio.store.read() as tx:
        assert {pour.recipe for pour in tx.pours()} == {"house mix", "river white", "river whte"}
        assert [room.name for room in tx.rooms()] == ["Shde", "Shed"]


def test_of_several_alike_all_are_logged_or_none(studio: Studio) -> None:
    """The tenth of these names has a letter too many; and a name may be taken on another phone in between."""
    answer = studio.post("/pour", POUR | {"name": "C" * 78, "count": "12"})
    assert answer.status_code == 422
    assert "Not saved." in answer.text
    assert studio.names() == []
    studio.post("/pour", POUR | {"name": "C" * 78 + " 8"})
    assert studio.post("/pour/again", {"count": "4"}, on="/pour").status_code == 422
    assert studio.names() == ["C" * 78 + " 8"]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": ""}, "Name"),
        ({"gauge": "1.4 stone"}, "1.4 stone"),
        ({"gauge": "40"}, "between 20 µm and 10 mm"),
        ({"size": "big"}, "40x50cm"),
        ({"size": "", "thickness": "volume", "poured": "100"}, "Size"),
        ({"thickness": "volume", "poured": "50", "ran_off": "60"}, "less than was poured"),
        ({"when": "typed", "when_typed": "tomorrow"}, "tomorrow"),
        ({"when": "typed", "when_typed": "2027-01-01 10:00"}, "future"),
        ({"count": "99"}, "between 1 and 12"),
        ({"thickness": ""}, "Wet thickness"),
        ({"room": ""}, "Room"),
    ],
)
def test_what_cannot_be_is_said_on_the_form_which_keeps_what_was_typed(
    studio: Studio, fields: dict[str, str], said: str
) -> None:
    answer = studio.post("/pour", POUR | fields)
    assert answer.status_code == 422
    assert "Not saved." in answer.text
    assert said in words_of(answer.text)
    assert "rack 2" in answer.text
    assert studio.names() == []


def test_a_reading_is_stored_and_taken_back_and_can_then_be_typed_right(studio: Studio) -> None:
    studio.pour()
    wrong = {"room": "Shed", "temperature": "81", "unit": "F", "humidity": "50", "when": "1 h ago"}
    page = studio.post("/reading", wrong).text
    assert "Reading of Shed logged." in page
    line = board_of(studio.desk, NOW).rooms[0]
    assert line.temp_c == pytest.approx(27.2, abs=0.05)  # 81 °F is 27.22 °C; half of the last digit here
    studio.undo(page)
    assert board_of(studio.desk, NOW).rooms[0].data_at is None
    right = wrong | {"temperature": "18.5", "unit": "C", "humidity": "52 %"}
    assert "Reading of Shed logged." in studio.post("/reading", right).text
    # the same moment and the same number of readings as before: a copy kept meanwhile must not be believed
    assert piece_report(studio.desk, "Curlew", NOW).forecast.room_temp_c == pytest.approx(18.5)


@pytest.mark.parametrize("fields", [{"temperature": "warm"}, {"humidity": "140"}, {"temperature": "18 bananas"}])
def test_a_reading_that_cannot_be_is_refused_on_its_form(studio: Studio, fields: dict[str, str]) -> None:
    studio.pour()
    typed = {"room": "Shed", "temperature": "18", "unit": "C", "humidity": "52", "when": "now"}
    answer = studio.post("/reading", typed | fields)
    assert answer.status_code == 422
    assert "Not saved." in answer.text
    assert board_of(studio.desk, NOW).rooms[0].data_at is None


def test_a_piece_is_moved_and_moved_back(studio: Studio) -> None:
    studio.pour()
    studio.clock.move(timedelta(minutes=1))
    fields = {"room_typed": "Loft", "place": "sill", "air": "fan"}
    page = studio.post("/piece/Curlew/move", fields, on="/piece/Curlew").text
    assert "Curlew now lies in Loft, sill." in page
    assert "1 m/s" in studio.page("/piece/Curlew")
    wrong = studio.post("/piece/Curlew/move", fields | {"air": "gale"}, on="/piece/Curlew")
    assert (wrong.status_code, "gale" in wrong.text) == (422, True)
    studio.undo(page)
    assert piece_report(studio.desk, "Curlew", NOW).line.room == "Shed"


def test_a_piece_that_has_left_is_off_the_board_and_comes_back_by_undo(studio: Studio) -> None:
    studio.read()
    studio.pour()
    refresh(studio.desk, NOW)
    page = studio.post("/piece/Curlew/gone", {}, on="/piece/Curlew").text
    assert studio.names() == []
    assert "Curlew" not in re.sub(r'<div class="done".*?</div>', "", page, flags=re.DOTALL)
    assert studio.get("/piece/Curlew").status_code == 422
    studio.page("/")
    assert "no dates yet" not in studio.undo(page), "with the dates it had"
    assert studio.names() == ["Curlew"]


def test_what_was_logged_long_ago_stands(studio: Studio) -> None:
    page = studio.post("/pour", POUR).text
    later = studio.clock.move(timedelta(hours=25))
    form = re.search(r'action="/undo">(.*?)</form>', page, re.DOTALL)
    assert form
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
    answer = studio.browser.post(studio.url + "/undo", data=fields, timeout=20)
    assert answer.status_code == 422
    assert "last 24 hours" in answer.text
    assert studio.names() == ["Curlew"]
    with pytest.raises(InputError, match="did you mean 'Curlew'"):
        moves.move(studio.desk, "Curlev", "Loft", None, later)


def test_a_sensors_reading_cannot_be_taken_back(studio: Studio) -> None:
    store_readings(studio.desk, [Reading(room="Shed", at=NOW, temp_c=20, rh_pct=50, source="window", received_at=NOW)])
    with pytest.raises(InputError, match="was logged in the last 24 hours"):
        undo(studio.desk, LogKind.READING, ["Shed", NOW.isoformat()], NOW)


def test_a_pour_taken_back_takes_its_notices_along(studio: Studio) -> None:
    studio.read(hours=400)
    page = studio.post("/pour", POUR | {"when": "typed", "when_typed": "10 days ago"}).text
    with studio.store.read() as tx:
        assert tx.notices()
    studio.undo(page)
    with studio.store.read() as tx:
        assert tx.notices() == []
        assert tx.counts()["pours"] == tx.counts()["stays"] == tx.counts()["forecasts"] == 0


def test_names_that_are_offered_are_numbered_on() -> None:
    assert continued("Heron", 1, set()) == ["Heron"]
    assert continued("Heron", 1, {"Heron"}) == ["Heron 2"]
    assert continued("Heron 3", 2, {"Heron 3"}) == ["Heron 4", "Heron 5"]
    assert continued("Heron", 2, {"Heron 9", "Heron 11 b"}) == ["Heron 10", "Heron 11"]
