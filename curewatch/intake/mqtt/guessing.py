"""What a message of an unknown device may mean: where its numbers stand, in which unit. Pure, and only ever a proposal:
a person sees the reading that would come of it before it counts."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any, Literal, NamedTuple

from curewatch.intake.json_pointer import pointer_to
from curewatch.intake.mqtt.message import measured, moment_told, parsed, says_of_itself
from curewatch.settings import SensorSettings

LEAVES_MOST, DEPTH_MOST = 200, 8
"""So much of a message is looked at."""
WARM_F, WARM_K = 45.0, 200.0
"""A room's air of more than 45 is told in °F, of more than 200 in K [calibration: no room to paint in is 45 °C]."""
LATELY = timedelta(days=366)
TEMPERATURE = (
    "temperature",
    "temp",
    "tempc",
    "tempf",
    "celsius",
    "fahrenheit",
    "temperatur",
    "temperatura",
    "t",
    "tc",
    "tf",
)
HUMIDITY = ("humidity", "hum", "humid", "rh", "moisture", "luftfeuchte", "humedad", "h")
BATTERY = ("battery", "batt", "bat", "charge", "cell", "batterie", "voltage", "volt", "vbat")
TIME = ("time", "timestamp", "ts", "at", "datetime", "date", "measured", "seen")
OTHER = frozenset({
    "device", "chip", "cpu", "core", "board", "target", "setpoint", "set", "min", "max", "high", "low", "dew", "soil",
    "water", "leaf", "absolute", "feels", "offset", "calibration", "trend", "delta", "alarm", "outside",
})  # fmt: skip
"""Words beside it that make a number something else than the air's own, most likely."""
_USUAL = {"reads": "json", "temperature": "/temperature", "humidity": "/humidity", "unit": "C"}
Reads = Literal["json", "temperature", "humidity"]


class Guess(NamedTuple):
    """The keys of a [[sensors]] entry, without id and room."""

    topic: str
    reads: Reads
    temperature: str | None = None
    humidity: str | None = None
    time: str | None = None
    battery: str | None = None
    unit: Literal["C", "F", "K"] = "C"

    def entry(self, id: str, room: str) -> dict[str, Any]:
        """As the settings file is to hold it: what is usual anyway is left out."""
        given = {"id": id, "room": room, "topic": self.topic}
        given |= {} if self.reads == "json" else {"reads": self.reads}
        for key in ("temperature", "humidity", "time", "battery"):
            value = getattr(self, key)
            if value is not None and value != _USUAL.get(key):
                given[key] = value
        return given | ({} if self.unit == "C" else {"unit": self.unit})

    def in_words(self, instead_of: SensorSettings) -> str | None:
        """What to set instead, as keys; None where that is set already."""
        wanted = self.entry(instead_of.id, instead_of.room)
        set_ = [f"{key} = {wanted.get(key, usual)!r}" for key, usual in _USUAL.items()
                if getattr(self, key) is not None and getattr(instead_of, key) != wanted.get(key, usual)]  # fmt: skip
        return ", ".join(set_).replace("'", '"') or None

    def sensor(self, id: str, room: str) -> SensorSettings:
        return SensorSettings.model_validate(self.entry(id, room))


def guess(topic: str, payload: bytes, now: datetime) -> Guess | None:
    """None where nothing in it looks like the air of a room."""
    if says_of_itself(payload) is not None or len(payload) > 8192:
        return None
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return None
    if (bare := measured(text.strip())) is not None:
        return _of_a_number(topic, *bare)
    document = parsed(text)
    return _of_an_object(topic, document, now) if isinstance(document, dict) else None


def _of_a_number(topic: str, number: float, unit: str) -> Guess | None:
    """By its unit, else by the end of its topic."""
    words = [set(_words(level)) for level in topic.split("/")[-2:]]
    if any(some & OTHER for some in words):
        return None
    for some in (words[-1], words[0]):
        if unit in ("C", "F", "K") or (not unit and some & set(TEMPERATURE)):
            return Guess(topic, "temperature", unit="C" if unit else _unit_of(number, some))
        if (unit == "%" or not unit) and some & set(HUMIDITY) and 0 <= number <= 100:
            return Guess(topic, "humidity")
    return None


