"""What people log from the page, and take back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.desk import FactError, moves
from curewatch.records import Reading
from curewatch.web.pouring import numbered
from tests.shell.web_parts import NOW, Studio, served, words_of

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
    assert "worth checking" in words_of(page)
    drying = studio.desk.piece("Curlew", NOW).drying
    assert (drying.room, drying.place, drying.pour.at) == ("Shed", "rack 2", NOW)
    assert drying.pour.wet_thickness_m == pytest.approx(1.4e-3)
    assert (drying.pour.silicone, drying.pour.support, drying.pour.recipe) == (True, "board", "river white")
    assert (drying.pour.width_m, drying.pour.height_m) == (0.30, 0.40)
    assert studio.told == 1


def test_volume_less_what_ran_off_over_the_size_is_a_thickness(studio: Studio) -> None:
    studio.post("/pour", POUR | {"thickness": "volume", "poured": "250", "ran_off": "70 ml"})
    pour = studio.desk.piece("Curlew", NOW).drying.pour
    assert pour.wet_thickness_m == pytest.approx(180e-6 / 0.12)
    assert pour.thickness_source == "volume"


def test_the_form_comes_filled_in_with_the_last_pour_and_the_same_again_numbers_the_names(studio: Studio) -> None:
    studio.post("/pour", POUR)
    form = studio.page("/pour")
    assert 'name="size" list="sizes" value="30x40cm"' in form
    assert 'value="river white"' in form
    page = studio.post("/pour/again", {"count": "4"}, on="/pour").text
    assert "Logged: Curlew 2, Curlew 3, Curlew 4, Curlew 5." in page
    pours = [studio.desk.piece(name, NOW).drying.pour for name in studio.names()]
    assert len({(p.wet_thickness_m, p.recipe, p.silicone, p.support, p.width_m) for p in pours}) == 1
    studio.undo(page)
    assert studio.names() == ["Curlew"]


def test_several_alike_started_earlier(studio: Studio) -> None:
    studio.post("/pour", POUR | {"count": "3", "when": "1 h ago", "name": "Reed"})
    assert studio.names() == ["Reed 1", "Reed 2", "Reed 3"]
    assert studio.desk.piece("Reed 2", NOW).drying.pour.at == NOW - timedelta(hours=1)
    studio.post("/pour", POUR | {"when": "typed", "when_typed": "yesterday 18:30"})
    assert studio.desk.local(studio.desk.piece("Curlew", NOW).drying.pour.at).strftime("%d %H:%M") == "19 18:30"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": ""}, "Name"),
        ({"gauge": "1.4 stone"}, "1.4 stone"),
        ({"gauge": "40"}, "between 20 µm and 10 mm"),
        ({"size": "big"}, "40x50cm"),
        ({"size": "", "thickness": "volume", "poured": "100"}, "Size"),
        ({"thickness": "volume", "poured": "50", "ran_off": "60"}, "film of"),
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
    assert "Not stored." in answer.text
    assert said in words_of(answer.text)
    assert "rack 2" in answer.text
    assert studio.names() == []


def test_a_reading_is_stored_and_taken_back_and_can_then_be_typed_right(studio: Studio) -> None:
    studio.pour()
    wrong = {"room": "Shed", "temperature": "81", "unit": "F", "humidity": "50", "when": "1 h ago"}
    page = studio.post("/reading", wrong).text
    assert "Reading of Shed logged." in page
    line = studio.desk.board(NOW).rooms[0]
    assert line.temp_c == pytest.approx(27.2, abs=0.05)
    studio.undo(page)
    assert studio.desk.board(NOW).rooms[0].data_at is None
    right = wrong | {"temperature": "18.5", "unit": "C", "humidity": "52 %"}
    assert "Reading of Shed logged." in studio.post("/reading", right).text
    # the same moment and the same number of readings as before: a copy kept meanwhile must not be believed
    assert studio.desk.piece("Curlew", NOW).forecast.room_temp_c == pytest.approx(18.5)


@pytest.mark.parametrize("fields", [{"temperature": "warm"}, {"humidity": "140"}, {"temperature": "18 bananas"}])
def test_a_reading_that_cannot_be_is_refused_on_its_form(studio: Studio, fields: dict[str, str]) -> None:
    studio.pour()
    typed = {"room": "Shed", "temperature": "18", "unit": "C", "humidity": "52", "when": "now"}
    answer = studio.post("/reading", typed | fields)
    assert answer.status_code == 422
    assert "Not stored." in answer.text
    assert studio.desk.board(NOW).rooms[0].data_at is None


def test_a_piece_is_moved_and_moved_back(studio: Studio) -> None:
    studio.pour()
    studio.clock.move(timedelta(minutes=1))
    fields = {"room_typed": "Loft", "place": "sill"}
    page = studio.post("/piece/Curlew/move", fields, on="/piece/Curlew").text
    assert "Curlew now lies in Loft, sill." in page
    studio.undo(page)
    assert studio.desk.piece("Curlew", NOW).line.room == "Shed"


def test_a_piece_that_has_left_is_off_the_board_and_comes_back_by_undo(studio: Studio) -> None:
    studio.read()
    studio.pour()
    studio.desk.refresh(NOW)
    page = studio.post("/piece/Curlew/gone", {}, on="/piece/Curlew").text
    assert studio.names() == []
    assert "Curlew" not in re.sub(r'<div class="done".*?</div>', "", page, flags=re.DOTALL)
    assert studio.get("/piece/Curlew").status_code == 422
    studio.page("/")
    assert "no dates yet" not in studio.undo(page), "with the dates it had"
    assert studio.names() == ["Curlew"]


def test_what_was_logged_long_ago_stands(studio: Studio) -> None:
    page = studio.post("/pour", POUR).text
    later = studio.clock.move(timedelta(hours=1))
    form = re.search(r'action="/undo">(.*?)</form>', page, re.DOTALL)
    assert form
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
    answer = studio.browser.post(studio.url + "/undo", data=fields, timeout=20)
    assert answer.status_code == 422
    assert "last 30 minutes" in answer.text
    assert studio.names() == ["Curlew"]
    with pytest.raises(FactError, match="perhaps 'Curlew'"):
        moves.move(studio.desk, "Curlev", "Loft", None, later)


def test_a_sensors_reading_cannot_be_taken_back(studio: Studio) -> None:
    studio.desk.absorb([Reading(room="Shed", at=NOW, temp_c=20, rh_pct=50, source="window", received_at=NOW)])
    with pytest.raises(FactError, match="typed in"):
        moves.take_back_reading(studio.desk, "Shed", NOW, NOW)


def test_a_pour_taken_back_takes_its_notices_along(studio: Studio) -> None:
    studio.read(hours=400)
    page = studio.post("/pour", POUR | {"when": "typed", "when_typed": "10 days ago"}).text
    with studio.store.read() as tx:
        assert tx.notices()
    studio.undo(page)
    with studio.store.read() as tx:
        assert tx.notices() == []
        assert tx.counts()["pours"] == tx.counts()["stays"] == tx.counts()["forecasts"] == 0


def test_names_are_numbered_on() -> None:
    assert numbered("Heron", 1, set()) == ["Heron"]
    assert numbered("Heron", 1, {"Heron"}) == ["Heron 2"]
    assert numbered("Heron 3", 2, {"Heron 3"}) == ["Heron 4", "Heron 5"]
    assert numbered("Heron", 2, {"Heron 9", "Heron 11 b"}) == ["Heron 10", "Heron 11"]
