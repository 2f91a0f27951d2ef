"""The API asked by whoever means no good: whatever comes, it is refused in words, and nothing of ours fails."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.web.access.credentials import hash_of
from tests.shell.web_parts import PASSWORD, Studio, served
from tests.thorough import THOROUGH

POUR = {"name": "x", "room": "Shed", "width_cm": 30, "height_cm": 40}
LEAST = 5e-324
"""The smallest number there is: a millionth of it is nothing."""
HUGE = "9" * 40


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read(hours=24)
        studio.pour(hours_ago=20)
        yield studio


def asked(studio: Studio, method: str, path: str, **options: Any) -> requests.Response:
    return requests.request(method, f"{studio.url}/api/v1{path}", timeout=60, **options)


def test_numbers_that_are_none_are_refused_by_name(studio: Studio, caplog: pytest.LogCaptureFixture) -> None:
    for path, sent in (
        ("/pours", POUR | {"poured_ml": LEAST}),
        ("/pours", POUR | {"wet_thickness_mm": 1.0, "poured_ml": LEAST}),
        ("/pours", POUR | {"wet_thickness_mm": 1.0, "poured_g": LEAST}),
        ("/pours", POUR | {"wet_thickness_mm": True}),
        ("/readings", {"room": "Shed", "temp_c": 20, "rh_pct": False}),
        ("/readings", {"room": "Shed", "temp_c": True}),
        ("/pieces/Curlew/observations", {"kind": "weighing", "grams": LEAST, "resolution_g": LEAST}),
        ("/pieces/Curlew/tilts", {"tilt_deg": False}),
        ("/undo", {"done": "found", "of": ["Curlew", HUGE]}),
        ("/undo", {"done": "pour", "of": [HUGE]}),
    ):
        answer = asked(studio, "POST", path, json=sent)
        assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json"), (path, sent)
        assert answer.json()["detail"][:1].isalnum(), answer.text
    for path in (f"/photos/{HUGE}.jpg", f"/pieces/id:{HUGE}", f"/pieces/id:{HUGE[:18]}", "/pieces/%00", "/rooms/%ff"):
        assert asked(studio, "GET", path).status_code == 404, path
    assert "Traceback" not in caplog.text


def test_bodies_that_are_no_json_are_refused_alike_everywhere(studio: Studio, caplog: pytest.LogCaptureFixture) -> None:
    deep, lone = b"[" * 60_000, b'{"room": "\\ud800", "temp_c": 20}'
    for body in (b"", b"{", b"nul", b"\xff\xfe", b"NaN", b'{"room": NaN}', b'{"temp_c": 1e999}', b'"x"', lone, deep):
        for path in ("/readings", "/pours", "/undo", "/pieces/Curlew/observations", "/import"):
            answer = asked(studio, "POST", path, data=body, headers={"content-type": "application/json"})
            assert answer.status_code == 422, (path, body[:20], answer.text)
    assert "Traceback" not in caplog.text


def test_a_method_that_a_way_does_not_take_is_told_which_it_does(studio: Studio) -> None:
    paths = studio.get("/api/v1/openapi.json").json()["paths"]
    for path, ways in paths.items():
        named = re.sub(r"\{kind\}", "cold", re.sub(r"\{photo_id\}", "1", path.replace("{name}", "Curlew")))
        for method in {"GET", "POST", "PUT", "DELETE", "PATCH", "TRACE"} - {way.upper() for way in ways}:
            if named.count("Curlew/") and method == "GET":
                continue  # GET pieces/Curlew/move is the piece called Curlew/move
            if method == "PUT" and named.startswith("/api/v1/recipes/"):
                continue  # and so with recipes
            answer = requests.request(method, studio.url + named, timeout=60)
            assert answer.status_code == 405, (method, named, answer.text)
            told = {one.strip() for one in answer.headers["allow"].split(",")}
            assert told <= {way.upper() for way in ways} | {"HEAD"}, (named, told)
            assert told, named


def tokens(locked: Studio) -> dict[str, str]:
    locked.post("/login", {"password": PASSWORD})
    made = {}
    for kind in ("read", "record"):
        page = locked.post("/ways-in", {"name": kind, "kind": kind, "password": PASSWORD}).text
        found = re.search(r"<code>(?:\S+/)?([\w-]{43})(?:\.ics)?</code>", page)
        assert found
        made[kind] = found[1]
    return made


@pytest.mark.filterwarnings("ignore")  # of schemathesis' own dependencies
@pytest.mark.parametrize("who", ["admin", "record", "read"])
def test_what_breaks_the_description_is_refused_as_the_description_has_it(who: str, tmp_path: Path) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis.errors import Unsatisfiable
    from schemathesis.generation import GenerationMode
    from schemathesis.specs.openapi.checks import positive_data_acceptance  # no schema says "not in the future"

    file = tmp_path / "page-password"
    file.write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=None if who == "admin" else file) as studio:
        studio.read(hours=24)
        studio.pour(hours_ago=20)
        headers = {} if who == "admin" else {"authorization": f"Bearer {tokens(studio)[who]}"}
        for kind in ("application/zip", "image/jpeg", "image/png", "image/webp"):
            schemathesis.serializer.alias(kind, "application/octet-stream")
        described = schemathesis.openapi.from_url(f"{studio.url}/api/v1/openapi.json", headers=headers)
        tried = 0
        for operation in described.get_all_operations():
            way = operation.ok()
            # what only reads a studio for seconds, and what a scope does not reach, is tried as who may all
            if way.path.endswith(("/plan", "/estimate", "/v1/level")) or (who != "admin" and way.method == "get"):
                continue

            @given(case=way.as_strategy(generation_mode=GenerationMode.NEGATIVE))
            @settings(max_examples=THOROUGH, deadline=None, database=None, phases=[Phase.generate],
                      suppress_health_check=list(HealthCheck))  # fmt: skip
            def refuses(case: schemathesis.Case) -> None:
                case.call_and_validate(excluded_checks=[positive_data_acceptance], headers=headers)

            try:
                refuses()
                tried += 1
            except Unsatisfiable:
                pass  # a way without parameters, which nothing can break
        assert tried >= 10


def test_the_description_refuses_by_itself_what_the_api_refuses(studio: Studio) -> None:
    """What goes together and what does not, in bodies whose acceptance hangs on names, too."""
    rs = pytest.importorskip("jsonschema_rs")
    described = studio.get("/api/v1/openapi.json").json()
    components = {"components": described["components"]}

    def agree(model: str, way: str, sent: dict[str, Any], method: str = "POST") -> bool:
        """Whether both take it."""
        answer = asked(studio, method, way, json=sent)
        told = rs.is_valid({"$ref": f"#/components/schemas/{model}"} | components, sent)
        assert (answer.status_code in (200, 201)) == told, (sent, told, answer.text)
        return bool(told)

    bare = {"name": "Teal", "room": "Shed"}
    sized, thick = bare | {"width_cm": 30, "height_cm": 40}, {"wet_thickness_mm": 1.2}
    assert not agree("PourIn", "/pours", bare)
    assert not agree("PourIn", "/pours", sized)
    assert not agree("PourIn", "/pours", sized | {"wet_thickness_mm": None})
    assert not agree("PourIn", "/pours", bare | {"poured_ml": 120})
    assert not agree("PourIn", "/pours", sized | {"poured_g": 120})
    assert not agree("PourIn", "/pours", sized | {"poured_ml": 120, "poured_g": 120})
    assert not agree("PourIn", "/pours", bare | thick | {"width_cm": 30})
    assert not agree("PourIn", "/pours", sized | thick | {"height_cm": None})
    for number, poured in enumerate((thick, {"poured_ml": 150}, thick | {"poured_ml": 150}, thick | {"poured_g": 150})):
        assert agree("PourIn", "/pours", sized | poured | {"name": f"Teal {number}"})
    assert agree("PourIn", "/pours", bare | thick | {"width_cm": None, "at": "3 h ago", "poured_ml": 150})
    assert not agree("CorrectIn", "/pieces/Teal/correct", {"width_cm": 30})
    assert agree("CorrectIn", "/pieces/Teal/correct", {"width_cm": 30, "height_cm": 30})
    parts = [{"material": "fluid paint", "parts": 1}, {"material": "pouring medium", "parts": 2}]
    for made, taken in (
        ({}, False), ({"solids": None}, False), ({"solids": 0.3}, True), ({"solids": 0.3, "by_weight": True}, False),
        ({"solids": 0.3, "parts": parts}, False), ({"parts": parts, "by_weight": True}, True),
        ({"parts": parts, "glycol": 0.1}, False), ({"parts": parts, "glycol": None}, True),
    ):  # fmt: skip
        assert agree("RecipeIn", "/recipes/silt", made, "PUT") == taken
    shed = {"naming": "room", "name": "Shed"}
    for righted in ({"do": "pour", "to": "Loft"}, {"do": "renamed"}, {"do": "merged", "to": None},
                    {"do": "removed", "to": "Loft"}):  # fmt: skip
        assert not agree("NamesIn", "/names", shed | righted)
    assert agree("NamesIn", "/names", shed | {"do": "renamed", "to": "Loft"})
    for since, taken in (("1999-12-31T00:00:00Z", 422), ("2200-01-01T00:00:00Z", 422), ("2199-12-31T00:00:00Z", 200)):
        assert asked(studio, "GET", "/rooms/Loft/readings", params={"since": since}).status_code == taken
        assert rs.is_valid(described["components"]["schemas"]["MoveIn"]["properties"]["at"]["anyOf"][0]["anyOf"][0],
                           since) == (taken == 200)  # fmt: skip


HANGS_ON = {
    "import_all": "a store that is empty", "import_tables": "a store that is empty", "undo": "what was logged",
    "import_rows": "what the rows say", "log_pour": "names, and sums that no schema works out", "mix": "a round size",
    "forget": "what was learned", "resend": "what was given up", "put_right": "which names there are",
    "observe": "when it was poured", "measure": "when it was poured", "move": "where it lies", "gone": "when it came",
    "take_photo": "whether it is a picture", "step_done": "which steps are left", "cleared": "harm that came",
    "promise": "what is yet to come", "correct": "what is known of it", "acknowledge": "an alarm that is on",
    "put_recipe": "what stands on the shelf", "unmute": "an alarm that is muted", "trust": "a sensor that was checked",
}  # fmt: skip
"""By operation: what else than the request says whether it is taken; of these only the refusals are held to."""


@pytest.mark.filterwarnings("ignore")  # of schemathesis' own dependencies
def test_what_keeps_to_the_description_is_taken_where_it_hangs_on_nothing_else(studio: Studio) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    from hypothesis import HealthCheck, Phase, given, settings, strategies
    from schemathesis.generation import GenerationMode
    from schemathesis.specs.openapi.checks import positive_data_acceptance

    past = strategies.datetimes(datetime(2000, 1, 2), datetime(2026, 11, 19))  # noqa: DTZ001 - the offset is put on
    schemathesis.openapi.format("date-time", past.map(lambda at: f"{at.isoformat(timespec='seconds')}+01:00"))
    schemathesis.openapi.format("moment-in-words", strategies.sampled_from(["now", "3 h ago", "yesterday 18:30"]))
    described = schemathesis.openapi.from_url(f"{studio.url}/api/v1/openapi.json")
    tried = set()
    for operation in described.get_all_operations():
        way = operation.ok()
        name = way.definition.raw["operationId"]
        if name in HANGS_ON or way.path.endswith(("/plan", "/estimate", "/v1/level")):  # seconds of work each
            continue

        @given(case=way.as_strategy(generation_mode=GenerationMode.POSITIVE))
        @settings(max_examples=2 * THOROUGH, deadline=None, database=None, phases=[Phase.generate],
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        def takes(case: schemathesis.Case) -> None:
            if case.path.endswith("/v1/readings"):
                case.body["new"] = True  # else a room's name that is near another's is asked back
            case.call_and_validate(checks=[positive_data_acceptance])

        takes()
        tried.add(name)
    assert {"log_reading", "mute", "delete", "readings", "readings_as_rows"} <= tried
    assert not tried & set(HANGS_ON)
