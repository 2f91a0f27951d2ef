"""The board: each piece's stage and next date, and the order in which they stand."""

from __future__ import annotations

import pytest

from curewatch.records import Alarm, AlarmKind, AlarmState, Forecast, MilestoneKind
from curewatch.studio.board import board, next_date, piece_line
from tests.studio_scene import SHED, at, dates, drying

SET, TOUCH_DRY, HANDLE, VARNISH = MilestoneKind
FULL = dates(
    even={"set": 10, "touch_dry": 16, "handle": 24, "varnish_ready": 480},
    safe={"set": 14, "touch_dry": 22, "handle": 40, "varnish_ready": 900},
)


@pytest.mark.parametrize(
    ("hours", "stage", "safe", "following", "when"),
    [
        (0, None, True, SET, 10),
        (10, SET, False, SET, 14),
        (14, SET, True, TOUCH_DRY, 16),
        (16, TOUCH_DRY, False, TOUCH_DRY, 22),
        (23, TOUCH_DRY, True, HANDLE, 24),
        (25, HANDLE, False, HANDLE, 40),
        (40, HANDLE, True, VARNISH, 480),
        (500, VARNISH, False, VARNISH, 900),
        (900, VARNISH, True, None, None),
    ],
)
def test_stage_and_next_date_by_hand(
    hours: float, stage: MilestoneKind | None, safe: bool, following: MilestoneKind | None, when: float | None
) -> None:
    line = piece_line(drying(), FULL, at(hours))
    assert (line.stage, line.stage_is_safe) == (stage, safe)
    assert (line.next.kind if line.next else None) is following
    assert next_date(line, at(hours)) == (None if when is None else at(when))


def test_what_to_look_for_next_is_never_behind_the_stage_that_is_shown() -> None:
    """Handle at even odds may come before touch-dry at nine in ten: "handle?" beside "next: touch-dry" is read as a
    contradiction."""
    spread = dates(even={"set": 1, "touch_dry": 2, "handle": 3}, safe={"set": 2, "touch_dry": 9})
    line = piece_line(drying(), spread, at(4))
    assert (line.stage, line.stage_is_safe) == (HANDLE, False)
    assert line.next is not None
    assert line.next.kind is HANDLE
    assert next_date(line, at(4)) == at(3)


def test_worth_checking_without_a_safe_date_stays_due() -> None:
    line = piece_line(drying(), dates(even={"set": 3}), at(5))
    assert next_date(line, at(5)) == at(3)


def test_without_a_forecast_the_stage_is_not_known_and_not_called_wet() -> None:
    unread = Forecast(piece_id=1, made_at=at(0), model_version="1", fingerprint="f", reason="no temperature")
    for forecast in (None, unread):
        line = piece_line(drying(), forecast, at(500))
        assert (line.stage, line.next, str(line.stage_in_words)) == (None, None, "not known")
    assert str(piece_line(drying(), FULL, at(0)).stage_in_words) == "wet"
    assert str(piece_line(drying(), FULL, at(25)).stage_in_words) == "dry to handle"


def test_pieces_stand_by_their_next_date_and_those_without_one_last() -> None:
    made = {
        1: dates(1, even={"set": 8}, safe={"set": 9}),
        2: dates(2, even={"set": 1}, safe={"set": 6}),  # worth checking is past: counts with its safe date
        3: dates(3, even={"set": 4}, safe={"set": 5}),
        4: dates(4),
        5: dates(5, even=dict.fromkeys(MilestoneKind, 1), safe=dict.fromkeys(MilestoneKind, 2)),
        7: dates(7, even={"set": 8}, safe={"set": 20}),
    }
    names = {1: "Wren", 2: "Reed", 3: "Coot", 4: "Damp", 5: "Done", 6: "Unread", 7: "Avocet"}
    pieces = [drying(name, piece_id=key) for key, name in names.items()]
    found = board(pieces, made, [], [], at(3))
    assert [line.name for line in found.pieces] == ["Coot", "Reed", "Avocet", "Wren", "Damp", "Done", "Unread"]


def test_a_piece_that_was_moved_stands_in_its_last_room() -> None:
    moved = drying(rooms=[("Loft", 0), (SHED, 1), ("Sail locker", 2)], place="rack 2")
    line = piece_line(moved, None, at(9))
    assert (line.room, line.place) == ("Sail locker", "rack 2")


def test_active_alarms_are_shown_until_they_are_over_the_newest_first() -> None:
    def alarm(kind: AlarmKind, state: AlarmState, raised: float | None) -> Alarm:
        when = None if raised is None else at(raised)
        return Alarm(kind=kind, room=SHED, state=state, since=at(0), raised_at=when, evaluated_at=at(9))

    alarms = [
        alarm(AlarmKind.COLD, AlarmState.ACTIVE, 1),
        alarm(AlarmKind.FROST, AlarmState.CLEARING, 3),
        alarm(AlarmKind.DAMP, AlarmState.PENDING, None),
        alarm(AlarmKind.TOO_FAST, AlarmState.NORMAL, 2),
    ]
    assert [a.kind for a in board([], {}, [], alarms, at(9)).alarms] == [AlarmKind.FROST, AlarmKind.COLD]
