"""What of a form cannot be is said at its field, all of it at once, in every form of the page."""

from __future__ import annotations

import re
from html import unescape

import pytest

from tests.shell import conftest
from tests.shell.test_web_logging import POUR
from tests.shell.web_parts import Studio, words_of

studio = conftest.looked_at

LATER = {"when": "typed", "when_typed": "tomorrow"}
READING = {"room": "Shed", "temperature": "18", "unit": "C", "humidity": "52", "when": "now"}
CORRECTED = {
    "name": "Curlew", "start": "2026-11-19 13:00", "room": "Shed", "size": "30x40cm", "support": "canvas",
    "recipe": "river white", "silicone": "no",
}  # fmt: skip
WRONG = [
    ("/pour", "/pour", POUR | LATER | {"name": "", "gauge": "40", "size": "big", "due": "last year", "air": "gale"},
     {"name", "when_typed", "gauge", "size", "due", "air"}, "Error: Log a pour"),
    ("/reading", "/reading", READING | LATER | {"temperature": "warm", "humidity": "140"},
     {"temperature", "humidity", "when_typed"}, "Error: Type a reading"),
    ("/piece/Curlew/found", "/piece/Curlew", {"what": "weighing", "grams": "heavy", **LATER}, {"grams", "when_typed"},
     "Error: Curlew"),
    ("/piece/Curlew/found", "/piece/Curlew", {"what": "surface", "surface": "900", **LATER}, {"surface", "when_typed"},
     "Error: Curlew"),
    ("/piece/Curlew/found", "/piece/Curlew", {"what": "tacky", **LATER}, {"when_typed"}, "Error: Curlew"),
    ("/piece/Curlew/done", "/piece/Curlew", {"step": "cure", **LATER}, {"when_typed"}, "Error: Curlew"),
    ("/piece/Curlew/move", "/piece/Curlew", {"room_typed": "x" * 99, "place": "y" * 99, "air": "gale"},
     {"room_typed", "place", "air"}, "Error: Curlew"),
    ("/piece/Curlew/promise", "/piece/Curlew", {"due": "yesterday", "ready": "handle"}, {"due"}, "Error: Curlew"),
    ("/piece/Curlew/correct", "/piece/Curlew", CORRECTED | {"start": "soon", "thickness": "volume", "poured": "0",
     "place": "z" * 99}, {"start", "poured", "place"}, "Error: Curlew"),
    ("/piece/Curlew/photo", "/piece/Curlew", {"kind": "damp", **LATER}, {"file", "kind", "when_typed"},
     "Error: Curlew"),
    ("/names", "/names", {"do": "renamed", "naming": "room", "name": "Shed", "to": ""}, {"to"}, "Error: Names"),
    ("/ways-in", "/ways-in", {"name": "", "kind": "class", "days": "0"}, {"name", "days"}, "Error: Access"),
    ("/ways-in/name", "/ways-in", {"who": "w" * 99}, {"who"}, "Error: Access"),
]  # fmt: skip


def marked(page: str) -> dict[str, str]:
    """What is said at each field that is marked as wrong, by its name."""
    told = dict(re.findall(r'<p class="why" id="([^"]+)">([^<]*)</p>', page))
    found = {}
    for tag, inner in re.findall(r'(<[^>]*aria-invalid="true"[^>]*>)(?=(.{0,400}))', page, re.DOTALL):
        (name, *_) = re.findall(r' name="([^"]+)"', tag) or re.findall(r' name="([^"]+)"', inner)
        (which,) = re.findall(r'aria-describedby="([^"]+)"', tag)
        found[name] = unescape(told[which])
    return found


@pytest.mark.parametrize(
    ("path", "on", "fields", "names", "title"),
    WRONG,
    ids=lambda one: one.rpartition("/")[2] if isinstance(one, str) else "",
)
def test_every_field_that_cannot_be_is_marked_with_why_and_the_focus_goes_to_one(
    studio: Studio, path: str, on: str, fields: dict[str, str], names: set[str], title: str
) -> None:
    answer = studio.post(path, fields, on=on)
    assert answer.status_code == 422
    said = marked(answer.text)
    assert set(said) == names
    summary = words_of(answer.text[answer.text.index('role="alert">', answer.text.index("<main")) :])
    for why in said.values():
        assert why in summary
    assert f"<title>{title}</title>" in answer.text
    assert len(re.findall(r" autofocus[ >]", answer.text)) == 1
    for name, value in fields.items():
        assert name in ("do", "kind", "step", "what", "air") or f'value="{value}"' in answer.text, (
            "what was typed is kept"
        )
    assert "Error:" not in studio.page(on)


def test_a_plan_says_all_that_is_wrong_of_it(studio: Studio) -> None:
    answer = studio.get("/plan?due=2030-01-01&for=handle&pieces=many&room=Shed&thickness=gauge&gauge=40&size=big")
    assert (answer.status_code, set(marked(answer.text))) == (422, {"due", "pieces", "gauge", "size"})


def test_a_minus_can_be_typed_on_every_phone_where_a_temperature_is_asked_for(studio: Studio) -> None:
    """The keyboards that some phones show for inputmode decimal and numeric have no minus sign (from memory)."""
    for path in ("/reading", "/piece/Curlew"):
        (asked,) = re.findall(r'<input[^>]*name="(?:temperature|surface)"[^>]*>', studio.page(path))
        assert "inputmode" not in asked
        assert 'type="text"' in asked
    below = studio.post("/reading", READING | {"temperature": "-3,5"}, on="/reading")
    assert "Reading of Shed logged." in below.text
