"""What was logged wrong is put right: by command, page and API, and every view, notice and calendar tells one story."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import aftercare, observing, pours
from curewatch.desk.commands.correcting import PourChange, correct, delete
from curewatch.desk.commands.log import OF_PIECES, LogKind
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.commands.undo import undo_last
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.snapshot.pieces import what_was_learned
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import Delivery, DeliveryState, Forecast, Support, ThicknessSource
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger
from curewatch.records.workshop import Paint
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.moved_studio import everything, from_json, from_tables, tables_of
from tests.shell.test_desk import HOUR, SHED, order, sensed, settings_of
from tests.shell.test_desk import desk as desk
from tests.shell.test_desk import store as store
from tests.shell.web_parts import NOW, Studio, get, words_of

ALL = OF_PIECES
NOW_ = NOON + 40 * HOUR


# --- One story, by command, page, API and calendar ------------------------------------------------------------------


@pytest.fixture
def typed(
    studio: Studio, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., str]:
    """What a command prints of this studio."""
    config = tmp_path / "typed.toml"
    config.write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\n')
    monkeypatch.setattr("curewatch.cli.session.SystemClock", lambda: studio.clock)

    def run(*words: str) -> str:
        capsys.readouterr()
        code = main(["--store", str(studio.store.location), "--config", str(config), *words])
        said = capsys.readouterr()
        return f"exit {code}: {said.err}" if code else " ".join(said.out.split())

    return run


def events(studio: Studio) -> dict[str, Any]:
    calendar = Calendar.from_ical(studio.get("/calendar.ics").text)
    return {str(event["uid"]).split("@")[0].removeprefix("piece-1-"): event for event in calendar.walk("VEVENT")}


def test_a_pour_is_put_right_by_command_and_every_view_follows(studio: Studio, typed: Callable[..., str]) -> None:
    observing.feel(studio.desk, "Curlew", Finger.TOUCH_DRY, NOW - HOUR, NOW)
    refresh(studio.desk, NOW)
    before = events(studio)["handle"]
    studio.clock.move(timedelta(minutes=1))
    said = typed(
        "correct", "Curlew", "--name", "Whimbrel", "--wet-thickness", "5mm", "--at", "yesterday 17:00", "--silicone"
    )
    assert (
        "Corrected Curlew: name Whimbrel (was Curlew), start Thu 19 Nov 2026 17:00 (was Thu 19 Nov 2026 13:00)" in said
    )
    assert "thickness 5 mm (was 1.2 mm), silicone with (was without)" in said
    assert "Film 5 mm wet, by comb gauge; river white, with silicone" in said
    assert "Whimbrel: touch-dry, found today 08:00" in said, "what was found stays with it"
    after = events(studio)["handle"]
    assert int(after["sequence"]) > int(before["sequence"])
    assert str(after["summary"]).startswith("Whimbrel")
    assert after.decoded("dtstart") > before.decoded("dtstart")
    record = get(studio, "/pieces/Whimbrel/record")
    assert [one["what"] for one in record["corrections"][0]["changes"]] == ["name", "start", "thickness", "silicone"]
    assert "thickness 5 mm (was 1.2 mm)" in typed("record", "Whimbrel")
    assert "Corrected today 09:01" in words_of(studio.page("/piece/Whimbrel"))
    assert "Corrections" in words_of(studio.page("/record/Whimbrel"))
    assert studio.get("/piece/Curlew").status_code == 422
    assert "Curlew" in typed("undo", "Whimbrel")
    (listed,) = get(studio, "/board")["pieces"]
    assert listed["name"] == "Curlew"
    assert get(studio, "/pieces/Curlew/record")["corrections"] == []


def test_a_pour_is_put_right_on_its_page_and_only_what_was_changed_there_is(studio: Studio) -> None:
    assert events(studio)
    shown = studio.page("/piece/Curlew")
    assert "Correct this pour" in words_of(shown)
    fields = {
        "name": "Curlew", "start": "2026-11-19 13:00", "room": "Shed", "place": "rack 1", "thickness": "volume",
        "poured": "170", "size": "round 40cm", "recipe": "river white", "support": "tile", "silicone": "no",
    }  # fmt: skip
    said = words_of(studio.post("/piece/Curlew/correct", fields, on="/piece/Curlew").text)
    assert (
        "Corrected: thickness 1.35 mm (was 1.2 mm), thickness known from volume over area (was by comb gauge)" in said
    )
    assert "shape round (was square), on glazed tile (was primed canvas), poured 170 ml (was not told)" in said
    with studio.store.read() as tx:
        (pour,) = tx.pours()
    assert (pour.width_m, pour.round, pour.support) == (0.4, True, Support.TILE)
    again = studio.post("/piece/Curlew/correct", fields | {"thickness": "", "place": "rakc 1"}, on="/piece/Curlew")
    assert again.status_code == 422
    assert "which is near 'rack 1'" in words_of(again.text)
    same = fields | {"thickness": "", "room_typed": ""}
    answer = studio.post("/piece/Curlew/correct", same, on="/piece/Curlew")
    assert "nothing different" in words_of(answer.text)
    new = studio.post("/piece/Curlew/correct", same | {"place": "rakc 1", "new": "yes"}, on="/piece/Curlew")
    assert "place rakc 1 (was rack 1)" in words_of(new.text)
    assert studio.undo(new.text)
    assert get(studio, "/board")["pieces"][0]["place"] == "rack 1"
    gone = studio.post("/piece/Curlew/delete", {}, on="/piece/Curlew")
    assert "Curlew is deleted, as if it had never been poured." in words_of(gone.text)
    assert get(studio, "/board")["pieces"] == []
    assert {str(event["status"]) for event in events(studio).values()} == {"CANCELLED"}
    studio.undo(gone.text)
    assert [one["name"] for one in get(studio, "/board")["pieces"]] == ["Curlew"]
    assert "CANCELLED" not in {str(event["status"]) for event in events(studio).values()}


def test_a_pour_is_put_right_by_the_api_and_taken_back_with_what_it_answered(studio: Studio) -> None:
    def send(path: str, body: Any) -> Any:
        return studio.browser.post(f"{studio.url}/api/v1{path}", json=body, timeout=60)

    bad = send("/pieces/Curlew/correct", {"at": "2026-12-24T12:00:00Z"})
    assert (bad.status_code, bad.json()["field"]) == (422, "at")
    assert send("/pieces/Curlew/correct", {"recipe": "river whit"}).json()["allowed"].startswith("'river white'")
    answer = send("/pieces/Curlew/correct", {"room": "Loft", "place": "", "wet_thickness_mm": 0.8}).json()
    assert answer["notes"] == ["room 'Loft' is new"]
    assert get(studio, "/pieces/Curlew")["wet_thickness_mm"] == 0.8
    assert send("/undo", answer["undo"]).status_code == 200
    assert (get(studio, "/pieces/Curlew")["room"], get(studio, "/pieces/Curlew")["place"]) == ("Shed", "rack 1")
    gone = send("/pieces/Curlew/delete", {}).json()
    assert studio.get("/api/v1/pieces/Curlew").status_code == 404
    assert send("/undo", gone["undo"]).status_code == 200
    assert studio.get("/api/v1/pieces/Curlew").status_code == 200


# --- What cannot have been so ---------------------------------------------------------------------------------------


@pytest.fixture
def poured(desk: Desk) -> Desk:
    """Heron, 190 ml over 30 x 40 cm, in a room that is read, moved once and found tacky."""
    paint = Paint(piece_id=0, poured_m3=190e-6)
    store_readings(desk, sensed(NOON - 6 * HOUR, NOW_))
    told = order(thickness_source=ThicknessSource.VOLUME, size_m=(0.3, 0.4), paint=paint, wet_thickness_m=190e-6 / 0.12)
    log_pour(desk, told, NOON)
    log_pour(desk, order("Reed"), NOON)
    return desk


def test_what_cannot_have_been_is_quoted_and_nothing_is_stored(poured: Desk) -> None:
    pours.move(poured, "Heron", SHED, "rack 2", NOON + 9 * HOUR)
    observing.feel(poured, "Heron", Finger.TACKY, NOON + 5 * HOUR, NOON + 9 * HOUR)
    for change, said in (
        (PourChange(name="Reed"), "got 'Reed', this name is taken"),
        (PourChange(at=NOON + 6 * HOUR), "a moment before Fri 20 Nov 2026 17:00, when something was found of it"),
        (PourChange(at=NOW_ + HOUR), "a moment that has passed"),
        (PourChange(size_m=(4.0, 5.0)), "got '0.0095 mm', expected a film of 0.02 mm to 10 mm"),
        (PourChange(room="Boat shde"), "near 'Boat shed'"),
        (PourChange(room=SHED), "nothing different"),
    ):
        with pytest.raises(InputError, match=said):
            correct(poured, "Heron", change, NOW_)
    with poured.store.read() as tx:
        assert tx.corrections() == []


def test_the_size_puts_a_thickness_right_that_came_of_a_volume(poured: Desk) -> None:
    correct(poured, "Heron", PourChange(size_m=(0.4, 0.5)), NOW_)
    with poured.store.read() as tx:
        assert tx.pours()[0].wet_thickness_m == pytest.approx(0.95e-3)


def test_a_correction_stands_as_long_as_another_rests_on_it_and_no_longer_than_a_day(poured: Desk) -> None:
    correct(poured, "Heron", PourChange(wet_thickness_m=1e-3), NOW_)
    correct(poured, "Heron", PourChange(wet_thickness_m=2e-3), NOW_ + HOUR)
    with poured.store.read() as tx:
        first, second = tx.corrections()
        assert (tx.stands(first.id), tx.stands(second.id)) == (False, True)
    undo_last(poured, "Heron", NOW_ + 2 * HOUR, ALL)
    undo_last(poured, "Heron", NOW_ + 2 * HOUR, ALL)
    with poured.store.read() as tx:
        assert tx.pours()[0].wet_thickness_m == pytest.approx(190e-6 / 0.12)
    correct(poured, "Heron", PourChange(name="Egret"), NOW_)
    log_pour(poured, order("Heron"), NOW_)
    with pytest.raises(InputError, match="a name that no other piece has taken meanwhile"):
        undo_last(poured, "Egret", NOW_ + HOUR, ALL)
    with pytest.raises(InputError, match="last 24 hours"):
        undo_last(poured, "Egret", NOW_ + 25 * HOUR, ALL)


def test_a_start_is_not_put_back_behind_what_was_found_meanwhile(poured: Desk) -> None:
    correct(poured, "Heron", PourChange(at=NOON - 4 * HOUR), NOW_)
    observing.feel(poured, "Heron", Finger.TACKY, NOON - HOUR, NOW_)
    undo_last(poured, "Heron", NOW_, [LogKind.FOUND])
    observing.feel(poured, "Heron", Finger.TACKY, NOON - HOUR, NOW_)
    with pytest.raises(InputError, match="before which nothing was found"):
        undo_last(poured, "Heron", NOW_, [LogKind.CORRECT])


def test_a_deleted_piece_teaches_nothing_and_frees_its_name_and_comes_back_with_all_that_was_found(
    poured: Desk,
) -> None:
    observing.feel(poured, "Heron", Finger.TACKY, NOON + 9 * HOUR, NOW_)
    aftercare.done(poured, "Heron", "level", NOON + HOUR, NOW_)
    taught = [one.sentence for one in what_was_learned(poured)]
    assert taught
    delete(poured, "Heron", NOW_)
    assert what_was_learned(poured) == []
    with poured.store.read() as tx:
        assert [piece.name for piece in (*tx.pieces(), *tx.pieces(gone=True))] == ["Reed"]
    log_pour(poured, order("Heron"), NOW_)
    with pytest.raises(InputError, match="no other piece has taken"):
        undo_last(poured, "Heron", NOW_ + HOUR, [LogKind.DELETE])
    undo_last(poured, "Heron", NOW_ + HOUR, [LogKind.POUR])
    undo_last(poured, "Heron", NOW_ + HOUR, [LogKind.DELETE])
    assert [one.sentence for one in what_was_learned(poured)] == taught
    with poured.store.read() as tx:
        assert len(tx.observations()), len(tx.steps()) == (1, 1)


# --- What people were told ------------------------------------------------------------------------------------------


def told(store: Store) -> dict[str, list[str]]:
    """By kind of notice, the titles of what still waits or has gone out."""
    with store.read() as tx:
        lines = [(one.notice.kind, str(one.notice.title)) for one in tx.deliveries() if one.state != "expired"]
    return {kind: [title for k, title in lines if k == kind] for kind, _ in lines}


def waits(store: Store) -> list[Delivery]:
    with store.read() as tx:
        return tx.deliveries(state=DeliveryState.WAITING)


def deliver(store: Store, now: datetime, *, but: str = "-") -> None:
    """All that waits goes out, but for what has `but` in its title."""
    with store.write() as tx:
        for one in tx.deliveries(state=DeliveryState.WAITING):
            if but not in str(one.notice.title):
                tx.mark_delivered(one.id, now)


def test_what_waits_of_a_corrected_pour_is_not_sent_and_what_was_told_is_withdrawn_in_a_line(poured: Desk) -> None:
    store, now = poured.store, NOW_ + 30 * HOUR
    store_readings(poured, sensed(NOW_, now))
    refresh(poured, now)
    before = told(store)["milestone"]
    assert "Heron: safe to assume touch-dry" in before
    deliver(store, now, but="Heron: safe to assume touch-dry")
    correct(poured, "Heron", PourChange(at=now - 2 * HOUR), now)
    assert not [title for title in told(store)["milestone"] if title == "Heron: safe to assume touch-dry"]
    refresh(poured, now)
    (line,) = told(store)["withdrawn"]
    assert line == "Heron: safe to assume dry to handle (withdrawn: the pour was corrected)"
    deliver(store, now)
    undo_last(poured, "Heron", now, ALL)
    refresh(poured, now)
    waiting = {str(one.notice.title) for one in waits(store)}
    assert waiting == {title for title in before if title.startswith("Heron")}, "so after all: it is told anew"


def test_what_is_so_all_the_same_goes_on_its_way(poured: Desk) -> None:
    now = NOW_ + 90 * HOUR
    store_readings(poured, sensed(NOW_, now))
    refresh(poured, now)
    waiting = told(poured.store)["milestone"]
    correct(poured, "Heron", PourChange(name="Egret", at=NOON - HOUR), now)
    assert not [title for title in told(poured.store)["milestone"] if title.startswith("Heron")], "held back"
    refresh(poured, now)
    assert told(poured.store)["milestone"] == waiting
    assert "withdrawn" not in told(poured.store)


@pytest.mark.parametrize("why", ["it was never poured", "the pour was taken back"])
def test_of_a_slip_that_was_told_about_people_hear_that_it_was_never_so(poured: Desk, why: str) -> None:
    now = NOW_
    log_pour(poured, order("Egret", at=NOON, wet_thickness_m=0.4e-3), now - HOUR)
    refresh(poured, now)
    deliver(poured.store, now)
    if why == "it was never poured":
        delete(poured, "Egret", now)
    else:
        undo_last(poured, "Egret", now, [LogKind.POUR])
    for _ in range(2):
        (line,) = told(poured.store)["withdrawn"]
        assert line == f"Egret: safe to assume dry to handle (withdrawn: {why})"
        refresh(poured, now)


def test_a_finger_that_finds_it_tacky_takes_back_that_it_is_safe(poured: Desk) -> None:
    now = NOW_ + 30 * HOUR
    store_readings(poured, sensed(NOW_, now))
    refresh(poured, now)
    deliver(poured.store, now)
    observing.feel(poured, "Heron", Finger.TACKY, now, now)
    (line,) = told(poured.store)["withdrawn"]
    assert line == "Heron: safe to assume dry to handle (withdrawn: a finger found otherwise)"


# --- Out and in again -----------------------------------------------------------------------------------------------


def test_corrections_come_out_and_in_as_json_and_as_tables(poured: Desk, tmp_path: Path) -> None:
    correct(poured, "Heron", PourChange(wet_thickness_m=1e-3, at=NOON - HOUR, place="rack 3"), NOW_)
    correct(poured, "Reed", PourChange(name="Sedge"), NOW_)
    delete(poured, "Sedge", NOW_)
    for content in (json.dumps(everything(poured)), tables_of(poured)):
        path = tmp_path / f"{type(content).__name__}.sqlite"
        with Store.open(path) as other:
            desk = Desk(other, poured.settings)
            facts = from_tables(content) if isinstance(content, bytes) else from_json(json.loads(content))
            import_facts(desk, facts)
            assert everything(desk) == everything(poured)
            undo_last(desk, "Sedge", NOW_ + HOUR, [LogKind.DELETE])
            undo_last(desk, "Sedge", NOW_ + HOUR, [LogKind.CORRECT])
            undo_last(desk, "Heron", NOW_ + HOUR, [LogKind.CORRECT])
            with other.read() as tx:
                assert [piece.name for piece in tx.pieces()] == ["Heron", "Reed"]
                assert tx.pours()[0].at == NOON


# --- Random corrections, on a real store ----------------------------------------------------------------------------

CHANGES = st.builds(
    PourChange,
    at=st.none() | st.sampled_from([NOON - 5 * HOUR, NOON - timedelta(minutes=7)]),
    wet_thickness_m=st.none() | st.sampled_from([0.7e-3, 2.1e-3]),
    size_m=st.none() | st.just((0.2, 0.2)),
    room=st.none() | st.just("Loft"),
    place=st.none() | st.sampled_from(["rack 7", ""]),
    recipe=st.none() | st.just("thin mix"),
    silicone=st.none() | st.booleans(),
    support=st.none() | st.sampled_from(Support),
    air_speed_m_s=st.none() | st.just(0.5),
)


NOTHING = [
    PourChange(silicone=silicone, support=support) for silicone in (None, False) for support in (None, Support.CANVAS)
]
"""What the pour is anyway."""


def forecast_of(desk: Desk) -> Forecast:
    refresh(desk, NOW_)
    found = piece_report(desk, "Heron", NOW_).forecast
    assert found is not None
    return found


def begun(path: Path, base: Path) -> Path:
    shutil.copy(base, path)
    return path


@pytest.fixture(scope="module")
def two_rooms(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two rooms that were read, and nothing poured."""
    path = tmp_path_factory.mktemp("rooms") / "base.sqlite"
    with Store.open(path) as store:
        desk = Desk(store, settings_of())
        store_readings(desk, sensed(NOON - 30 * HOUR, NOW_))
        store_readings(desk, sensed(NOON - 30 * HOUR, NOW_, temp=14.0, rh=65.0, room="Loft"))
    return path


