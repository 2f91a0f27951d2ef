"""The board as it is published: one topic for each piece and room, JSON, for other programs of the house; and how that
announces itself to those that look for such things."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from curewatch.language import Reader
from curewatch.records import Alarm, AlarmKind, Milestone, MilestoneKind
from curewatch.records.names import slug
from curewatch.studio.board import Board, PieceLine, RoomLine
from curewatch.studio.wording import STAGES

SCHEMA = 1


def states(board: Board, reader: Reader) -> dict[str, bytes]:
    """By topic below the root. Only what changes when something happens: ages are for the reader to count.

    A name that holds what a topic may not is written in the topic with %2F and the like; the message has it whole.
    """
    found = {f"rooms/{level(room.name)}": _bytes(_room(room, board, reader)) for room in board.rooms}
    return found | {f"pieces/{level(piece.name)}": _bytes(_piece(piece)) for piece in board.pieces}


def level(name: str) -> str:
    """A name as one level of a topic."""
    return "".join(f"%{ord(c):02X}" if c in "/+#%$" else c for c in name)


def _room(room: RoomLine, board: Board, reader: Reader) -> dict[str, Any]:
    return {
        "room": room.name,
        "temp_c": room.temp_c,
        "rh_pct": room.rh_pct,
        "read_at": _iso(room.data_at),
        "pieces": room.pieces,
        "alarms": [_alarm(alarm, reader) for alarm in board.alarms if alarm.room == room.name],
    }


def _alarm(alarm: Alarm, reader: Reader) -> dict[str, Any]:
    return {
        "alarm": alarm.kind.value,
        "raised_at": _iso(alarm.raised_at),
        "acknowledged_at": _iso(alarm.acknowledged_at),
        "muted_until": _iso(alarm.muted_until),
        "text": reader.read(alarm.text),
    }


def _piece(line: PieceLine) -> dict[str, Any]:
    milestones = line.forecast.milestones if line.forecast else ()
    return {
        "piece": line.name,
        "room": line.room,
        "place": line.place,
        "poured_at": _iso(line.poured_at),
        "stage": str(line.stage_in_words),
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
        "reason": None if milestone.reason is None else str(milestone.reason),
        "found_at": _iso(milestone.found_at),
    }


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat(timespec="seconds")


def _bytes(values: dict[str, Any]) -> bytes:
    return json.dumps({"schema": SCHEMA, **values}, ensure_ascii=False, allow_nan=False).encode()


# --- how what is published announces itself ---


_ALARMS = ("none", *(kind.value for kind in AlarmKind))
_ROOM: dict[str, tuple[str, dict[str, str]]] = {
    "temperature": ("Temperature", {"datatype": "float", "unit": "°C"}),
    "humidity": ("Humidity", {"datatype": "float", "unit": "%"}),
    "read-at": ("Last read", {"datatype": "datetime"}),
    "pieces": ("Pieces there", {"datatype": "integer", "unit": "#"}),
    "alarm": ("Alarm", {"datatype": "enum", "format": ",".join(_ALARMS)}),
}
_PIECE: dict[str, tuple[str, dict[str, str]]] = {
    "stage": ("Stage", {"datatype": "string"}),
    "stage-is-safe": ("Its stage is safe to assume", {"datatype": "boolean"}),
    "room": ("Room", {"datatype": "string"}),
    **{
        f"{slug(kind.value)}-{odds}": (f"{str(STAGES[kind]).capitalize()}, {said}", {"datatype": "datetime"})
        for kind in MilestoneKind
        for odds, said in (("check", "worth checking from"), ("safe", "safe to assume from"))
    },
}


def homie(board: Board, base: str, version: int) -> dict[str, bytes]:
    """By topic, the studio as a device of the Homie convention, version 5.0: a node for each room and piece. What is
    not known has no topic. `version`: higher with each other description."""
    nodes: dict[str, Any] = {}
    values: dict[str, bytes] = {}
    for node, name, kind, properties, known in _nodes(board):
        described = {key: {"name": said, **about} for key, (said, about) in properties.items()}
        nodes[node] = {"name": name, "type": f"curewatch-{kind}", "properties": described}
        values |= {f"{base}/{node}/{key}": _payload(value) for key, value in known.items() if value is not None}
    description = {"homie": "5.0", "version": version, "name": "curewatch", "type": "curewatch-studio", "nodes": nodes}
    return {f"{base}/$description": json.dumps(description, ensure_ascii=False).encode(), **values}


def _nodes(board: Board) -> Iterator[tuple[str, str, str, Mapping[str, Any], dict[str, Any]]]:
    """Id, name, kind, properties, values."""
    for room in board.rooms:
        alarms = [alarm.kind.value for alarm in board.alarms if alarm.room == room.name]
        air = (room.temp_c, room.rh_pct, _iso(room.data_at), room.pieces, (alarms or ["none"])[0])
        yield f"room-{slug(room.name)}", room.name, "room", _ROOM, dict(zip(_ROOM, air, strict=True))
    for piece in board.pieces:
        found = {milestone.kind: milestone for milestone in (piece.forecast.milestones if piece.forecast else ())}
        told = [found.get(kind) for kind in MilestoneKind]
        dates = [_iso(at) for one in told for at in ((one.worth_checking_at, one.safe_at) if one else (None, None))]
        values = (piece.stage_in_words, piece.stage_is_safe, piece.room, *dates)
        yield f"piece-{piece.id}", piece.name, "piece", _PIECE, dict(zip(_PIECE, values, strict=True))


def _payload(value: Any) -> bytes:
    return (str(value).lower() if isinstance(value, bool) else str(value)).encode()


def for_hubs(board: Board, root: str, prefix: str, studio: str) -> dict[str, bytes]:
    """By topic, what home hubs look for below `prefix`: a message for each thing that can be shown, which says where
    its value is (MQTT discovery, as documented at home-assistant.io/integrations/mqtt and understood by others)."""
    common = {
        "availability_topic": f"{root}/status",
        "payload_available": "online",
        "payload_not_available": "offline",
        "device": {"identifiers": [studio], "name": "curewatch"},
        "origin": {"name": "curewatch"},
    }
    found = {}
    for component, thing, name, topic, about in _shown(board):
        told = {"name": name, "unique_id": f"{studio}-{thing}", "state_topic": f"{root}/{topic}", **about, **common}
        found[f"{prefix}/{component}/{studio}/{thing}/config"] = json.dumps(told, ensure_ascii=False).encode()
    return found


def _shown(board: Board) -> Iterator[tuple[str, str, str, str, dict[str, str]]]:
    """Component, id, name, topic below the root, and how its value is read out of what is there."""
    for room in board.rooms:
        topic, thing = f"rooms/{level(room.name)}", f"room-{slug(room.name)}"
        for key, what, unit in (("temp_c", "temperature", "°C"), ("rh_pct", "humidity", "%")):
            about = {"device_class": what, "unit_of_measurement": unit, "value_template": f"{{{{ value_json.{key} }}}}"}
            yield "sensor", f"{thing}-{what}", f"{room.name} {what}", topic, about | {"state_class": "measurement"}
        about = {"device_class": "problem", "value_template": "{{ 'ON' if value_json.alarms else 'OFF' }}"}
        yield "binary_sensor", f"{thing}-alarm", f"{room.name} alarm", topic, about
    for piece in board.pieces:
        topic, thing = f"pieces/{level(piece.name)}", f"piece-{piece.id}"
        yield "sensor", thing, piece.name, topic, {"value_template": "{{ value_json.stage }}"}
        for kind in MilestoneKind:
            template = f"{{{{ value_json.milestones.{kind.value}.safe_at }}}}"
            about = {"device_class": "timestamp", "value_template": template}
            yield "sensor", f"{thing}-{slug(kind.value)}", f"{piece.name} {STAGES[kind]} from", topic, about
