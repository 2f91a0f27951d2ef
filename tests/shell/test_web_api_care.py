"""The JSON API beside pours and readings: findings, steps, alarms, plans, undo, and everything out and in again."""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.web.access import bodies, guard
from curewatch.web.access.credentials import hash_of
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, PASSWORD, Studio, served


def send(studio: Studio, path: str, values: object = None, **options: Any) -> requests.Response:
    return requests.post(f"{studio.url}/api/v1{path}", json={} if values is None else values, timeout=20, **options)


def get(studio: Studio, path: str) -> Any:
    answer = studio.get(f"/api/v1{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_findings_are_told_of_teach_and_are_undone_as_their_answer_says(studio: Studio) -> None:
    before = get(studio, "/pieces/Curlew")["milestones"]
    sent = send(studio, "/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky"})
    assert sent.status_code == 201
    send(studio, "/pieces/Curlew/observations", {"kind": "weighing", "grams": 612, "resolution_g": 0.5})
    surface = {"kind": "surface", "surface_c": 17.5, "at": (NOW - timedelta(hours=2)).isoformat()}
    send(studio, "/pieces/Curlew/observations", surface)
    seen = get(studio, "/pieces/Curlew/observations")
    assert [(one["kind"], one["finger"], one["grams"], one["surface_c"]) for one in seen] == [
        ("surface", None, None, 17.5), ("finger", "tacky", None, None), ("weighing", None, 612, None),
    ]  # fmt: skip
    after = get(studio, "/pieces/Curlew")["milestones"]
    assert after["touch_dry"]["worth_checking_at"] > before["touch_dry"]["worth_checking_at"]
    (belief, *_) = get(studio, "/learned")
    assert (belief["about"], belief["name"]) == ("recipe", "river white")
    assert send(studio, "/undo", sent.json()["undo"]).status_code == 200
    assert [one["kind"] for one in get(studio, "/pieces/Curlew/observations")] == ["surface", "weighing"]
    assert send(studio, "/undo", sent.json()["undo"]).status_code == 422, "once only"


def test_steps_are_listed_written_down_and_undone(studio: Studio) -> None:
    listed = get(studio, "/pieces/Curlew/steps")
    states = {one["step"]: one["state"] for one in listed["steps"]}
    assert states["level"] == "over"
    assert states["varnish-2"] == "waits"
    assert all(one["caution"] for one in listed["steps"])
    assert listed["air_against"] == []
    sent = send(studio, "/pieces/Curlew/steps", {"step": "skins"})
    assert sent.status_code == 201
    assert send(studio, "/pieces/Curlew/steps", {"step": "skins"}).status_code == 422
    assert send(studio, "/pieces/Curlew/steps", {"step": "varnish-2"}).status_code == 422
    done = next(one for one in get(studio, "/pieces/Curlew/steps")["steps"] if one["step"] == "skins")
    assert (done["state"], str(done["done_id"])) == ("done", sent.json()["undo"]["of"][1])
    assert send(studio, "/undo", sent.json()["undo"]).status_code == 200
    done = next(one for one in get(studio, "/pieces/Curlew/steps")["steps"] if one["step"] == "skins")
    assert done["done_at"] is None


def test_whatever_is_logged_carries_what_takes_it_back(studio: Studio) -> None:
    studio.clock.move(timedelta(minutes=1))
    ways = [
        ("/pours", {"name": "Snipe", "room": "Shed", "wet_thickness_mm": 1}),
        ("/readings", {"room": "Shed", "temp_c": 12, "rh_pct": 70}),
        ("/pieces/Curlew/move", {"room": "Loft"}),
        ("/pieces/Curlew/gone", {}),
    ]
    with studio.store.read() as tx:
        before = (tx.counts(), [piece.name for piece in tx.pieces()], tx.stays())
    for path, values in ways:
        undo = send(studio, path, values).json()["undo"]
        answer = send(studio, "/undo", undo)
        assert (answer.status_code, answer.json()["notes"]) == (200, ["taken back"]), (path, answer.text)
        with studio.store.read() as tx:
            assert [piece.name for piece in tx.pieces()] == before[1], path
            assert tx.stays() == before[2], path
            assert tx.counts()["readings"] == before[0]["readings"], path


