"""A received message, and the Reading in it. Pure: bytes in, a record or `InputError` out, and nothing else is ever
raised."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple, NoReturn

from paho.mqtt.client import topic_matches_sub
from pydantic_core import from_json

from curewatch.intake.json_pointer import resolve
from curewatch.records import RH_PCT_RANGE, TEMP_C_RANGE, UNSAFE, Reading
from curewatch.records.errors import InputError
from curewatch.settings import SensorSettings


class ReceivedMessage(NamedTuple):
    """One message as it came off the network. `topic` is None where it is not UTF-8.

    A tuple: one is made for every message on the thread that reads from the network, which must not fall behind.
    """

    topic: str | None
    payload: bytes
    mid: int
    qos: int
    retained: bool
    received_at: datetime
    monotonic: float
    connection: int
    """Which connection it came through: its message id means nothing on another."""
    late: timedelta | None
    """How long the broker may have kept it; None: since the last contact of an earlier run."""
    boottime: float = 0.0
    """When it came, on the clock that nobody sets [s since the machine started]."""


MAX_PAYLOAD_BYTES = 8192
"""A sensor's JSON is a few hundred bytes; more than this is something else."""
MAX_AHEAD = timedelta(minutes=5)
"""How far a sensor's clock may run ahead of ours before its time is not believed."""
FIRST_BELIEVABLE = datetime(2000, 1, 1, tzinfo=UTC)
"""A clock that was never set counts from 1970."""
MILLISECONDS_FROM = 1e11
"""An epoch number from here on is milliseconds: as seconds it would be the year 5138."""
MAX_BEHIND = timedelta(days=366)
"""What a logger had kept for longer comes as a file; a time further back is a clock that was never set."""
TOPIC_CHARS = 120
"""A topic may have 65,535 bytes; an error names it so far."""
NUMBER_CHARS = 60
"""A number written out in a string is at most this long."""
_NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_MEASURED = re.compile(r"([-+]?[0-9]+(?:[.,][0-9]+)?)\s?((?:°|deg )?[CFK]|℃|℉|% ?(?:RH|rh|r\.h\.)?|m?V)?")
_UNITS = {"": "", "℃": "C", "℉": "F", "%": "%", "V": "V", "mV": "mV"} | {
    sign + u: u for sign in ("", "°", "deg ") for u in "CFK"
}
"""As gateways and firmware write them behind a number."""
AVAILABLE = frozenset({"online", "available", "connected", "ready", "alive", "awake"})
AWAY = frozenset(
    {"offline", "unavailable", "disconnected", "lost", "dead", "sleeping", "unknown", "none", "null", "nan"}
)
"""What a device, or what speaks for it, says of itself where a reading would stand; common practice, no source."""
_STATE = re.compile(r'\{\s*"(?:state|status|availability)"\s*:\s*"(\w+)"\s*\}')
_CHARGE = {"low": 5.0, "critical": 2.0, "empty": 0.0} | dict.fromkeys(("ok", "good", "normal", "high", "full"), 100.0)
"""Batteries in words [%; calibration: low is below what `[alarms]` takes as low, the others above]."""
_CELLS = ((0.7, 1.75, 1.0, 1.5), (1.75, 3.4, 2.4, 3.0), (3.4, 4.4, 3.4, 4.1))
"""Batteries in volts: from, to, what is empty and what full [V; from memory of data sheets: one dry cell, two or a
coin, lithium that is charged again; calibration, a discharge is no straight line]."""


class _NoNumber(Exception):
    """NaN or an infinity, which the standard library takes for JSON."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def _no_constant(name: str) -> NoReturn:
    raise _NoNumber(name)


_JSON = json.JSONDecoder(parse_constant=_no_constant)
"""Made once: it is needed for every message."""


def says_of_itself(payload: bytes) -> str | None:
    """What a device says of itself (`online`, `offline`) where that is all it says, as on topics of availability."""
    if len(payload) > NUMBER_CHARS:
        return None
    text = payload.decode("utf-8", "replace").strip().casefold()
    word = found[1] if (found := _STATE.fullmatch(text)) else text
    return word if word in AVAILABLE or word in AWAY else None


def subscriptions(sensors: Sequence[SensorSettings]) -> list[str]:
    """The topic filters to subscribe to, each once, in the order of the settings."""
    return list(dict.fromkeys(sensor.topic for sensor in sensors))


def match(sensors: Sequence[SensorSettings], topic: str) -> list[SensorSettings]:
    """Every sensors entry that reads this topic; one topic may feed several."""
    return [sensor for sensor in sensors if topic_matches_sub(sensor.topic, topic)]


def source_of(sensor: SensorSettings, topic: str) -> str:
    """What a reading's `source` says: behind a wildcard each topic is a device of its own."""
    wild = "+" in sensor.topic or "#" in sensor.topic  # they stand for whole levels, and for nothing else
    return f"{sensor.id}/{topic}" if wild else sensor.id