def _of_an_object(topic: str, document: dict[str, Any], now: datetime) -> Guess | None:
    found: dict[str, tuple[float, str, object, list[str]]] = {}
    for way, value in _leaves(document):
        words = [word for name in way for word in _words(str(name))]
        own = _words(str(way[-1])) if str(way[-1]) not in ("value", "val") else words
        for kind, score in (
            ("temperature", _rank(own, words, TEMPERATURE) if _is_air(value, ("C", "F", "K", "")) else 0.0),
            ("humidity", _rank(own, words, HUMIDITY) if _is_share(value) else 0.0),
            ("battery", _rank(own, words, BATTERY) if measured(value) or isinstance(value, str) else 0.0),
            ("time", _rank(own, words, TIME) if _is_moment(value, now) else 0.0),
        ):
            if score > found.get(kind, (0.0,))[0]:
                found[kind] = (score, pointer_to(*way), value, words)
    if "temperature" not in found and "humidity" not in found:
        return None
    at = {kind: pointer for kind, (_, pointer, _, _) in found.items()}
    unit: Literal["C", "F", "K"] = "C"
    if "temperature" in found:
        _, _, value, words = found["temperature"]
        number, written = measured(value) or (0.0, "")
        unit = "C" if written else _unit_of(number, {*words, *_unit_words(document)})
    return Guess(topic, "json", at.get("temperature"), at.get("humidity"), at.get("time"), at.get("battery"), unit)


def _leaves(document: Any, way: tuple[int | str, ...] = ()) -> Iterator[tuple[tuple[int | str, ...], Any]]:
    """Every value that is no object or list, with the way to it; of very many the first."""
    left, stack = LEAVES_MOST, [(way, document)]
    while stack and left:
        along, value = stack.pop()
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
        if inner is None:
            left -= 1
            if along:
                yield along, value
        elif len(along) < DEPTH_MOST:
            stack += reversed([((*along, name), one) for name, one in list(inner)[:LEAVES_MOST]])


def _words(name: str) -> list[str]:
    """`airTemp_C` → air, temp, c."""
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", name[:80])
    return [word for word in re.split(r"[^a-z]+", apart.casefold()) if word]


def _rank(own: list[str], words: list[str], kind: tuple[str, ...]) -> float:
    """0: not that. The plainer the word and the nearer, the more."""
    hit = next((place for place, word in enumerate(kind) if word in own), None)
    if hit is None:
        return 0.0
    return max(0.01, 1.0 - 0.02 * hit - 0.02 * len(words) - (0.5 if OTHER & set(words) else 0.0))


def _is_air(value: object, units: tuple[str, ...]) -> bool:
    number, unit = measured(value) or (None, "")
    return number is not None and unit in units and -60 <= number <= 330


def _is_share(value: object) -> bool:
    number, unit = measured(value) or (None, "")
    return number is not None and unit in ("", "%") and 0 <= number <= 100


def _is_moment(value: object, now: datetime) -> bool:
    at = moment_told(value)
    return at is not None and abs(now - at) < LATELY


def _unit_words(document: Mapping[str, Any]) -> set[str]:
    """What a message says of its unit in a field of its own, as {"temp": 68, "unit": "F"}."""
    said = [v for way, v in _leaves(document) if isinstance(v, str) and "unit" in " ".join(_words(str(way[-1])))]
    return {word for one in said if len(one) < 12 for word in _words(one)}


def _unit_of(number: float, words: set[str]) -> Literal["C", "F", "K"]:
    if words & {"f", "tf", "tempf", "fahrenheit"} or WARM_F < number <= WARM_K:
        return "F"
    return "K" if words & {"k", "kelvin"} or number > WARM_K else "C"
