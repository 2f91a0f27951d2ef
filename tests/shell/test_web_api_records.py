"""The JSON API of what became of a piece: it tells what the commands and the desk tell of the same store."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import pytest
import requests

from curewatch.desk.commands import aftercare, observing, pours
from curewatch.desk.reports import cure_record
from curewatch.desk.reports.piece import piece_report
from curewatch.records import AlarmKind, Damage
from curewatch.records.facts import Finger
from curewatch.studio.diagnosis.drying_history import Rheology, drifting
from curewatch.studio.diagnosis.mechanisms import Trouble
from curewatch.views.record import FindingOut
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get


def refused(studio: Studio, path: str, status: int = 422) -> str:
    answer = studio.get(f"/api/v1{path}")
    assert answer.status_code == status, answer.text
    return str(answer.json()["detail"])


def send(studio: Studio, path: str, values: object) -> requests.Response:
    return requests.post(f"{studio.url}/api/v1{path}", json=values, timeout=20)


def test_a_record_tells_what_was_found_and_done_and_stays_when_the_piece_has_left(studio: Studio) -> None:
    desk = studio.desk
    observing.feel(desk, "Curlew", Finger.TACKY, NOW, NOW)
    aftercare.done(desk, "Curlew", "skins", NOW, NOW, anyway=True)
    pours.measured(desk, "Curlew", 0.004, NOW, NOW)
    refresh(desk, NOW)
    told = get(studio, "/pieces/Curlew/record")
    assert [one["kind"] for one in told["observed"]] == ["finger"]
    assert [one["step"] for one in told["steps"]] == ["skins"]
    assert [one["tilt_deg"] for one in told["tilts"]] == pytest.approx([math.degrees(0.004)])
    pours.leave(desk, "Curlew", NOW)
    gone = get(studio, "/pieces/Curlew/record")
    assert (gone["gone_at"] is not None, gone["observed"]) == (True, told["observed"])


def test_why_tells_what_the_command_tells(studio: Studio) -> None:
    looked = cure_record.cure_record_of(studio.desk, "Curlew", NOW)
    for trouble in Trouble:
        found = cure_record.why(studio.desk, looked, trouble)
        assert get(studio, f"/pieces/Curlew/why?trouble={trouble.value}") == [
            FindingOut.of(one).model_dump(mode="json") for one in found
        ]
    assert "trouble" in refused(studio, "/pieces/Curlew/why?trouble=boredom")


def test_two_records_stand_side_by_side(studio: Studio) -> None:
    studio.pour("Snipe", hours_ago=5)
    pair = get(studio, "/compare?one=Snipe&other=Curlew")["pieces"]
    assert pair == [get(studio, f"/pieces/{name}/record") for name in ("Snipe", "Curlew")]


def test_the_air_a_piece_had_comes_with_its_limits_and_its_age(studio: Studio) -> None:
    studio.clock.move(timedelta(hours=3))
    studio.read(temp_c=4, hours=1)
    told = get(studio, "/pieces/Curlew/air")
    assert told["limits"] == {
        "cold_mfft_c": 10, "frost_c": 2, "damp_rh_pct": 75, "hot_c": 30, "dry_rh_pct": 30,
    }  # fmt: skip
    assert datetime.fromisoformat(told["read_at"]) == studio.clock.now()
    assert told["came_to"] == get(studio, "/pieces/Curlew/record")["air_so_far"]
    temps = [point["temp_c"] for point in told["points"]]
    assert (min(temps), max(temps)) == (4, 21)
    assert told["came_to"]["cold_h"] > 1
    studio.pour("Snipe", "Loft", hours_ago=1)
    unread = get(studio, "/pieces/Snipe/air")
    assert (unread["points"], unread["came_to"], unread["read_at"]) == ([], None, None)


def test_a_drying_curve_falls_and_says_how_warm_the_film_lies(studio: Studio) -> None:
    told = get(studio, "/pieces/Curlew/curve")
    points = told["points"]
    assert (told["reason"], told["cold_mfft_c"]) == (None, 10)
    for what in ("left", "surface_volatile_fraction", "bottom_volatile_fraction", "film_temp_c"):
        assert all(one[what]["p10"] <= one[what]["p50"] <= one[what]["p90"] for one in points), what
    left = [one["left"]["p50"] for one in points]
    assert left == sorted(left, reverse=True)
    assert left[0] == 1
    assert points[0]["film_temp_c"]["p50"] < 21, "a wet film in still air lies below the room's temperature"
    assert datetime.fromisoformat(points[0]["at"]) == NOW - timedelta(hours=20)
    assert max(points, key=lambda one: one["at"])["at"] > NOW.isoformat(), "past and foreseen"
    studio.pour("Snipe", "Loft", hours_ago=1)
    unread = get(studio, "/pieces/Snipe/curve")
    assert unread["points"] == []
    assert unread["reason"]


def test_a_tilt_is_kept_and_tells_how_far_the_design_drifts(studio: Studio) -> None:
    assert get(studio, "/pieces/Curlew/level")["drift_mm"] is None, "no tilt was measured"
    assert send(studio, "/pieces/Curlew/tilts", {"tilt_deg": 0.5}).status_code == 201
    told = get(studio, "/pieces/Curlew/level?limit_mm=2&viscosity_pa_s=3")
    looked = cure_record.cure_record_of(studio.desk, "Curlew", NOW)
    found = drifting(looked.trace, looked.history.drying.pour.at, looked.tilts, Rheology(viscosity=3.0), 2e-3)
    assert found.drift_m is not None
    assert found.tilt_for_limit is not None
    assert told["drift_mm"] == pytest.approx(found.drift_m * 1e3, rel=1e-6)  # seven digits are told
    assert told["tilt_for_limit_deg"] == pytest.approx(math.degrees(found.tilt_for_limit), rel=1e-6)  # as above
    assert [one["tilt_deg"] for one in told["tilts"]] == [0.5]
    before = {"tilt_deg": 0.5, "at": (NOW - timedelta(hours=30)).isoformat()}
    answer = send(studio, "/pieces/Curlew/tilts", before)
    assert (answer.status_code, "since the pour" in answer.json()["detail"]) == (422, True)
    assert send(studio, "/pieces/Curlew/tilts", {"tilt_deg": 46}).status_code == 422
    assert send(studio, "/pieces/Nobody/tilts", {"tilt_deg": 1}).status_code == 404


def test_a_labels_link_opens_its_piece_and_says_nothing_of_it(studio: Studio) -> None:
    studio.pour("Snipe", "Loft", hours_ago=1)
    snipe, curlew = get(studio, "/labels")
    assert (snipe["piece"], curlew["piece"], curlew["recipe"], curlew["width_cm"]) == (
        "Snipe", "Curlew", "river white", 30,
    )  # fmt: skip
    assert curlew["link"] is None, "the page opens on this machine alone"
    assert "Curlew" in studio.page(f"/p/{curlew['code']}")
    assert get(studio, "/labels?room=Loft") == get(studio, "/labels?piece=Snipe") == [snipe]
    refused(studio, "/labels?piece=Nobody", 404)


def test_harm_is_told_with_the_piece_until_somebody_has_looked_it_over(studio: Studio) -> None:
    with studio.store.write() as tx:
        tx.put_damages([
            Damage(
                piece_id=tx.pieces()[0].id, kind=AlarmKind.COLD, hours=3.5, worst_c=6.25,
                began_at=NOW - timedelta(hours=9), counted_until=NOW,
            )
        ])  # fmt: skip
    (harm,) = get(studio, "/harm?room=Shed")
    assert (harm["piece"], harm["kind"], harm["hours"], harm["coldest_c"]) == ("Curlew", "cold", 3.5, 6.25)
    piece = get(studio, "/pieces/Curlew")
    assert piece["harm"] == [harm] == get(studio, "/pieces/Curlew/record")["harm"]
    dew = piece_report(studio.desk, "Curlew", NOW).dew
    assert dew is not None
    assert piece["above_dew_point_k"] == pytest.approx(dew.kelvin, abs=0.005)  # two digits are told
    assert send(studio, "/pieces/Curlew/cleared", {}).status_code == 200
    assert get(studio, "/harm") == []
    refused(studio, "/harm?room=Nowhere", 404)


def test_of_a_piece_that_never_was_there_is_nothing(studio: Studio) -> None:
    for path in ("record", "why?trouble=cloudy", "air", "curve", "level"):
        refused(studio, f"/pieces/Nobody/{path}", 404)
    refused(studio, "/compare?one=Curlew&other=Nobody", 404)
