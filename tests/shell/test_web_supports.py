"""Other things to pour on than canvas, and round ones, by form and by API."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest

from curewatch.desk.reports.piece import piece_report
from curewatch.language import Reader
from curewatch.records import Pour, Support
from tests.shell.web_parts import NOW, Studio, served, words_of

FORM = {
    "name": "Moon", "count": "1", "when": "now", "room": "Shed", "thickness": "volume", "poured": "200",
    "ran_off": "50", "size": "round 40cm", "recipe": "river white", "support": "raw-panel",
}  # fmt: skip


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def test_the_form_offers_every_support_and_takes_a_round_piece(studio: Studio) -> None:
    form = studio.page("/pour")
    assert all(f'value="{support}"' in form for support in Support)
    studio.post("/pour", FORM)
    pour = piece_report(studio.desk, "Moon", NOW).drying.pour
    assert (pour.support, pour.round, pour.width_m) == (Support.RAW_PANEL, True, 0.4)
    assert pour.wet_thickness_m == pytest.approx(150e-6 / (math.pi * 0.2**2))
    with studio.store.read() as tx:
        (paint,) = tx.paints()
    assert (paint.poured_m3, paint.ran_off_m3) == pytest.approx((200e-6, 50e-6))  # it tells what runs off
    assert "round 40cm" in studio.page("/pour")  # to be had again
    name = studio.names()[0]
    for path in (f"/piece/{name}", f"/record/{name}", "/labels"):
        said = words_of(studio.page(path))
        assert "round, 40 cm" in said, path
        assert "40 × 40" not in said, path
    studio.post("/pour/again", {"count": "1"}, on="/pour")
    assert all(one.round for one in _pours(studio))


@pytest.mark.parametrize("size", ["round 12.5in"])
def test_a_round_piece_is_poured_shown_planned_labelled_moved_and_let_go(studio: Studio, size: str) -> None:
    """Every page that draws or tells of a piece, with its dates, and each step of its way."""
    studio.read(hours=30)
    measured = FORM | {"thickness": "gauge", "gauge": "1.2", "size": size, "when": "3 h ago"}
    assert studio.post("/pour", measured).status_code == 200
    assert studio.post("/pour/again", {"count": "2"}, on="/pour").status_code == 200
    across = Reader().length(piece_report(studio.desk, "Moon", NOW).drying.pour.width_m)
    asked = {"due": "2026-12-04", "room": "Shed", "thickness": "same", "size": size, "support": "tile", "pieces": "2"}
    for path in ("/", "/?by=place", "/pour", "/lately", "/alarms", "/room/Shed", f"/plan?{urlencode(asked)}"):
        assert "Moon" in studio.page(path) or path == "/alarms"
    for path in ("/piece/Moon", "/record/Moon", "/labels", "/labels?piece=1"):
        assert f"round, {across}" in words_of(studio.page(path)), path
    for done in ({"what": "tacky"}, {"what": "weighing", "grams": "900"}, {"what": "surface", "surface": "19"}):
        assert studio.post("/piece/Moon/found", done | {"when": "now"}, on="/reading").status_code == 200
    assert studio.post("/piece/Moon/done", {"step": "drips", "when": "now"}, on="/reading").status_code == 200
    assert studio.post("/piece/Moon/move", {"room_typed": "Loft"}, on="/reading").status_code == 200
    assert studio.post("/piece/Moon/gone", {}, on="/reading").status_code == 200
    assert f"round, {across}" in words_of(studio.page("/record/Moon"))
    for path in ("pieces/Moon 2", "board", "export"):
        assert studio.get(f"/api/v1/{path}").status_code == 200


def test_a_size_that_is_none_is_asked_back(studio: Studio) -> None:
    answer = studio.post("/pour", FORM | {"size": "round"})
    assert "round 40cm" in answer.text
    assert studio.names() == []


def test_the_api_tells_and_takes_it_too(studio: Studio) -> None:
    sent = {"name": "Moon", "room": "Shed", "wet_thickness_mm": 1.2, "width_cm": 40, "height_cm": 40, "round": True}
    answer = studio.browser.post(studio.url + "/api/v1/pours", json=sent | {"back": "glass"}, timeout=60)
    assert answer.status_code == 201, answer.text
    told = studio.get("/api/v1/pieces/Moon").json()
    assert (told["round"], told["back"], told["width_cm"]) == (True, "glass", 40)
    uneven = studio.browser.post(studio.url + "/api/v1/pours", json=sent | {"name": "Egg", "height_cm": 50}, timeout=60)
    assert uneven.status_code == 422
    assert "diameter" in uneven.text


def _pours(studio: Studio) -> list[Pour]:
    with studio.store.read() as tx:
        return tx.pours()