@settings(max_examples=6, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
@given(CHANGES.filter(lambda change: change not in NOTHING))
def test_a_correction_makes_the_dates_of_a_pour_logged_so_from_the_start_and_its_undo_those_of_before(
    two_rooms: Path, change: PourChange
) -> None:
    first = order(place="rack 1", size_m=(0.3, 0.4))
    said = {name: value for name, value in vars(change).items() if value is not None and name != "thickness_source"}
    with TemporaryDirectory() as folder:
        with Store.open(begun(Path(folder) / "a.sqlite", two_rooms)) as store:
            desk = Desk(store, settings_of(rooms={"Loft": {"air": 0.3}}))
            log_pour(desk, first, NOON)
            before = forecast_of(desk)
            observing.feel(desk, "Heron", Finger.TACKY, NOON + 2 * HOUR, NOW_)
            found = forecast_of(desk)
            correct(desk, "Heron", change, NOW_)
            corrected = forecast_of(desk)
            undo_last(desk, "Heron", NOW_, [LogKind.CORRECT])
            assert forecast_of(desk) == found
            undo_last(desk, "Heron", NOW_, [LogKind.FOUND])
            assert forecast_of(desk) == before
        with Store.open(begun(Path(folder) / "b.sqlite", two_rooms)) as store:
            desk = Desk(store, settings_of(rooms={"Loft": {"air": 0.3}}))
            so = replace(first, **said | {"place": said.get("place", "rack 1") or None})
            log_pour(desk, so, NOON)
            observing.feel(desk, "Heron", Finger.TACKY, NOON + 2 * HOUR, NOW_)
            alike = {"fingerprint"}  # of what was learned, whose last digit hangs on the order of sums
            assert forecast_of(desk).model_dump(exclude=alike) == corrected.model_dump(exclude=alike)
