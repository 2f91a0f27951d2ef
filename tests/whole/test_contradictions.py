"""Each rule about what must not be read in one studio can speak: else a fortnight without a word proves nothing."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest
from icalendar import Calendar

from tests.whole.contradictions import View, contradictions, told_wrongly

NOW = datetime(2026, 11, 22, 12, 0, tzinfo=UTC)
EVENT = """BEGIN:VCALENDAR
BEGIN:VEVENT
UID:piece-1-handle@x
SUMMARY:Heron: dry to handle
STATUS:TENTATIVE
DTSTART:20261123T120000Z
END:VEVENT
END:VCALENDAR
"""


def dates(early: str | None, even: str | None, safe: str | None) -> dict[str, Any]:
    return {"early_at": early, "worth_checking_at": even, "safe_at": safe, "found_at": None, "not_before": None}


def sound() -> View:
    """A piece that is surely touch-dry and not yet dry to handle, in a room that is too cold."""
    piece = {
        "name": "Heron", "room": "Shed", "place": None, "stage": "touch-dry", "stage_is_safe": True, "found": None,
        "found_at": None, "next": "handle", "safe_at": "2026-11-23T12:00:00+00:00",
        "milestones": {
            "set": dates("2026-11-21T10:00:00+00:00", "2026-11-21T11:00:00+00:00", "2026-11-21T12:00:00+00:00"),
            "touch_dry": dates("2026-11-21T10:30:00+00:00", "2026-11-21T20:00:00+00:00", "2026-11-22T02:00:00+00:00"),
            "handle": dates("2026-11-22T20:00:00+00:00", "2026-11-23T02:00:00+00:00", "2026-11-23T12:00:00+00:00"),
        },
    }  # fmt: skip
    room = {"name": "Shed", "temp_c": 7.0, "rh_pct": 50.0, "data_at": None, "pieces": 1}
    alarm = {"room": "Shed", "alarm": "cold", "muted_until": None, "text": "Within the hour: warm the room."}
    told = {
        "key": "alarm/cold", "kind": "alarm", "room": "Shed", "title": "Shed: too cold", "text": "Cold.",
        "created_at": "2026-11-22T10:00:00+00:00",
        "data": {"alarm": "cold", "alarms": ["cold"], "at": "2026-11-22T10:00:00+00:00", "names": ["Heron"]},
    }  # fmt: skip
    return View(
        now=NOW,
        board={"pieces": [deepcopy(piece)], "rooms": [dict(room)], "alarms": [alarm]},
        pieces={"Heron": piece},
        steps={"Heron": {"steps": [{"step": "sign", "state": "not yet"}]}},
        rooms={"Shed": room},
        alarms=[alarm],
        calendar=Calendar.from_ical(EVENT),
        piece_pages={"Heron": "Heron touch-dry since today 02:00, worth checking"},
        notices=[told],
    )


def milestone(view: View, kind: str) -> Any:
    for piece in (view.pieces["Heron"], view.board["pieces"][0]):
        yield piece["milestones"][kind]


def spoil_each(view: View, kind: str, **values: Any) -> None:
    for one in milestone(view, kind):
        one.update(values)


def found(view: View, what: str, when: str) -> None:
    for piece in (view.pieces["Heron"], view.board["pieces"][0]):
        piece.update(found=what, found_at=when)


LATER = "2026-11-24T12:00:00+00:00"
SPOILT: dict[str, Callable[[View], Any]] = {
    "one_piece_alike_everywhere": lambda view: view.board["pieces"][0].update(stage="wet"),
    "stage_and_dates": lambda view: spoil_each(view, "touch_dry", safe_at=LATER),
    "dates_in_order": lambda view: spoil_each(view, "handle", worth_checking_at=LATER),
    "findings_stand": lambda view: found(view, "tacky", "2026-11-22T06:00:00+00:00"),
    "steps_and_stage": lambda view: view.steps["Heron"]["steps"][0].update(state="safe"),
    "calendar_and_dates": lambda view: spoil_each(view, "handle", safe_at=LATER),
    "one_room_one_advice": lambda view: view.alarms[0].update(text="Now: open a window. Within the hour: warm it."),
    "one_room_one_truth": lambda view: view.rooms["Shed"].update(temp_c=19.0),
    "tenses": lambda view: view.piece_pages.update(Heron="touch-dry since tomorrow 02:00"),
    "one_name_one_thing": lambda view: view.pieces["Heron"].update(series="Heron"),
    "words_for_people": lambda view: view.notices[0].update(text="told in piece-3/touch_dry/worth_checking"),
    "alarms_and_notices": lambda view: view.notices[0]["data"].update(over=["cold"]),
    "what_waits_holds": lambda view: (
        view.notices[0].update(kind="milestone"),
        view.notices[0]["data"].update(piece="Reed"),
        setattr(view, "waiting", {"alarm/cold"}),
    ),
}


def test_what_is_sound_is_left_alone() -> None:
    assert contradictions(sound()) == []
    assert list(told_wrongly(sound().notices, [])) == []


@pytest.mark.parametrize("rule", SPOILT)
def test_each_rule_speaks_of_what_it_is_about(rule: str) -> None:
    view = sound()
    SPOILT[rule](view)
    assert any(f" {rule}: " in said for said in contradictions(view)), contradictions(view)


def test_what_was_told_of_the_time_to_come_or_twice_at_once_is_found() -> None:
    first = sound().notices[0]
    ahead = {**first, "data": {**first["data"], "at": LATER}}
    assert "was told" in next(iter(told_wrongly([ahead], [])))
    assert "two live notices" in next(iter(told_wrongly([first, {**first, "title": "Shed: too damp"}], [])))