NEVER_SO: list[tuple[str, object]] = [
    ("/undo", {"done": "found", "of": ["Curlew", "999"]}),
    ("/undo", {"done": "pour", "of": ["x"]}),
    ("/undo", {"done": "reading", "of": ["Shed"]}),
    ("/undo", {"done": "reading", "of": ["Shed", "yesterday"]}),
    ("/undo", {"done": "everything", "of": ["1"]}),
    ("/undo", {"done": "acknowledge", "of": ["Shed", "boredom"]}),
    ("/undo", {"done": "cleared", "of": ["Curlew"]}),
    ("/pieces/Curlew/observations", {"kind": "finger", "finger": "soggy"}),
    ("/pieces/Curlew/observations", {"kind": "weighing", "grams": -1}),
    ("/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky", "grams": 3}),
    ("/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky", "at": "2026-11-01T00:00:00Z"}),
    ("/pieces/Curlew/steps", {"step": "polish"}),
    ("/pieces/Curlew/cleared", {}),
    ("/rooms/Shed/alarms/cold/acknowledge", {}),
    ("/rooms/Shed/alarms/cold/mute", {"hours": 25}),
    ("/rooms/Shed/alarms/cold/unmute", {}),
    ("/rooms/Shed/alarms/boredom/mute", {"hours": 2}),
]


def test_what_cannot_be_is_refused_with_a_reason(studio: Studio) -> None:
    for path, values in NEVER_SO:
        answer = send(studio, path, values)
        assert answer.status_code == 422, (path, values, answer.text)
        assert answer.json()["detail"]


def test_what_is_not_there_is_not_found(studio: Studio) -> None:
    for path in ("/pieces/Nobody/observations", "/pieces/Nobody/steps", "/pieces/Nobody/advice", "/rooms/No/outlook",
                 "/rooms/No/readings.csv"):  # fmt: skip
        assert studio.get(f"/api/v1{path}").status_code == 404
    assert send(studio, "/rooms/No/alarms/cold/mute", {"hours": 1}).status_code == 404
    assert send(studio, "/pieces/Nobody/observations", {"kind": "finger", "finger": "tacky"}).status_code == 404


def test_an_alarm_is_acknowledged_muted_and_told_of_again(studio: Studio) -> None:
    studio.clock.move(timedelta(hours=2))
    studio.read(temp_c=4, hours=1)
    refresh(studio.desk, studio.clock.now())
    (alarm,) = get(studio, "/alarms")
    assert (alarm["alarm"], alarm["acknowledged_at"], alarm["muted_until"]) == ("cold", None, None)
    assert send(studio, "/rooms/Shed/alarms/cold/acknowledge").json()["acknowledged_at"] is not None
    seen = {"done": "acknowledge", "of": ["Shed", "cold"]}
    assert send(studio, "/undo", seen).status_code == 200
    assert get(studio, "/alarms")[0]["acknowledged_at"] is None
    assert send(studio, "/undo", seen).status_code == 422
    muted = send(studio, "/rooms/Shed/alarms/cold/mute", {"hours": 8}).json()["muted_until"]
    assert datetime.fromisoformat(muted) == studio.clock.now() + timedelta(hours=8)
    assert send(studio, "/rooms/Shed/alarms/cold/unmute").json()["muted_until"] is None


