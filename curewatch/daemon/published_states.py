"""The board as it is published: one topic for each piece and room, JSON, for other programs of the house."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from curewatch.records import Alarm, Milestone
from curewatch.studio.board import Board, PieceLine, RoomLine

SCHEMA = 1


def states(board: Board) -> dict[str, bytes]:
    """By topic below the root. Only what changes when something happens: ages are for the reader to count.

    A name that holds what a topic may not is written in the topic with %2F and the like; the message has it whole.
    """
    found = {f"rooms/{level(room.name)}": _bytes(_room(room, board)) for room in board.rooms}
    return found | {f"pieces/{level(piece.name)}": _bytes(_piece(piece)) for piece in board.pieces}


def level(name: str) -> str:
    """A name as one level of a topic."""
    return "".join(f"%{ord(c):02X}" if c in "/+#%$" else c for c in name)


def _room(room: RoomLine, board: Board) -> dict[str, Any]:
    return {
        "room": room.name,
        "temp_c": room.temp_c,
        "rh_pct": room.rh_pct,
        "read_at": _iso(room.data_at),
        "pieces": room.pieces,
        "alarms": [_alarm(alarm) for alarm in board.alarms if alarm.room == room.name],
    }


def _alarm(alarm: Alarm) -> dict[str, Any]:
    return {
        "alarm": alarm.kind.value,
        "raised_at": _iso(alarm.raised_at),
        "acknowledged_at": _iso(alarm.acknowledged_at),
        "muted_until": _iso(alarm.muted_until),
        "text": alarm.text,
    }


def _piece(line: PieceLine) -> dict[str, Any]:
    milestones = line.forecast.milestones if line.forecast else ()
    return {
        "piece": line.name,
        "room": line.room,
        "place": line.place,
        "poured_at": _iso(line.poured_at),
        "stage": line.stage_in_words,
        "stage_is_safe": line.stage_is_safe,
        "found": line.finger.value if line.finger else None,
        "found_at": _iso(line.finger_at),
        "milestones": {milestone.kind.value: _dates(milestone) for milestone in milestones},
        "data_until": _iso(line.forecast.data_until if line.forecast else None),
    }


def _dates(milestone: Milestone) -> dict[str, Any]:
    return {
        "worth_checking_at": _iso(milestone.worth_checking_at),
        "safe_at": _iso(milestone.safe_at),
        "reason": milestone.reason,
        "found_at": _iso(milestone.found_at),
    }


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat(timespec="seconds")


def _bytes(values: dict[str, Any]) -> bytes:
    return json.dumps({"schema": SCHEMA, **values}, ensure_ascii=False, allow_nan=False).encode()
