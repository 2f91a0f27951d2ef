"""The JSON API: what it tells, what it takes, and that its description is true."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import requests

from curewatch.web.passwords import hash_of
from tests.shell.web_parts import NOW, PASSWORD, Studio, served

OPERATIONS = 29
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
    assert piece["next"] == "packed"
    assert list(piece["milestones"]) == ["packed", "touch_dry", "handle", "varnish_ready"]
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
    assert send(studio, "/pieces/Curlew/move", {"room": "Loft"}).json()["notes"] == ["room 'Loft' is new"]
    assert studio.get("/api/v1/pieces/Curlew").json()["room"] == "Loft"
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
    assert said in answer.json()["error"]
    assert studio.names() == []


def test_a_form_of_another_site_is_not_taken_for_json(studio: Studio) -> None:
    answer = requests.post(f"{studio.url}/api/v1/pours", data="{}", headers={"content-type": "text/plain"}, timeout=10)
    assert answer.status_code == 415
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
        page = locked.post("/ways-in", {"name": kind, "kind": kind}).text
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


def test_the_description_lists_every_way_and_every_refusal(studio: Studio) -> None:
    document = studio.get("/api/v1/openapi.json").json()
    assert {path.removeprefix("/api/v1/") for path in document["paths"]} == {
        "board", "board.csv", "notices", "recipes", "pours", "readings", "undo", "plan", "learned", "export", "import",
        "readings.csv", "alarms", "rooms", "rooms/{name}/readings", "rooms/{name}/readings.csv", "rooms/{name}/outlook",
        "rooms/{name}/alarms/{kind}/acknowledge", "rooms/{name}/alarms/{kind}/mute",
        "rooms/{name}/alarms/{kind}/unmute", "pieces/{name}", "pieces/{name}/observations", "pieces/{name}/steps",
        "pieces/{name}/advice", "pieces/{name}/cleared", "pieces/{name}/move", "pieces/{name}/gone",
    }  # fmt: skip
    for ways in document["paths"].values():
        for way in ways.values():
            assert {"401", "403", "404", "422", "503"} <= set(way["responses"])


@pytest.mark.filterwarnings("ignore")  # of schemathesis' own dependencies
def test_the_api_keeps_to_its_description_whatever_it_is_sent(studio: Studio) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    from hypothesis import HealthCheck, Phase, given, settings
    from schemathesis.specs.openapi.checks import positive_data_acceptance  # no schema says "not in the future"

    studio.pour()
    studio.read()
    schema = schemathesis.openapi.from_url(f"{studio.url}/api/v1/openapi.json")
    tried = 0
    for operation in schema.get_all_operations():
        way = operation.ok()

        slow = way.path.endswith("/plan")  # seconds of work an answer

        @given(case=way.as_strategy())
        @settings(max_examples=4 if slow else 15, deadline=None, database=None, phases=[Phase.generate],
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        def keeps(case: schemathesis.Case) -> None:
            case.call_and_validate(excluded_checks=[positive_data_acceptance])

        keeps()
        tried += 1
    assert tried == OPERATIONS
