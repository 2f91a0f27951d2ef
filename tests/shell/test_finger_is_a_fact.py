"""What a person found with a finger, read on every view by command, page, API and feed: they tell one story."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import aftercare, observing, pours
from curewatch.desk.commands.correcting import PourChange, correct
from curewatch.desk.commands.log import OF_PIECES, OF_ROOMS, LogKind
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.commands.undo import undo_last, undo_observation
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.cure_record import cure_record_of
from curewatch.desk.reports.piece import piece_report
from curewatch.records import DeliveryState, Forecast, MilestoneKind, Notice, Reading
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger, ObservationKind
from curewatch.settings import ForecastSettings, Settings
from curewatch.store import Store
from curewatch.studio.planning.planner import places
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get, words_of

HOUR = timedelta(hours=1)
DRY = NOW + 100 * HOUR
"""When Curlew has long been safe to handle, by the model."""
Typed = Callable[..., str]


@pytest.fixture
def typed(studio: Studio, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Typed:
    """What a command prints of this studio."""
    config = tmp_path / "typed.toml"
    config.write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\n')
    monkeypatch.setattr("curewatch.cli.session.SystemClock", lambda: studio.clock)
    place = ("--store", str(studio.store.location), "--config", str(config))

    def run(*words: str) -> str:
        capsys.readouterr()
        code = main([*place, *words])
        said = capsys.readouterr()
        return f"exit {code}: {said.err}" if code else " ".join(said.out.split())

    return run


@pytest.fixture
def dry(studio: Studio) -> Studio:
    """The prepared studio days later: Curlew is safe to handle by the model, and people were told so."""
    studio.clock.move(DRY - NOW)
    studio.read(hours=100)
    refresh(studio.desk, DRY)
    return studio


def events(studio: Studio) -> dict[str, Any]:
    calendar = Calendar.from_ical(studio.get("/calendar.ics").text)
    return {str(event["uid"]).split("@")[0].removeprefix("piece-1-"): event for event in calendar.walk("VEVENT")}


def test_sticky_outweighs_dates_that_had_passed_on_every_view_and_taking_it_back_restores_them(
    dry: Studio, typed: Typed
) -> None:
    assert "Curlew: dry to handle" in typed("piece", "Curlew")
    assert "sign it: may be done from now on" in typed("steps", "Curlew")
    assert str(events(dry)["handle"]["status"]) == "CONFIRMED"
    before = forecast_of(dry.desk, DRY)

    said = typed("feel", "Curlew", "sticky")
    assert "Logged Curlew: still tacky" in said
    assert "fewer than 1 in 100 such films would be so by then. Mistyped or of another piece" in said
    assert "an edge unlike the rest? It counts" in said

    piece = typed("piece", "Curlew")
    assert "Curlew: tacky, found today" in piece
    assert "probably" not in piece.split("earliest")[0]
    assert "Curlew tacky touch-dry" in typed("board")
    steps = typed("steps", "Curlew")
    assert not re.search(r"\[[ ?]\] (skins|sign|wire|isolation|varnish|wrap)", steps)
    assert "safe today" not in steps
    assert "safe tomorrow" not in steps
    record = typed("record", "Curlew")
    assert "tacky" in record
    assert re.search(r"Dry to handle worth checking [^(]+, no safe date \(a finger found it tacky", record)
    assert "a finger found it tacky" in typed("why", "Curlew", "tacky")
    assert re.search(r"rack 1 Curlew once found dry", typed("plan", "--due", "1 Dec", "--wet-thickness", "1mm"))
    assert re.search(r"Curlew tacky touch-dry .* once found dry", typed("board"))
    assert "expected a piece that may be ready for it" in typed("done", "Curlew", "sign")

    page = words_of(dry.page("/piece/Curlew"))
    assert "Curlew tacky, found today" in page
    assert "fewer than 1 in 100" in page.split("Why these dates")[1]
    assert "probably touch-dry" not in page
    board = words_of(dry.page("/"))
    assert "tacky, found today" in board
    assert "No place comes free." in board

    (listed,) = get(dry, "/board")["pieces"]
    assert (listed["stage"], listed["found"], listed["next"]) == ("tacky", "tacky", "touch_dry")
    for kind in ("touch_dry", "handle", "varnish_ready"):
        one = listed["milestones"][kind]
        assert one["safe_at"] is None
        dates = [
            datetime.fromisoformat(one[name]) for name in ("early_at", "worth_checking_at", "safe_at") if one[name]
        ]
        assert all(at > DRY for at in dates), one
        assert one["found_at"] is None
        assert datetime.fromisoformat(one["not_before"]) == DRY
    assert all(event["status"] == "CANCELLED" or event.decoded("dtstart") > DRY for event in events(dry).values()), (
        "no event tells of what a finger found otherwise"
    )
    assert told_but_waiting(dry) == []

    assert "Taken back" in typed("feel", "Curlew", "--undo")
    refresh(dry.desk, DRY)
    assert forecast_of(dry.desk, DRY) == before
    assert "Curlew: dry to handle" in typed("piece", "Curlew")
    assert "sign it: may be done from now on" in typed("steps", "Curlew")


def test_tacky_holds_until_found_otherwise_and_what_is_found_then_is_the_stage(dry: Studio, typed: Typed) -> None:
    typed("feel", "Curlew", "tacky")
    dry.clock.move(timedelta(days=40))
    dry.read(hours=24)
    assert "Curlew: tacky, found" in typed("piece", "Curlew")
    steps = typed("steps", "Curlew")
    assert not re.search(r"\[ \] (sign|wire|isolation|varnish|wrap)", steps)
    assert "sign it: only once a finger finds it dry" in steps

    dry.clock.move(timedelta(minutes=1))
    page = words_of(dry.post("/piece/Curlew/found", {"what": "touch-dry", "when": "now"}, on="/reading").text)
    assert "Logged: touch-dry." in page
    later = dry.clock.now()
    refresh(dry.desk, later)
    page = words_of(dry.page("/piece/Curlew"))
    assert "Curlew touch-dry, found today" in page
    assert re.search(r"touch-dry found today \d\d:\d\d", page)
    piece = typed("piece", "Curlew")
    assert "Curlew: touch-dry, found today" in piece
    assert "touch-dry found today" in piece
    (listed,) = get(dry, "/board")["pieces"]
    assert (listed["stage"], listed["found"], listed["next"]) == ("touch-dry", "touch-dry", "handle")
    handle = listed["milestones"]["handle"]
    assert datetime.fromisoformat(handle["worth_checking_at"]) > later
    assert not [key for key in told_but_waiting(dry) if "touch_dry" in key], "no news to who found it"


def test_what_was_found_early_is_the_stage_too(studio: Studio, typed: Typed) -> None:
    """Seven hours after its pour it is not even packed, by the model."""
    said = typed("feel", "Curlew", "dry through", "--at", "13 h ago")
    assert "this goes against what was believed" in said
    assert "Curlew: dry to handle, found yesterday" in typed("piece", "Curlew")
    steps = typed("steps", "Curlew")
    assert "sign it: may be done from now on" in steps
    assert "peel the skins off the mat: may be done from now on" in steps, "the same paint, no thicker"
    assert str(events(studio)["handle"]["status"]) == "CONFIRMED"
    assert "A finger found it so." in str(events(studio)["handle"]["description"])


@pytest.mark.parametrize(
    ("words", "finger"),
    [("Sticky", "tacky"), ("dry to the touch", "touch-dry"), ("TOUCH DRY", "touch-dry"), ("hard", "dry-through")],
)
def test_a_finding_is_taken_in_peoples_words(studio: Studio, typed: Typed, words: str, finger: str) -> None:
    typed("feel", "Curlew", words)
    with studio.store.read() as tx:
        assert [one.finger for one in tx.observations()] == [finger]


@pytest.mark.parametrize("words", ["dry", "moist", ""])
def test_what_is_no_finding_or_could_be_two_is_quoted_and_asked_back(studio: Studio, typed: Typed, words: str) -> None:
    said = typed("feel", "Curlew", words)
    assert said.startswith("exit 2: ")
    assert (f"got '{words}', expected one of " if words else "say what the finger found: ") in said
    assert all(one in said for one in ("tacky", "touch-dry", "dry-through"))
    assert ("; dry to the touch is touch-dry" in said) == (words == "dry")
    answer = studio.post("/piece/Curlew/found", {"what": words, "when": "now"}, on="/reading")
    assert answer.status_code == 422
    with studio.store.read() as tx:
        assert tx.observations() == []


def forecast_of(desk: Desk, now: datetime) -> Forecast:
    found = piece_report(desk, "Curlew", now).forecast
    assert found is not None
    return found


def told_but_waiting(studio: Studio) -> list[str]:
    """The keys of what still waits to be told of milestones."""
    with studio.store.read() as tx:
        waiting = tx.deliveries(state=DeliveryState.WAITING)
    return [one.notice.key for one in waiting if one.notice.kind == "milestone"]


def test_what_waits_to_be_told_against_a_finding_is_withdrawn_and_told_anew_once_that_is_taken_back(
    dry: Studio,
) -> None:
    (safe,) = [one for one in known(dry) if one.key == "piece-1/handle/safe"]
    with dry.store.write() as tx:
        tx.withdraw([safe.key], DRY)
        assert tx.add_notice(safe, ["webhook", "people"])
        sent, _ = tx.deliveries(keys=[safe.key])
        tx.mark_delivered(sent.id, DRY)
    touch = next(one for one in known(dry) if one.key == "piece-1/touch_dry/safe")
    with dry.store.write() as tx:
        tx.withdraw([touch.key], DRY)
        assert tx.add_notice(touch, ["webhook"])
    observing.feel(dry.desk, "Curlew", Finger.TACKY, DRY, DRY)
    assert told_but_waiting(dry) == []
    undo_observation(dry.desk, "Curlew", ObservationKind.FINGER, DRY)
    refresh(dry.desk, DRY)
    keys = [one.key for one in known(dry)]
    assert keys.count("piece-1/touch_dry/safe") == 1, "nobody had heard of it: it is told anew"
    assert keys.count("piece-1/handle/safe") == 1, "somebody had: that stays told"


def known(studio: Studio) -> list[Notice]:
    with studio.store.read() as tx:
        return tx.notices()


def _hours(test: tuple[Finger, int]) -> int:
    return test[1]


# --- Random sequences, on a real store ------------------------------------------------------------------------------


@settings(
    max_examples=2, deadline=None, phases=[Phase.generate], suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(st.sampled_from(Finger), st.integers(-18, 200)), min_size=1, max_size=2, unique_by=_hours))
def test_whatever_is_found_no_view_says_otherwise_and_undoing_brings_the_old_dates_back(
    prepared: Path, tests: list[tuple[Finger, int]]
) -> None:
    """Findings come in any order of time, and each is read of the store as daemon, page and commands do."""
    with TemporaryDirectory() as folder:
        shutil.copy(prepared / "studio.sqlite", folder)
        with Store.open(Path(folder) / "studio.sqlite") as store:
            desk = Desk(store, Settings(zone="UTC", forecast=ForecastSettings(members=8)))
            now = NOW + 201 * HOUR
            refresh(desk, now)
            trail = [forecast_of(desk, now)]
            for finger, hours in tests:
                observing.feel(desk, "Curlew", finger, NOW + hours * HOUR, now)
                assert_one_story(desk, now)  # before anybody has made the dates anew
                refresh(desk, now)
                assert_one_story(desk, now)
                trail.append(forecast_of(desk, now))
            for before, (_, hours) in zip(reversed(trail[:-1]), reversed(tests), strict=True):
                undo_observation(desk, "Curlew", ObservationKind.FINGER, now, at=NOW + hours * HOUR)
                refresh(desk, now)
                assert forecast_of(desk, now) == before


ACTS: dict[str, Callable[[Desk, datetime], object]] = {
    "tacky": lambda desk, at: observing.feel(desk, "Curlew", Finger.TACKY, at, at),
    "touch-dry": lambda desk, at: observing.feel(desk, "Curlew", Finger.TOUCH_DRY, at, at),
    "dry-through": lambda desk, at: observing.feel(desk, "Curlew", Finger.DRY_THROUGH, at, at),
    "warm": lambda desk, at: log_reading(desk, typed_reading(23.0, at)),
    "cool": lambda desk, at: log_reading(desk, typed_reading(14.0, at)),
    "thick": lambda desk, at: correct(desk, "Curlew", PourChange(wet_thickness_m=2.2e-3), at),
    "thin": lambda desk, at: correct(desk, "Curlew", PourChange(wet_thickness_m=0.9e-3), at),
    "moved": lambda desk, at: pours.move(desk, "Curlew", "Shed", f"rack {at:%M}", at),
    "left": lambda desk, at: (
        pours.leave(desk, "Curlew", at), undo_last(desk, "Curlew", at, [LogKind.GONE])
    ),
}  # fmt: skip
"""What a person does, in any order, two minutes after each other."""


def typed_reading(temp_c: float, at: datetime) -> Reading:
    return Reading(room="Shed", at=at, temp_c=temp_c, rh_pct=50, received_at=at)


@settings(
    max_examples=2,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@example(["warm", "cool", "dry-through", "tacky", "left"], 6)
@given(st.lists(st.sampled_from(sorted(ACTS)), min_size=3, max_size=4), st.integers(3, 60))
def test_whatever_is_logged_the_latest_stands_in_every_view_and_undoing_all_of_it_leaves_no_trace(
    prepared: Path, acts: list[str], hours: int
) -> None:
    """Findings, corrections, readings minutes apart, moves and leavings: found anew after each, and after each undo."""
    now, end = NOW + hours * HOUR, NOW + hours * HOUR + HOUR
    with TemporaryDirectory() as folder:
        untouched, lived = Path(folder) / "untouched.sqlite", Path(folder) / "studio.sqlite"
        for copy in (untouched, lived):
            shutil.copy(prepared / "studio.sqlite", copy)
        wanted = Settings(zone="UTC", forecast=ForecastSettings(members=8))
        with Store.open(untouched) as store:
            desk = Desk(store, wanted)
            refresh(desk, end)
            before = forecast_of(desk, end).milestones
        with Store.open(lived) as store:
            desk, kept = Desk(store, wanted), []
            for act in acts:
                now += timedelta(minutes=2)
                with suppress(InputError):  # nothing is otherwise: it is as thick as that already
                    ACTS[act](desk, now)
                    kept += [act] if act != "left" else []
                refresh(desk, now)
                assert_latest_stands(desk, now, kept)
            while kept:
                now += timedelta(minutes=2)
                of_room = kept[-1] in AIR
                undo_last(desk, "Shed" if of_room else "Curlew", now, OF_ROOMS if of_room else OF_PIECES)
                kept.pop()
                refresh(desk, now)
                assert_latest_stands(desk, now, kept)
            refresh(desk, end)
            assert forecast_of(desk, end).milestones == before


AIR = {"warm": 23.0, "cool": 14.0}
THICK = {"thick": 2.2e-3, "thin": 0.9e-3}


def assert_latest_stands(desk: Desk, now: datetime, kept: list[str]) -> None:
    """By what was done and not undone, the last of each kind."""

    def last(some: Iterable[str]) -> str | None:
        return next((act for act in reversed(kept) if act in some), None)

    (room,), report = board_of(desk, now).rooms, piece_report(desk, "Curlew", now)
    assert room.temp_c == AIR.get(last(AIR) or "", 21.0)
    assert report.room.temp_c == room.temp_c
    assert report.drying.pour.wet_thickness_m == pytest.approx(THICK.get(last(THICK) or "", 1.2e-3))
    finger = last(list(Finger))
    assert (report.line.finger or None) == finger
    if finger is not None:
        assert_one_story(desk, now)


def assert_one_story(desk: Desk, now: datetime) -> None:
    report = piece_report(desk, "Curlew", now)
    found = report.drying.standing(now)
    assert found.latest is not None
    (line,) = board_of(desk, now).pieces
    assert line == report.line
    record = cure_record_of(desk, "Curlew", now).history.forecast
    assert record is not None
    assert record.milestones == forecast_of(desk, now).milestones
    for one in record.milestones:
        for at in (one.early_at, one.worth_checking_at, one.safe_at):
            if at is not None and one.kind in found.by:
                assert at <= found.by[one.kind]
            elif at is not None and one.kind in found.after:
                assert at > found.after[one.kind]
    steps = {one.step: one.ready(now) for one in aftercare.steps(desk, "Curlew", now).lines}
    (place,) = places([report.drying], {report.drying.piece.id: record}, report.drying.room)
    if found.latest.finger is Finger.TACKY:
        assert str(line.stage_in_words) == "tacky"
        assert {steps[one] for one in ("skins", "sign", "wire", "varnish-1", "wrap")} <= {"not yet", "waits"}
        assert place.safe_at is None
        assert not [one for one in record.milestones[1:] if one.safe_at is not None]
    if found.latest.finger is Finger.DRY_THROUGH:
        assert (steps["sign"], steps["wire"]) == ("safe", "safe")
        assert steps["skins"] == "safe"
    if found.found is not None:
        assert line.stage is not None
        assert [*MilestoneKind].index(line.stage) >= [*MilestoneKind].index(found.found)
