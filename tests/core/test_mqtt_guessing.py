"""What an unknown device's message is guessed to mean. The shapes are those that gateways and firmware are known to
send; from memory and common practice, no source."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.intake.mqtt.guessing import Guess, guess
from curewatch.intake.mqtt.listening import Message, told, unheard
from curewatch.settings import SensorSettings

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
PLAIN = Guess("t", "json", "/temperature", "/humidity")


@pytest.mark.parametrize(
    ("topic", "payload", "wanted"),
    [
        ("t", {"temperature": 20.4, "humidity": 51, "battery": 87, "linkquality": 120},
         PLAIN._replace(battery="/battery")),
        ("t", {"Time": "2026-11-20T08:59:00Z", "SHX": {"Temperature": 20.4, "Humidity": 51.2, "DewPoint": 10}},
         Guess("t", "json", "/SHX/Temperature", "/SHX/Humidity", "/Time")),
        ("t", {"air": {"temp": 64.2, "hum": 58}, "at": 1795165140, "cell": "2.9 V"},
         Guess("t", "json", "/air/temp", "/air/hum", "/at", "/cell", "F")),
        ("t", {"device_temperature": 41, "tempc": "20.4 C", "hum": "51 %", "batt": "low"},
         Guess("t", "json", "/tempc", "/hum", None, "/batt")),
        ("t", {"sensors": [{"name": "a", "t": 20.4, "rh": 51}], "cpu": {"temp": 55}},
         Guess("t", "json", "/sensors/0/t", "/sensors/0/rh")),
        ("t", {"temperature": {"value": 68, "unit": "F"}, "humidity": {"value": 50}},
         Guess("t", "json", "/temperature/value", "/humidity/value", unit="F")),
        ("t", {"setpoint_temp": 19, "room": {"temp": 20}, "a/b": 3}, Guess("t", "json", "/room/temp")),
        ("t", {"temp": 293.4, "rh": 50}, Guess("t", "json", "/temp", "/rh", unit="K")),
        ("home/attic/temperature", 20.4, Guess("home/attic/temperature", "temperature")),
        ("home/attic/humidity", "51 %", Guess("home/attic/humidity", "humidity")),
        ("home/attic/x", "68 °F", Guess("home/attic/x", "temperature")),
        ("home/temperature/attic", "68.4", Guess("home/temperature/attic", "temperature", unit="F")),
        ("home/attic/soil_humidity", 20, None),
        ("home/attic/power", 20.4, None),
        ("home/attic/state", "online", None),
        ("home/door", {"contact": True, "battery": 100}, None),
    ],
)  # fmt: skip
def test_where_the_numbers_stand(topic: str, payload: object, wanted: Guess | None) -> None:
    raw = payload if isinstance(payload, str) else json.dumps(payload)
    found = guess(topic, raw.encode(), NOW)
    assert found == wanted
    if found is not None:
        reading = told(Message(topic, raw.encode(), NOW, False, 1), ()).reading
        assert reading is not None, "what is guessed can be read so"
        assert 15 < (reading.temp_c or 20.4) < 25


def test_an_entry_holds_only_what_is_not_usual_anyway() -> None:
    assert PLAIN.entry("loft", "Loft") == {"id": "loft", "room": "Loft", "topic": "t"}
    other = Guess("t", "json", "/a/t", None, "/at", unit="F")
    assert other.entry("x", "Loft")["temperature"] == "/a/t"
    assert other.in_words(SensorSettings(id="x", room="Loft", topic="t")) == 'temperature = "/a/t", unit = "F"'


def test_why_nothing_comes_is_told_apart() -> None:
    heard = [Message("shed/loft/air", b"1", NOW, False, 1)]
    wrong = SensorSettings(id="a", room="Loft", topic="shed/lofft/air")
    said = "nothing comes on its topic 'shed/lofft/air'; heard are 'shed/loft/air'"
    assert unheard([wrong], heard, {}) == {"a": said}
    refused = unheard([wrong], heard, {wrong.topic: "Not authorized"})["a"]
    assert "the broker refuses the topic 'shed/lofft/air' (Not authorized)" in refused
    assert "access list keeps everything back" in unheard([wrong], [], {})["a"]
    assert unheard([SensorSettings(id="b", room="Loft", topic="shed/+/air")], heard, {}) == {}


LEAVES = st.none() | st.booleans() | st.floats() | st.text()
TREES = st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner))


@given(st.binary(max_size=300) | TREES.map(lambda one: json.dumps(one).encode()))
def test_whatever_comes_is_a_guess_or_none(payload: bytes) -> None:
    told(Message("a/temperature", payload, NOW, False, 1), ())