def test_advice_outlook_and_plan_tell_what_the_pages_tell(studio: Studio) -> None:
    warmer, drier, fan = get(studio, "/pieces/Curlew/advice")
    assert warmer["hours"]["handle"] < 0
    assert "heater" in warmer["caution"]
    assert drier["caution"] is None
    assert fan["room_is"] == "with a fan on it"
    hours = get(studio, "/rooms/Shed/outlook")["hours"]
    assert len(hours) == 48
    assert all(h["temp_c"]["p10"] <= h["temp_c"]["p50"] <= h["temp_c"]["p90"] for h in hours)
    due = (NOW + timedelta(days=9)).isoformat().replace("+", "%2B")
    plan = get(studio, f"/plan?room=Shed&due={due}&wet_thickness_mm=1.2&pieces=2&ready=handle")
    assert plan["verdict"] == "There is time."
    assert plan["latest"][0]["room_is"] == "as it usually is"
    assert plan["places_taken"][0]["piece"] == "Curlew"
    raw = get(studio, f"/plan?room=Shed&due={due}&wet_thickness_mm=1.2&back=raw-panel&width_cm=40&height_cm=40&round=1")
    # bare wood soaks up part of the water, which then need not leave through the surface
    assert raw["latest"][0]["even_at"] > plan["latest"][0]["even_at"]
    small = get(studio, f"/plan?room=Shed&due={due}&wet_thickness_mm=1.2&width_cm=5&height_cm=5&round=1")
    assert small["latest"][0]["even_at"] > plan["latest"][0]["even_at"]  # air is drier over a short way
    for wrong in ("back=velvet", "width_cm=40&height_cm=50&round=1", "width_cm=1"):
        assert studio.get(f"/api/v1/plan?room=Shed&due={due}&wet_thickness_mm=1.2&{wrong}").status_code == 422
    refused = studio.get(f"/api/v1/plan?room=Nowhere&due={due}&wet_thickness_mm=1.2")
    assert refused.status_code == 422
    assert "Nowhere" in refused.json()["detail"]


def test_everything_goes_out_and_into_an_empty_studio_with_the_same_dates(studio: Studio, tmp_path: Path) -> None:
    send(studio, "/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky"})
    send(studio, "/pieces/Curlew/steps", {"step": "skins", "anyway": True})
    whole = get(studio, "/export")
    other_folder = tmp_path / "other"
    other_folder.mkdir()
    with served(other_folder) as other:
        sent = send(other, "/import", whole)
        assert sent.status_code == 201, sent.text
        assert sent.json()["taken_in"]["pieces"] == 1
        assert get(other, "/export") == whole
        assert get(other, "/pieces/Curlew")["milestones"] == get(studio, "/pieces/Curlew")["milestones"]
        again = send(other, "/import", whole)
        assert again.status_code == 422
        assert "empty" in again.json()["detail"]


def test_everything_goes_out_and_in_as_tables(studio: Studio, tmp_path: Path) -> None:
    """By the links of the page too; what is in it is what the JSON says."""
    links = re.findall(r'href="(/api/v1/export[.\w]*)" download', studio.page("/ways-in"))
    assert links == ["/api/v1/export", "/api/v1/export.zip"]
    told, tables = (studio.get(link) for link in links)
    assert tables.headers["content-type"] == "application/zip"
    (tmp_path / "other").mkdir()
    with served(tmp_path / "other") as other:
        sent = put_tables(other, tables.content)
        assert (sent.status_code, sent.json()["taken_in"]["pieces"]) == (201, 1)
        assert get(other, "/export") == told.json()
        assert other.get("/api/v1/export.zip").content == tables.content
        again = put_tables(other, tables.content)
        assert again.status_code == 422
        assert "empty store" in again.json()["detail"]


def put_tables(studio: Studio, content: bytes) -> requests.Response:
    url, headers = f"{studio.url}/api/v1/import.zip", {"content-type": "application/zip"}
    return requests.post(url, data=content, headers=headers, timeout=20)


@pytest.mark.parametrize("content", [b"", b"PK", b'{"kind": "export"}', b"PK\x05\x06" + bytes(18)])
def test_what_is_no_zip_of_tables_is_refused_and_nothing_is_stored(tmp_path: Path, content: bytes) -> None:
    with served(tmp_path) as studio:
        answer = put_tables(studio, content)
        assert (answer.status_code, "body: got" in answer.json()["detail"]) == (422, True), answer.text
        assert studio.names() == []


