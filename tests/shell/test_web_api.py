"""The JSON API: what it tells, what it takes, and that its description is true."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.web.access.bodies import IMAGES
from curewatch.web.access.credentials import hash_of
from tests.core.pictures import jpeg
from tests.shell.web_parts import NOW, PASSWORD, Studio, served
from tests.thorough import THOROUGH

OPERATIONS = 64
"""Ways that the description lists."""
POUR = {"name": "Curlew", "room": "Shed", "wet_thickness_mm": 1.2, "width_cm": 30, "height_cm": 40}


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


def send(studio: Studio, path: str, values: object, **options: object) -> requests.Response:
    return requests.post(f"{studio.url}/api/v1{path}", json=values, timeout=20, **options)  # type: ignore[arg-type]


def test_a_pour_and_a_reading_sent_come_back_with_dates(studio: Studio) -> None:
    assert send(studio, "/readings", {"room": "Shed", "temp_c": 21, "rh_pct": 50}).status_code == 201
    sent = send(studio, "/pours", POUR | {"at": (NOW - timedelta(hours=1)).isoformat()})
    assert (sent.status_code, sent.json()["piece"]) == (201, "Curlew")
    (piece,) = studio.get("/api/v1/board").json()["pieces"]
    assert piece["next"] == "set"
    assert list(piece["milestones"]) == ["set", "touch_dry", "handle", "varnish_ready"]
    dates = [datetime.fromisoformat(m["worth_checking_at"]) for m in piece["milestones"].values()]
    assert dates == sorted(dates)
    one = studio.get("/api/v1/pieces/Curlew").json()
    assert (one["wet_thickness_mm"], one["width_cm"], one["milestones"]) == (1.2, 30, piece["milestones"])
    (room,) = studio.get("/api/v1/rooms").json()
    assert (room["temp_c"], room["age_s"], room["pieces"]) == (21, 0, 1)
    (reading,) = studio.get("/api/v1/rooms/Shed/readings").json()
    assert (reading["temp_c"], reading["source"]) == (21, "typed")
    assert studio.get("/api/v1/recipes").json()[0]["name"] == "house mix"
    assert studio.get("/api/v1/notices?limit=3").json() == []


def test_a_piece_is_moved_and_goes(studio: Studio) -> None:
    send(studio, "/pours", POUR)
    studio.clock.move(timedelta(minutes=5))
    to = {"room": "Loft", "air_m_s": 0.4}
    assert send(studio, "/pieces/Curlew/move", to | {"air_m_s": 9}).status_code == 422
    assert send(studio, "/pieces/Curlew/move", to).json()["notes"] == ["room 'Loft' is new"]
    moved = studio.get("/api/v1/pieces/Curlew").json()
    assert (moved["room"], moved["air_m_s"]) == ("Loft", 0.4)
    assert send(studio, "/pieces/Curlew/gone", {}).status_code == 200
    assert studio.get("/api/v1/pieces/Curlew").status_code == 404
    assert send(studio, "/pieces/Curlew/gone", {}).status_code == 404


@pytest.mark.parametrize(
    ("path", "values", "said"),
    [
        ("/pours", POUR | {"wet_thickness_mm": 1200}, "wet_thickness_mm"),
        ("/pours", POUR | {"at": "2027-01-01T00:00:00Z"}, "future"),
        ("/pours", POUR | {"at": "2026-01-01T00:00:00"}, "timezone"),
        ("/pours", POUR | {"at": "0001-01-01T00:00:00+14:00"}, "between 2000"),
        ("/pours", POUR | {"thicknes": 1}, "thicknes"),
        ("/pours", POUR | {"height_cm": None}, "both, or neither"),
        ("/pours", POUR | {"name": "a\nb"}, "name"),
        ("/pours", POUR | {"name": "\ud800"}, "name"),
        ("/readings", {"room": "Shed", "temp_c": 900, "rh_pct": 50}, "temp_c"),
        ("/readings", [], "Input"),
    ],
)
def test_what_cannot_be_is_refused_with_a_reason(studio: Studio, path: str, values: object, said: str) -> None:
    answer = send(studio, path, values)
    assert answer.status_code == 422, answer.text
    assert said in answer.json()["detail"]
    assert studio.names() == []


def test_a_refusal_is_a_problem_in_parts_that_programs_read(studio: Studio) -> None:
    """RFC 9457; the fields bear the keys that were sent, and a malformed request is told all its faults at once."""
    later = send(studio, "/pours", POUR | {"at": "2027-01-01T00:00:00Z"})
    assert later.headers["content-type"] == "application/problem+json"
    told = later.json()
    assert (told["type"], told["title"], told["status"]) == ("about:blank", "Unprocessable Content", 422)
    assert (told["field"], told["allowed"]) == ("at", "a time that has passed")
    assert told["given"] == "2027-01-01T00:00+00:00"
    assert told["detail"].startswith("at: got '2027-01-01T00:00+00:00', which is in the future")
    none = send(studio, "/pours", POUR | {"wet_thickness_mm": 1200, "thicknes": 1}).json()
    assert [one["pointer"] for one in none["errors"]] == ["/body/wet_thickness_mm", "/body/thicknes"]
    assert none["detail"] == f"wet_thickness_mm: {none['errors'][0]['detail']}"
    foreign = send(studio, "/pours", POUR, headers={"sec-fetch-site": "cross-site"})
    assert foreign.headers["content-type"] == "application/problem+json"
    assert foreign.json()["detail"] == "sent by another web site"
    answers = studio.get("/api/v1/openapi.json").json()["paths"]["/api/v1/pours"]["post"]["responses"]
    assert {tuple(answers[status]["content"]) for status in ("401", "422")} == {("application/problem+json",)}


def test_a_form_of_another_site_is_not_taken_for_json(studio: Studio) -> None:
    answer = requests.post(f"{studio.url}/api/v1/pours", data="{}", headers={"content-type": "text/plain"}, timeout=10)
    assert answer.status_code == 415
    assert requests.post(f"{studio.url}/api/v1/pieces/Curlew/gone", timeout=10).status_code == 404
    assert send(studio, "/pours", POUR, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert studio.names() == []


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Studio]:
    path = tmp_path / "page-password"
    path.write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=path) as studio:
        yield studio


def test_scopes_reach_as_far_as_they_say(locked: Studio) -> None:
    locked.post("/login", {"password": PASSWORD})
    tokens = {}
    for kind in ("read", "record", "class", "calendar"):
        page = locked.post("/ways-in", {"name": kind, "kind": kind, "password": PASSWORD}).text
        found = re.search(r"<code>(?:\S+/)?([\w-]{43})(?:\.ics)?</code>", page)
        assert found
        tokens[kind] = found[1]

    def codes(token: str | None) -> tuple[int, int]:
        headers = {} if token is None else {"authorization": f"Bearer {token}"}
        got = requests.get(f"{locked.url}/api/v1/board", headers=headers, timeout=10).status_code
        return got, send(locked, "/readings", {"room": "Shed", "temp_c": 20, "rh_pct": 50}, headers=headers).status_code

    assert codes(None) == codes("x" * 43) == (401, 401)
    assert codes(tokens["read"]) == (200, 403)
    assert codes(tokens["record"]) == (200, 201)
    assert codes(tokens["class"]) == codes(tokens["calendar"]) == (401, 401)
    for method, path, values in (
        ("PUT", "/recipes/river white", {"solids": 0.3}),
        ("POST", "/notices/resend", {}),
        ("POST", "/learned/forget", {"name": "river white"}),
        ("POST", "/pieces/Curlew/tilts", {"tilt_deg": 1}),
    ):
        for token, allowed in (("read", {403}), ("record", {200, 404, 422})):
            headers = {"authorization": f"Bearer {tokens[token]}"}
            url = f"{locked.url}/api/v1{path}"
            assert requests.request(method, url, json=values, headers=headers, timeout=20).status_code in allowed, path
    for token, taken, seen in ((None, 401, 401), ("read", 403, 404), ("record", 404, 404)):  # no piece, no photo
        headers = {} if token is None else {"authorization": f"Bearer {tokens[token]}"}
        url, sent_as = f"{locked.url}/api/v1", {"content-type": "image/jpeg"}
        photo = requests.post(f"{url}/pieces/Nobody/photo", data=jpeg(), headers=headers | sent_as, timeout=20)
        assert photo.status_code == taken
        assert requests.get(f"{url}/photos/1.jpg", headers=headers, timeout=20).status_code == seen


def test_the_description_lists_every_way_and_every_refusal(studio: Studio) -> None:
    document = studio.get("/api/v1/openapi.json").json()
    assert {path.removeprefix("/api/v1/") for path in document["paths"]} == {
        "board", "board.csv", "notices", "notices/resend", "estimate", "level", "pours", "readings", "undo", "logged",
        "plan", "learned", "learned/forget", "materials", "recipes", "recipes/{name}", "recipes/{name}/mix",
        "export", "import", "export.zip", "import.zip", "readings.csv", "labels", "compare", "series", "harm", "alarms",
        "alarms/now", "alarms/muted", "alarms/history", "rooms", "rooms/{name}", "rooms/{name}/readings",
        "rooms/{name}/readings.csv", "rooms/{name}/outlook",
        "rooms/{name}/alarms/{kind}/acknowledge", "rooms/{name}/alarms/{kind}/mute",
        "rooms/{name}/alarms/{kind}/unmute", "rooms/{name}/trust",
        "pieces/{name}", "pieces/{name}/observations", "pieces/{name}/steps",
        "pieces/{name}/advice", "pieces/{name}/cleared", "pieces/{name}/move", "pieces/{name}/gone",
        "pieces/{name}/record", "pieces/{name}/why", "pieces/{name}/air", "pieces/{name}/curve",
        "pieces/{name}/photos", "pieces/{name}/photo", "photos/{photo_id}.jpg",
        "pieces/{name}/level", "pieces/{name}/tilts", "pieces/{name}/promise",
        "pieces/{name}/correct", "pieces/{name}/delete", "names", "listening",
    }  # fmt: skip
    for ways in document["paths"].values():
        for way in ways.values():
            assert {"401", "403", "404", "422", "503"} <= set(way["responses"])


ASKED = {
    "/why": {"trouble": "tacky"}, "/compare": {"one": "Curlew", "other": "Curlew"},
    "/mix": {"wet_thickness_mm": 1.2, "width_cm": 30, "height_cm": 40},
    "/estimate": {"wet_thickness_mm": 1.2, "temp_c": 21, "rh_pct": 50},
    "/v1/level": {"wet_thickness_mm": 1.2, "temp_c": 21, "rh_pct": 50, "tilt_deg": 0.5},
}  # fmt: skip
"""What must be asked, by the end of the way."""


@pytest.mark.filterwarnings("ignore")  # of schemathesis' own dependencies
def test_what_is_here_is_told_as_the_description_has_it(studio: Studio) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    studio.read(hours=24)
    studio.pour(hours_ago=20)
    parts = {"parts": [{"material": "fluid paint", "parts": 1}, {"material": "pouring medium", "parts": 2}]}
    assert requests.put(f"{studio.url}/api/v1/recipes/river white", json=parts, timeout=20).status_code == 200
    send(studio, "/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky"})
    send(studio, "/pieces/Curlew/tilts", {"tilt_deg": 0.5})
    photo = {"data": jpeg(), "headers": {"content-type": "image/jpeg"}}
    assert requests.post(f"{studio.url}/api/v1/pieces/Curlew/photo", **photo, timeout=20).status_code == 201
    names = {"pieces": "Curlew", "rooms": "Shed", "recipes": "river white"}
    for operation in schemathesis.openapi.from_url(f"{studio.url}/api/v1/openapi.json").get_all_operations():
        way = operation.ok()
        if way.method.lower() == "get" and not way.path.endswith("/plan"):  # seconds of work, and tried elsewhere
            name = names.get(way.path.split("/")[3])
            query = next((asked for end, asked in ASKED.items() if way.path.endswith(end)), {})
            given = {"name": name} if "{name}" in way.path else {"photo_id": 1} if "{photo_id}" in way.path else {}
            case = way.Case(path_parameters=given, query=query)
            assert case.call_and_validate().status_code == 200, way.path


@pytest.mark.filterwarnings("ignore")  # of schemathesis' own dependencies
def test_the_api_keeps_to_its_description_whatever_it_is_sent(studio: Studio) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    from hypothesis import HealthCheck, Phase, given, settings
    from schemathesis.specs.openapi.checks import positive_data_acceptance  # no schema says "not in the future"

    studio.pour()
    studio.read()
    schemathesis.serializer.alias("application/zip", "application/octet-stream")
    schema = schemathesis.openapi.from_url(f"{studio.url}/api/v1/openapi.json")
    tried = 0
    for operation in schema.get_all_operations():
        way = operation.ok()

        slow = way.path.endswith(("/plan", "/estimate", "/v1/level"))  # seconds of work an answer

        @given(case=way.as_strategy())
        @settings(max_examples=(2 if slow else 5) * THOROUGH, deadline=None, database=None, phases=[Phase.generate],
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        def keeps(case: schemathesis.Case) -> None:
            case.call_and_validate(excluded_checks=[positive_data_acceptance])

        keeps()
        tried += 1
    assert tried == OPERATIONS


def test_each_operation_has_a_name_a_place_and_an_example_of_what_is_sent_that_is_taken(
    studio: Studio, tmp_path: Path
) -> None:
    """In the order of a piece's life; what needs more than that is refused for what is not there, not for its form."""
    described = studio.get("/api/v1/openapi.json").json()
    ways = {way["operationId"]: (path, way) for path, all_of in described["paths"].items() for way in all_of.values()}
    assert len(ways) == sum(map(len, described["paths"].values())), "no two are called the same"
    assert all(re.fullmatch(r"[a-z_]+", name) for name in ways)
    told = {one["name"] for one in described["tags"]}
    assert {tag for _, way in ways.values() for tag in way["tags"]} == told
    assert all(len(way["tags"]) == 1 and way["summary"] and way["description"] for _, way in ways.values())
    unsaid = [
        (name, one["name"]) for name, (_, way) in ways.items() for one in way.get("parameters", ())
        if one["required"] and "example" not in one
    ]  # fmt: skip
    assert unsaid == []
    bodies = {
        (name, kind): body.get("example") for name, (_, way) in ways.items()
        for kind, body in way.get("requestBody", {}).get("content", {}).items()
    }  # fmt: skip
    binary = {("take_photo", kind) for kind in IMAGES} | {("import_tables", "application/zip")}
    assert {which for which, example in bodies.items() if example is None} == binary
    rows = {"data": bodies["import_rows", "text/csv"], "headers": {"content-type": "text/csv"}}
    url, where = f"{studio.url}{ways['import_rows'][0]}", {"room": _named(ways["import_rows"][1], "room")}
    assert requests.post(url, params=where, **rows, timeout=20).json()["new"] == 2
    sent = {name: example for (name, kind), example in bodies.items() if kind == "application/json"}
    life = [
        "put_recipe",
        "log_reading",
        "log_pour",
        "observe",
        "measure",
        "step_done",
        "promise",
        "move",
        "correct",
        "forget",
    ]
    (tmp_path / "empty").mkdir()
    with served(tmp_path / "empty") as empty:
        assert send(empty, "/import", sent["import_all"]).status_code == 201
    for name in (*life, *sorted(sent.keys() - {*life, "import_all", "gone", "put_right"}), "put_right", "gone"):
        path = ways[name][0].replace("{kind}", "cold").replace("{name}", _named(ways[name][1]))
        answer = requests.request(
            "PUT" if name == "put_recipe" else "POST", studio.url + path, json=sent[name], timeout=20
        )
        if name in ("mute", "trust", "undo"):
            assert answer.status_code in (200, 404, 422), answer.text
            assert "errors" not in answer.json(), "its form is right"
        else:
            assert answer.status_code < 300, (name, answer.text)
        studio.clock.move(timedelta(minutes=1))


def _named(way: dict[str, Any], what: str = "name") -> str:
    """The example of a name in its path or query."""
    return str(next((one["example"] for one in way.get("parameters", ()) if one["name"] == what), ""))


@pytest.mark.parametrize("name", ["estimate", "level"])
def test_what_a_query_is_said_to_ask_is_answered(studio: Studio, name: str) -> None:
    way = studio.get("/api/v1/openapi.json").json()["paths"][f"/api/v1/{name}"]["get"]
    asked = {one["name"]: one["example"] for one in way["parameters"] if "example" in one}
    assert requests.get(f"{studio.url}/api/v1/{name}", asked, timeout=20).status_code == 200
