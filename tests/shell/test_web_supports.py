"""Other things to pour on than canvas, and round ones, by form and by API."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from curewatch.records import Pour, Support
from tests.shell.web_parts import NOW, Studio, served

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
    pour = studio.desk.piece("Moon", NOW).drying.pour
    assert (pour.support, pour.round, pour.width_m) == (Support.RAW_PANEL, True, 0.4)
    assert pour.wet_thickness_m == pytest.approx(150e-6 / (math.pi * 0.2**2))
    with studio.store.read() as tx:
        (paint,) = tx.paints()
    assert (paint.poured_m3, paint.ran_off_m3) == pytest.approx((200e-6, 50e-6))  # it tells what runs off
    assert "round 40cm" in studio.page("/pour")  # to be had again
    studio.post("/pour/again", {"count": "1"}, on="/pour")
    assert all(one.round for one in _pours(studio))


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