def test_what_is_no_export_is_refused_and_nothing_is_stored(tmp_path: Path) -> None:
    with served(tmp_path) as studio:
        for values in ({}, {"kind": "export"}, {"kind": "export", "schema": 99}, {"kind": "shopping"}):
            assert send(studio, "/import", values).status_code == 422, values
        assert studio.names() == []


def test_a_rooms_readings_go_out_as_rows_and_in_again(studio: Studio) -> None:
    rows = studio.get("/api/v1/rooms/Shed/readings.csv")
    assert rows.headers["content-type"] == "text/csv; charset=utf-8"
    assert rows.text.startswith("time_utc,temp_c,rh_pct,source\n")
    url, kind = f"{studio.url}/api/v1/readings.csv", {"content-type": "text/csv"}
    same = requests.post(f"{url}?room=Shed", data=rows.content, headers=kind, timeout=20)
    assert (same.status_code, same.json()["new"]) == (201, 0)
    loft = requests.post(f"{url}?room=Loft", data=rows.content, headers=kind, timeout=20).json()
    assert (loft["rows"], loft["new"], loft["in_the_future"]) == (41, 41, 0)
    assert studio.get("/api/v1/rooms/Loft/readings.csv").text == rows.text
    refused = requests.post(f"{url}?room=Loft", data=b"a,b\n1,2\n", headers=kind, timeout=20)
    assert refused.status_code == 422
    assert "time_utc" in refused.json()["detail"]
    assert requests.post(f"{url}?room=Loft", json=[], timeout=20).status_code == 415


def test_the_board_goes_out_as_rows_with_every_date(studio: Studio) -> None:
    studio.pour("Snipe, the second", "Loft", hours_ago=1)
    rows = list(csv.DictReader(io.StringIO(studio.get("/api/v1/board.csv").text)))
    assert [row["name"] for row in rows] == ["Curlew", "Snipe, the second"]
    told = get(studio, "/pieces/Curlew")["milestones"]["handle"]
    assert datetime.fromisoformat(rows[0]["handle_safe_at"]) == datetime.fromisoformat(told["safe_at"]).replace(
        microsecond=0
    )
    assert rows[1]["handle_safe_at"] == "", "its room was never read"


def test_only_an_import_may_be_long_and_even_that_has_an_end(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    long = b"time_utc,temp_c,rh_pct\n" + b"".join(
        b"%s,20,50\n" % (NOW - timedelta(minutes=k)).isoformat().encode() for k in range(3000)
    )
    assert len(long) > bodies.BODY_MOST
    url = f"{studio.url}/api/v1/readings.csv?room=Loft"
    assert requests.post(url, data=long, headers={"content-type": "text/csv"}, timeout=20).json()["new"] == 3000
    assert send(studio, "/pours", {"name": "x" * bodies.BODY_MOST}).status_code == 413
    monkeypatch.setattr(guard, "LARGE_MOST", len(long) - 1)
    assert requests.post(url, data=long, headers={"content-type": "text/csv"}, timeout=20).status_code == 413


def test_taking_everything_out_or_in_needs_the_right_to_administer(tmp_path: Path) -> None:
    path = tmp_path / "page-password"
    path.write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=path) as studio:
        studio.post("/login", {"password": PASSWORD})
        for kind in ("read", "record", "admin"):
            page = studio.post("/ways-in", {"name": kind, "kind": kind, "password": PASSWORD}).text
            secret = re.search(r"<code>([\w-]{43})</code>", page)
            assert secret
            bearer = {"authorization": f"Bearer {secret[1]}"}
            out, as_tables = (
                requests.get(f"{studio.url}/api/v1/{way}", headers=bearer, timeout=20).status_code
                for way in ("export", "export.zip")
            )
            assert as_tables == out
            taken = send(studio, "/import", {}, headers=bearer).status_code
            seen = send(studio, "/undo", {"done": "pour", "of": ["7"]}, headers=bearer).status_code
            assert (out, taken, seen) == {
                "read": (403, 403, 403), "record": (403, 403, 422), "admin": (200, 422, 422),
            }[kind]  # fmt: skip
