"""Observations through the desk: dates follow, lessons are drawn once and rebuilt alike, and can be let go."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands import observing
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.commands.undo import undo_observation
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.snapshot import pieces
from curewatch.desk.snapshot.pieces import VERSION, learned_so_far, update_lessons
from curewatch.records import MilestoneKind, Reading, ThicknessSource
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger, ObservationKind
from curewatch.records.remarks import RemarkKind
from curewatch.settings import Settings
from curewatch.store import Store
from tests.refreshing import refresh

NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SHED, RACK = "Boat shed", "rack"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        desk = Desk(store, Settings(zone="UTC"))
        log_reading(desk, Reading(room=SHED, at=NOW - 60 * HOUR, temp_c=21, rh_pct=50, received_at=NOW))
        pour(desk, "Low tide", NOW - 48 * HOUR)
        yield desk


def pour(desk: Desk, name: str, at: datetime) -> None:
    order = PourOrder(
        name=name, room=SHED, at=at, wet_thickness_m=1.5e-3, thickness_source=ThicknessSource.GAUGE,
        place=RACK, size_m=(0.3, 0.3),
    )  # fmt: skip
    log_pour(desk, order, NOW)
    refresh(desk, NOW)


def even_at(desk: Desk, name: str, kind: MilestoneKind = MilestoneKind.TOUCH_DRY) -> datetime:
    refresh(desk, NOW)
    forecast = piece_report(desk, name, NOW).forecast
    assert forecast is not None
    at = next(one.worth_checking_at for one in forecast.milestones if one.kind is kind)
    assert at is not None
    return at


def test_a_finger_test_moves_this_piece_and_the_next_and_back_when_taken_back(desk: Desk) -> None:
    pour(desk, "Flood", NOW - HOUR)
    before = even_at(desk, "Low tide"), even_at(desk, "Flood")
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 12 * HOUR, NOW)
    after = even_at(desk, "Low tide"), even_at(desk, "Flood")
    assert after[0] > before[0] + HOUR
    assert after[1] > before[1] + HOUR
    undo_observation(desk, "Low tide", ObservationKind.FINGER, NOW)
    assert (even_at(desk, "Low tide"), even_at(desk, "Flood")) == before


def test_lessons_are_drawn_once_and_rebuilt_alike_from_the_facts(desk: Desk) -> None:
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 30 * HOUR, NOW)
    observing.feel(desk, "Low tide", Finger.DRY_THROUGH, NOW - 2 * HOUR, NOW)
    assert update_lessons(desk.store, NOW) == 0
    with desk.store.write() as tx:
        kept = tx.lessons()
        tx.put_lessons({})
    assert update_lessons(desk.store, NOW) == 1
    with desk.store.read() as tx:
        assert tx.lessons() == kept


def test_a_lesson_stored_in_an_older_form_counts_as_not_there_and_is_drawn_again(desk: Desk) -> None:
    clue = {
        "observed_s": 1.8e9, "at": 4.1, "pull": [0.2] * 9, "rest": 0.0, "sense": "above", "seen": 11.0, "noise": 0.1,
        "slip": 0.02, "bend": [0.0] * 36, "kin": "touch_dry",
    }  # fmt: skip
    older = {"piece_id": 1, "recipe": "house mix", "place": RACK, "clues": [clue], "questioned": [], "silent": []}
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 30 * HOUR, NOW)
    with desk.store.write() as tx:
        drawn = tx.lessons()
        fingerprints = {piece: fingerprint for piece, (fingerprint, _) in drawn.items()}
        renamed = {"version": VERSION, "lesson": older}
    for form in (older, renamed):
        with desk.store.write() as tx:
            tx.put_lessons({piece: (fingerprint, form) for piece, fingerprint in fingerprints.items()})
            assert learned_so_far(tx).lessons == ()
        refresh(desk, NOW)
        with desk.store.read() as tx:
            assert tx.lessons() == drawn
            assert len(learned_so_far(tx).lessons) == 1


def test_a_late_reading_from_before_the_test_draws_the_lesson_again(desk: Desk) -> None:
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 12 * HOUR, NOW)
    log_reading(desk, Reading(room=SHED, at=NOW - 5 * HOUR, temp_c=5, rh_pct=90, received_at=NOW))
    assert update_lessons(desk.store, NOW) == 0  # after the test
    log_reading(desk, Reading(room=SHED, at=NOW - 40 * HOUR, temp_c=15, rh_pct=60, received_at=NOW))
    assert update_lessons(desk.store, NOW) == 1


def test_a_piece_that_is_gone_still_teaches(desk: Desk) -> None:
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 12 * HOUR, NOW)
    with desk.store.write() as tx:
        piece = tx.piece("Low tide")
        assert piece is not None
        tx.set_gone(piece.id, NOW)
    known = pieces.what_was_learned(desk)
    assert all(low < even < high for one in known for low, even, high in one.factors.values())
    assert [(one.name, one.pieces) for one in known] == [("house mix", 1), (f"{SHED}, {RACK}", 1)]
    assert "1 finger test on 1 piece" in str(known[0].sentence)


def test_what_is_forgotten_no_longer_moves_the_next_pour(desk: Desk) -> None:
    pour(desk, "Flood", NOW - HOUR)
    before = even_at(desk, "Flood")
    observing.feel(desk, "Low tide", Finger.TACKY, NOW - 12 * HOUR, NOW)
    observing.forget(desk, "house mix", NOW)
    observing.forget(desk, f"{SHED}, {RACK}", NOW)
    assert pieces.what_was_learned(desk) == []
    assert even_at(desk, "Flood") == before


def test_what_cannot_be_is_questioned_and_kept(desk: Desk) -> None:
    odd = observing.feel(desk, "Low tide", Finger.DRY_THROUGH, NOW - 47.9 * HOUR, NOW)
    assert [one.kind for one in odd.remarks] == [RemarkKind.UNLIKELY]
    with desk.store.read() as tx:
        assert [one.id for one in tx.observations()] == [odd.observation.id]


def test_a_test_in_a_room_that_was_never_read_waits(desk: Desk) -> None:
    order = PourOrder(
        name="Far", room="Loft", at=NOW - 48 * HOUR, wet_thickness_m=1e-3, thickness_source=ThicknessSource.GAUGE
    )
    log_pour(desk, order, NOW)
    told = observing.feel(desk, "Far", Finger.TACKY, NOW - 20 * HOUR, NOW)
    assert [one.kind for one in told.remarks] == [RemarkKind.TEACHES_NOTHING]
    log_reading(desk, Reading(room="Loft", at=NOW - 47 * HOUR, temp_c=21, rh_pct=50, received_at=NOW))
    refresh(desk, NOW)
    assert len(pieces.what_was_learned(desk)) == 2


@pytest.mark.parametrize(
    ("name", "hours", "says"),
    [("Low tides", 2.0, "did you mean 'Low tide'"), ("Low tide", 50.0, "after the pour")],
)
def test_what_is_wrong_is_said(desk: Desk, name: str, hours: float, says: str) -> None:
    with pytest.raises(InputError, match=says):
        observing.feel(desk, name, Finger.TACKY, NOW - hours * HOUR, NOW)
    with pytest.raises(InputError, match=r"got 'Low tide'.*a surface temperature was logged in the last 24 hours"):
        undo_observation(desk, "Low tide", ObservationKind.SURFACE, NOW)