def read_payload(
    sensor: SensorSettings,
    topic: str,
    payload: bytes,
    *,
    retained: bool,
    received_at: datetime,
    late: timedelta = timedelta(0),
) -> Reading:
    """One message of `sensor` as a Reading.

    Numbers may come as JSON numbers or as strings that hold only a number ("21.3"), or one with its unit ("68 °F"),
    which then goes before the settings' own: cheap sensors and gateways send those.
    A quantity that is missing or null is unknown, and one of the two must be there. Without a time of its own
    a message was measured when it came, unless the broker had kept it (`retained`, or queued for as long as `late`
    while nobody was connected): then nobody knows, and it is refused.
    """
    if _UNSAFE.search(topic):
        raise InputError("topic", topic[:TOPIC_CHARS], "a topic without control characters")
    named = topic if len(topic) <= TOPIC_CHARS else topic[: TOPIC_CHARS - 1] + "…"
    text = _text(named, payload)
    raw = _whole_object(sensor, named, text) if sensor.reads == "json" else _bare(sensor, named, text)
    if raw.time is None and (retained or late):
        kept = "retained" if retained else f"kept for up to {late.total_seconds() / 3600:.1f} h"
        raise InputError(named, text, f"a time in a message the broker {kept}: when it was measured is unknown")
    return Reading(
        room=sensor.room,
        at=received_at if raw.time is None else _time(f"{named} time", raw.time, received_at),
        temp_c=None if raw.temp is None else _temperature(f"{named} temperature", raw.temp, sensor),
        rh_pct=None if raw.rh is None else _humidity(f"{named} humidity", raw.rh, sensor),
        source=source_of(sensor, topic),
        received_at=received_at,
        battery_pct=_battery(raw.battery),
        retained=retained,
    )


class _Raw(NamedTuple):
    """What a message says, not yet judged; None where it says nothing (missing or null)."""

    temp: object = None
    rh: object = None
    time: object = None
    battery: object = None


_UNSAFE = re.compile(f"[{UNSAFE}]")


def _text(topic: str, payload: bytes) -> str:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise InputError(topic, payload[:NUMBER_CHARS], f"at most {MAX_PAYLOAD_BYTES} bytes")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(topic, payload, f"UTF-8 text (byte {error.start} is none)") from None


def _bare(sensor: SensorSettings, topic: str, text: str) -> _Raw:
    number = text.strip()
    if measured(number) is None:
        raise InputError(topic, text, f"one bare number, the {sensor.reads}")
    return _Raw(temp=number) if sensor.reads == "temperature" else _Raw(rh=number)


def _whole_object(sensor: SensorSettings, topic: str, text: str) -> _Raw:
    document = _document(topic, text)
    if not isinstance(document, dict):
        raise InputError(topic, text, "one JSON object")
    raw = _Raw(
        _look(document, sensor.temperature),
        _look(document, sensor.humidity),
        _look(document, sensor.time),
        _look(document, sensor.battery),
    )
    if raw.temp is None and raw.rh is None:
        wanted = " or ".join(pointer for pointer in (sensor.temperature, sensor.humidity) if pointer is not None)
        raise InputError(topic, text, f"a number at {wanted}")
    return raw


def parsed(text: str) -> Any:
    """A JSON document; None where it is none."""
    try:
        return _document("", text)
    except InputError:
        return None


def _document(topic: str, text: str) -> Any:
    try:
        return from_json(text, allow_inf_nan=False)  # three times as fast
    except ValueError:
        pass  # what is wrong, and whether it is, the standard library says
    try:
        return _JSON.decode(text)
    except _NoNumber as error:
        raise InputError(topic, error.name, "a JSON number, or null for an unknown value") from None
    except (ValueError, RecursionError):  # broken; an integer of thousands of digits; nested thousands deep
        raise InputError(topic, text, "one JSON object") from None


