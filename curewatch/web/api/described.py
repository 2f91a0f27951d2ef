"""The API's description (OpenAPI): what each way is called, where it belongs, and an example of what it takes."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from curewatch import __version__
from curewatch.desk.transfer.exporting import KINDS, SCHEMA
from curewatch.records.corrections import CorrectionKind
from curewatch.web.problems import PROBLEM, RENAMED

ABOUT = """The same facts and dates as the pages. On this machine it is open as the page is; where there is a password,
a program brings a token with the right to read, to record, or both and more: `Authorization: Bearer …`. What it sends
is application/json, which no form of another site can be; what needs nothing is sent without a body, or with an empty
object. A `moment-in-words` is as people type it: 3 h ago, yesterday 18:30, 12 Dec 9:00. Whatever is logged is answered
with an `undo`, which /undo takes as it is."""
TAGS = {
    "board": "The whole studio at one moment",
    "logging": "What people and programs read and pour, and how it is taken back",
    "pieces": "One piece: its dates, what was found of it and done to it, its record",
    "rooms": "A room's air as it was read and as it may go on, and what things are called",
    "alarms": "What needs a person, and what people were told",
    "planning": "What a pour would do, when to pour, what was learned",
    "recipes": "What mixes are made of, and how much of each part a pour takes",
    "sensors": "What comes from the broker, and what is or could be read of it",
    "transfer": "Everything out and in again",
}
_TAG_OF = {
    "board": "board", "board.csv": "board", "pours": "logging", "readings": "logging", "logged": "logging",
    "undo": "logging", "alarms": "alarms", "harm": "alarms", "notices": "alarms", "learned": "planning",
    "estimate": "planning", "level": "planning", "plan": "planning", "materials": "recipes", "recipes": "recipes",
    "pieces": "pieces", "photos": "pieces", "series": "pieces", "compare": "pieces", "labels": "pieces",
    "rooms": "rooms", "names": "rooms", "export": "transfer", "export.zip": "transfer", "import": "transfer",
    "import.zip": "transfer", "readings.csv": "transfer",
    "listening": "sensors",
}  # fmt: skip
"""By what a path begins with."""
NAMED = {"pieces": "Low tide", "rooms": "boat shed", "recipes": "river blend"}
"""By what a path begins with: a name that may stand in it."""
IN_PATH = {"kind": "cold", "photo_id": 1}
"""What else may."""
_FILM = {"wet_thickness_mm": 1.2, "temp_c": 19, "rh_pct": 55}
ASKED: dict[str, dict[str, Any]] = {
    "estimate": _FILM,
    "level": _FILM | {"tilt_deg": 0.1},
    "mix": {"wet_thickness_mm": 1.2, "width_cm": 30, "height_cm": 40, "pieces": 2},
    "plan": {"room": "boat shed", "due": "2026-12-20T18:00:00+00:00", "wet_thickness_mm": 1.5},
    "why_so": {"trouble": "cracked"},
    "compare": {"one": "Low tide", "other": "Spring tide"},
    "import_rows": {"room": "boat shed"},
}
"""By operation: what may be asked for in its query."""
SENT: dict[str, Any] = {
    "log_pour": {
        "name": "Low tide", "room": "boat shed", "place": "rack 1", "wet_thickness_mm": 1.2, "width_cm": 30,
        "height_cm": 40, "recipe": "river blend", "at": "3 h ago",
    },
    "log_reading": {"room": "boat shed", "temp_c": 19, "rh_pct": "55 %"},
    "put_recipe": {"parts": [{"material": "fluid paint", "parts": 1}, {"material": "pouring medium", "parts": 2}]},
    "observe": {"kind": "finger", "finger": "touch_dry", "spot": "edge"},
    "measure": {"tilt_deg": 0.1},
    "step_done": {"step": "drips"},
    "promise": {"due": "12 Dec", "occasion": "fair"},
    "move": {"room": "boat shed", "place": "rack 2"},
    "correct": {"wet_thickness_mm": 1.4},
    "gone": {},
    "put_right": {"do": "renamed", "naming": "room", "name": "boat shed", "to": "slipway shed"},
    "mute": {"hours": 8},
    "trust": {"trust": "sensor"},
    "undo": {"done": "found", "of": ["Low tide", "1"]},
    "resend": {},
    "forget": {"name": "river blend"},
    "import_all": {"schema": SCHEMA, "kind": "export"} | {kind: [] for kind in KINDS} | {"readings": {}},
    "import_rows": "time_utc,temp_c,rh_pct\n2026-11-20T08:00:00Z,19.0,55\n2026-11-20T08:10:00Z,19.1,54\n",
}  # fmt: skip
"""By operation: a body that is taken, where what it speaks of is there."""


def _told(*names: str) -> dict[str, Any]:
    """In JSON Schema: that each of them is said, and is not null."""
    return {"required": list(names), "properties": {name: {"not": {"type": "null"}} for name in names}}


def _untold(*names: str, **others: Any) -> dict[str, Any]:
    """That none of them is said, or is null; and so with `others`, as they are given."""
    return {"properties": {name: {"type": "null"} for name in names} | others}


SIZE: dict[str, Any] = {"anyOf": [_told("width_cm", "height_cm"), _untold("width_cm", "height_cm")]}
"""Both sides, or none."""
_SIZED = ("width_cm", "height_cm")
PAINT: dict[str, Any] = {
    "anyOf": [_told("wet_thickness_mm"), _told("poured_ml", *_SIZED), _told("poured_g", "recipe", *_SIZED)],
    "not": _told("poured_g", "poured_ml"),
}
"""A pour is told by its thickness, or by what went onto its size."""
RIGHTED = [CorrectionKind.RENAMED.value, CorrectionKind.MERGED.value]
NAMES: dict[str, Any] = {
    "oneOf": [
        {"required": ["to"], "properties": {"do": {"enum": RIGHTED}, "to": {"not": {"type": "null"}}}},
        _untold("to", do={"const": CorrectionKind.REMOVED.value}),
    ]
}
"""What is removed has no other name."""
MADE_OF: dict[str, Any] = {
    "oneOf": [
        _untold("parts", solids={"type": "number"}, by_weight={"const": False}) | {"required": ["solids"]},
        _untold("solids", "glycol", "coalescent", parts={"type": "array"}) | {"required": ["parts"]},
    ]
}
"""Solids are by volume; parts tell the rest themselves."""
_REFUSED = {
    "type": "about:blank", "title": RENAMED[422], "status": 422, "field": "at", "given": "tomorrow 9:00",
    "allowed": "a time that has passed", "detail": "at: got 'tomorrow 9:00', expected a time that has passed",
}  # fmt: skip


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document, with the way a token is brought."""
    tags = [{"name": name, "description": said} for name, said in TAGS.items()]
    made = get_openapi(title="curewatch", version=__version__, description=ABOUT, routes=app.routes, tags=tags)
    for path, ways in made["paths"].items():
        for way in ways.values():
            begins = path.split("/")[3]
            way["tags"] = [_TAG_OF[begins]]
            _exemplify(way, begins)
            for status, answer in way["responses"].items():
                if int(status) >= 400 and "content" in answer:
                    answer["content"] = {PROBLEM: answer["content"]["application/json"] | {"example": _REFUSED}}
        if path.endswith((".csv", ".zip")) and "get" in ways:  # rows, but refusals are JSON as everywhere
            ways["get"]["responses"]["200"]["content"].pop("application/json", None)
    made["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    made["security"] = [{}, {"token": []}]
    if prefix := app.state.site.settings.prefix:
        made["servers"] = [{"url": prefix}]
    return made


def _exemplify(way: dict[str, Any], begins: str) -> None:
    asked = ASKED.get(way["operationId"], {})
    for one in way.get("parameters", ()):
        if one["in"] == "path" and one["name"] == "name" and begins in NAMED:
            one["example"] = NAMED[begins]
        elif one["in"] == "path":
            one["example"] = IN_PATH[one["name"]]
        elif one["name"] in asked:
            one["example"] = asked[one["name"]]
    for body in way.get("requestBody", {}).get("content", {}).values():
        if way["operationId"] in SENT:
            body["example"] = SENT[way["operationId"]]