def _look(document: object, pointer: str | None) -> object:
    """The value at `pointer`; None where it is missing, null, or a word for that."""
    try:
        found = None if pointer is None else resolve(document, pointer)
    except KeyError:
        return None
    return None if isinstance(found, str) and found.strip().casefold() in _NOT_KNOWN else found


_NOT_KNOWN = AWAY | {"", "-", "--", "n/a"}


def measured(value: object) -> tuple[float, str] | None:
    """A number and the unit that is written behind it, if one is."""
    number = _number(value)
    if number is not None:
        return number, ""
    if isinstance(value, str) and len(value) <= NUMBER_CHARS and (found := _MEASURED.fullmatch(value.strip())):
        unit = found[2] or ""
        return float(found[1].replace(",", ".")), _UNITS["%" if unit.startswith("%") else unit]
    return None


def _number(value: object) -> float | None:
    """A finite float, or None for anything that is not one. A bool is not a number."""
    if type(value) is float:  # nearly always
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        value = value.strip()
        if len(value) > NUMBER_CHARS or not _NUMBER.fullmatch(value):
            return None
    elif isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _temperature(field: str, value: object, sensor: SensorSettings) -> float:
    """In °C, the sensor's offset added."""
    low, high = TEMP_C_RANGE
    raw, unit = measured(value) or (math.nan, "")
    unit = unit or sensor.unit
    if not math.isnan(raw) and unit in ("C", "F", "K"):
        celsius: float = {"C": raw, "F": (raw - 32.0) / 1.8, "K": raw - 273.15}[unit]
        celsius += sensor.temperature_offset
        if low <= celsius <= high:
            return celsius
    sent_in = {"C": "°C", "F": "°F", "K": "K"}[sensor.unit]
    raise InputError(field, _quotable(value), f"a number in {sent_in} that means {low:g} to {high:g} °C")


def _humidity(field: str, value: object, sensor: SensorSettings) -> float:
    """In %. What the sensor says must be possible; what its offset pushes past the ends is held at the ends."""
    low, high = RH_PCT_RANGE
    raw, unit = measured(value) or (math.nan, "")
    if unit not in ("", "%") or not low <= raw <= high:
        raise InputError(field, _quotable(value), f"a number from {low:g} to {high:g} %")
    return min(high, max(low, raw + sensor.humidity_offset))


def _battery(value: object) -> float | None:
    """In %; None when it cannot be told: not worth losing a reading for. More than 100 are millivolts."""
    if isinstance(value, str) and value.strip().casefold() in _CHARGE:
        return _CHARGE[value.strip().casefold()]
    number, unit = measured(value) or (math.nan, "")
    if unit in ("", "%") and 0 <= number <= 100:
        return number
    volts = number / 1000 if unit == "mV" or (unit == "" and number > 100) else number if unit == "V" else math.nan
    of = next(((empty, full) for least, most, empty, full in _CELLS if least <= volts < most), None)
    return None if of is None else round(min(100.0, max(0.0, 100 * (volts - of[0]) / (of[1] - of[0]))), 1)


def _time(field: str, value: object, received_at: datetime) -> datetime:
    allowed = "ISO 8601 with its zone, or epoch seconds or milliseconds"
    at = moment_told(value)
    if at is None:
        raise InputError(field, _quotable(value), allowed)
    if at < FIRST_BELIEVABLE:
        raise InputError(field, _quotable(value), "a time after 1999 (the sensor's clock was never set)")
    if at > received_at + MAX_AHEAD:
        received = received_at.isoformat(timespec="seconds")
        raise InputError(
            field,
            _quotable(value),
            f"a time at most 5 min after it was received, {received} (one of the two clocks is wrong)",
        )
    if at < received_at - MAX_BEHIND:
        raise InputError(field, _quotable(value), "a time within a year before it was received (is its clock set?)")
    return at


def moment_told(value: object) -> datetime | None:
    dashed = isinstance(value, str) and value[4:5] == "-"  # 2026-11-20…: no number but 1234e-5 and the like
    number = None if dashed else _number(value)
    try:
        if number is not None:
            return datetime.fromtimestamp(number / 1000 if number >= MILLISECONDS_FROM else number, UTC)
        if isinstance(value, str):
            at = datetime.fromisoformat(value.strip())
            return None if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        pass
    return None


def _quotable(value: object) -> object:
    """Nested values are named, not quoted: their repr may be too deep to make."""
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    return value
