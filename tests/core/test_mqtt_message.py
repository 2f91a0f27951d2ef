"""Messages of sensors: what is understood, and that nothing but InputError ever comes out of what is not."""

from __future__ import annotations

import contextlib
import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.intake.json_pointer import is_pointer, resolve
from curewatch.intake.mqtt.message import match, read_payload, says_of_itself, source_of, subscriptions
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.settings import SensorSettings

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
LOFT = SensorSettings(id="loft", room="sail loft", topic="shed/loft/air", time="/time", battery="/battery")
BARE = SensorSettings(id="slip", room="slipway", topic="shed/slip/t", reads="temperature")
DAMP = SensorSettings(id="slip", room="slipway", topic="shed/slip/rh", reads="humidity")

RFC_6901 = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


def read(payload: bytes | str | dict, sensor: SensorSettings = LOFT, **how: object) -> Reading:
    if isinstance(payload, dict):
        payload = json.dumps(payload)
    raw = payload.encode() if isinstance(payload, str) else payload
    return read_payload(sensor, sensor.topic, raw, **{"retained": False, "received_at": NOW, **how})


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_the_rfc(pointer: str, value: object) -> None:
    """RFC 6901 section 5, every example."""
    assert resolve(RFC_6901, pointer) == value


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/+1", "/foo/٠", "/fo", "/foo/0/x", "foo", "/~2"]
)
def test_pointers_to_nothing(pointer: str) -> None:
    """Indices out of range, with leading zeros, signs or other scripts' digits (section 4), and what is no pointer."""
    with pytest.raises(KeyError):
        resolve(RFC_6901, pointer)


def test_a_tilde_and_one_is_not_decoded_twice() -> None:
    """Section 4: ~1 first, then ~0, so that ~01 is ~1 and not /."""
    assert resolve({"~1": 5}, "/~01") == 5
    assert is_pointer("/~01")
    assert not is_pointer("/~")


def test_a_whole_message() -> None:
    reading = read({"temperature": 21.3, "humidity": "48.5", "time": "2026-11-20T08:58:00+01:00", "battery": 87})
    assert reading == Reading(
        room="sail loft",
        at=datetime(2026, 11, 20, 7, 58, tzinfo=UTC),
        temp_c=21.3,
        rh_pct=48.5,
        source="loft",
        received_at=NOW,
        battery_pct=87,
    )


@pytest.mark.parametrize("missing", [{"temperature": 20}, {"temperature": 20, "humidity": None}])
def test_one_quantity_is_enough(missing: dict) -> None:
    reading = read(missing)
    assert (reading.temp_c, reading.rh_pct, reading.at) == (20, None, NOW)


@pytest.mark.parametrize(
    ("time", "at"),
    [
        (1795165200, NOW),
        (1795165200.5, NOW + timedelta(seconds=0.5)),
        (1795165200000, NOW),
        ("1795165200", NOW),
        ("2026-11-20T09:00:00Z", NOW),
        ("2026-11-20 10:04:59.000+01:00", NOW + timedelta(minutes=4, seconds=59)),
    ],
)
def test_times(time: object, at: datetime) -> None:
    assert read({"temperature": 20, "time": time}).at == at


@pytest.mark.parametrize(
    ("unit", "raw", "offset", "celsius"),
    [("C", 21.5, -0.5, 21.0), ("F", 70.7, 0.0, 21.5), ("K", 294.65, 0.5, 22.0), ("F", -40, 0.0, -40.0)],
)
def test_units_and_offsets(unit: str, raw: float, offset: float, celsius: float) -> None:
    """Exact conversions by definition; the tolerance is float rounding of numbers near 300."""
    sensor = LOFT.model_copy(update={"unit": unit, "temperature_offset": offset, "humidity_offset": 2.0})
    reading = read({"temperature": raw, "humidity": 50}, sensor)
    assert reading.temp_c == pytest.approx(celsius, abs=1e-9)
    assert reading.rh_pct == 52


def test_an_offset_does_not_push_humidity_past_its_ends() -> None:
    assert read({"humidity": 99.5}, LOFT.model_copy(update={"humidity_offset": 3.0})).rh_pct == 100
    assert read({"humidity": 1}, LOFT.model_copy(update={"humidity_offset": -3.0})).rh_pct == 0


def test_bare_numbers() -> None:
    assert read(" 21.5\n", BARE).temp_c == 21.5
    assert read("48", DAMP).rh_pct == 48
    for bad in ("", "nan", "inf", "1e999", "0x10", "21.5 °X", "21.5 V 3", '"21.5"', "[21]", "true", "²", "1_0"):
        with pytest.raises(InputError, match="one bare number, the temperature"):
            read(bad, BARE)


@pytest.mark.parametrize("battery", [70_000, -1, "replaced", [], True, "2.9 °C", "12 V"])
def test_a_battery_that_cannot_be_told_costs_no_reading(battery: object) -> None:
    assert read({"temperature": 20, "battery": battery}).battery_pct is None


@pytest.mark.parametrize(
    ("battery", "pct"),
    [(87, 87), ("87 %", 87), (2700, 50), ("2.7 V", 50), ("2700 mV", 50), ("3.2V", 100), ("low", 5), ("OK", 100)],
)
def test_a_battery_may_be_told_in_volts_and_in_words(battery: object, pct: float) -> None:
    assert read({"temperature": 20, "battery": battery}).battery_pct == pytest.approx(pct)


@pytest.mark.parametrize(
    ("temperature", "celsius"),
    [("20.4 C", 20.4), ("20.4°C", 20.4), ("20,4 °C", 20.4), ("68 °F", 20), ("68F", 20), ("293.15 K", 20),
     ("68 deg F", 20), ("-3.5 ℃", -3.5), ("20,4", 20.4)],
)  # fmt: skip
def test_a_unit_that_a_message_bears_goes_before_the_settings_own(temperature: str, celsius: float) -> None:
    """As gateways and firmware write them; common practice, no source."""
    fahrenheit = LOFT.model_copy(update={"unit": "F"})
    assert read({"temperature": temperature}).temp_c == pytest.approx(celsius)
    if temperature != "20,4":
        assert read({"temperature": temperature}, fahrenheit).temp_c == pytest.approx(celsius)
        assert read(temperature, BARE).temp_c == pytest.approx(celsius)
    assert read({"humidity": "55 %RH"}).rh_pct == read("55%", DAMP).rh_pct == 55


def test_what_is_not_known_in_words_is_as_good_as_null() -> None:
    assert read({"temperature": 20, "humidity": "unavailable"}).rh_pct is None
    assert read({"temperature": "nan", "humidity": 50}).temp_c is None


def test_a_device_that_says_how_it_is_itself_sends_no_reading_and_is_no_fault() -> None:
    for said in ("online", " Offline\n", '{"state": "online"}', '{ "availability" : "offline" }', "unavailable"):
        assert says_of_itself(said.encode()) in {"online", "offline", "unavailable"}
    for other in ("21.3", '{"temperature": 20}', '{"state": "open"}', "warm", "x" * 5000, b"\xff".decode("latin-1")):
        assert says_of_itself(other.encode("latin-1")) is None


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"\xff\xfe2", "UTF-8 text (byte 0 is none)"),
        (b"x" * 1_000_000, "at most 8192 bytes"),
        ("", "one JSON object"),
        ("[1]", "one JSON object"),
        ("21.3", "one JSON object"),
        ("[" * 8000, "one JSON object"),
        ('{"a":' * 1500 + "1" + "}" * 600, "one JSON object"),
        ('{"temperature": ' + "9" * 6000 + "}", "one JSON object"),
        ('{"temperature": ' + "9" * 400 + "}", "expected a number in °C that means -60 to 90 °C"),
        ('{"temperature": NaN}', "got 'NaN', expected a JSON number"),
        ('{"temperature": -Infinity}', "got '-Infinity'"),
        ('{"temperature": 1e999}', "got inf, expected a number in °C"),
        ('{"temperature": true}', "got True, expected a number in °C"),
        ('{"temperature": "warm"}', "got 'warm', expected a number in °C"),
        ('{"temperature": "55 %"}', "got '55 %', expected a number in °C"),
        ('{"humidity": "21.3 C"}', "got '21.3 C', expected a number from 0 to 100 %"),
        ('{"temperature": -400}', "got -400, expected a number in °C that means -60 to 90 °C"),
        ('{"temperature": {"value": 20}}', "got 'an object'"),
        ('{"humidity": 150}', "shed/loft/air humidity: got 150, expected a number from 0 to 100 %"),
        ('{"humidity": [50]}', "got 'a list'"),
        ('{"temp": 21}', "expected a number at /temperature or /humidity"),
        ('{"temperature": null, "humidity": null}', "expected a number at /temperature or /humidity"),
        ('{"temperature": 20, "time": "2026-11-20T09:00:00"}', "expected ISO 8601 with its zone"),
        ('{"temperature": 20, "time": "yesterday"}', "got 'yesterday', expected ISO 8601 with its zone"),
        ('{"temperature": 20, "time": true}', "got True, expected ISO 8601"),
        ('{"temperature": 20, "time": 1e300}', "expected ISO 8601"),
        ('{"temperature": 20, "time": 86400}', "clock was never set"),
        ('{"temperature": 20, "time": "2026-11-20T09:05:01Z"}', "at most 5 min after it was received, 2026-11-20T09"),
    ],
)
def test_what_is_no_reading(payload: bytes | str, says: str) -> None:
    """Each refusal quotes what was given, shortened, and says what is allowed."""
    with pytest.raises(InputError) as caught:
        read(payload)
    assert says in str(caught.value)
    assert len(str(caught.value)) < 300


def test_a_kept_message_needs_its_own_time() -> None:
    """Retained, or queued through a long absence: the moment it arrives is not the moment it was measured."""
    timed = {"temperature": 20, "time": "2026-11-19T09:00:00Z"}
    assert read(timed, retained=True).retained
    assert read(timed, late=timedelta(hours=8)).at == NOW - timedelta(days=1)
    with pytest.raises(InputError, match="when it was measured is unknown"):
        read({"temperature": 20}, retained=True)
    with pytest.raises(InputError, match=r"kept for up to 8\.0 h"):
        read("20", BARE, late=timedelta(hours=8))


def test_topics_and_sources() -> None:
    wild = SensorSettings(id="floor", room="boat shed", topic="shed/+/air")
    assert subscriptions([LOFT, wild, LOFT]) == ["shed/loft/air", "shed/+/air"]
    assert match([LOFT, wild, BARE], "shed/loft/air") == [LOFT, wild]
    assert match([LOFT, wild, BARE], "shed/loft") == []
    assert source_of(LOFT, "shed/loft/air") == "loft"
    assert source_of(wild, "shed/loft/air") == "floor/shed/loft/air"


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
)
objects = st.fixed_dictionaries({}, optional=dict.fromkeys(("temperature", "humidity", "time", "battery"), json_values))


payloads = st.binary(max_size=200) | json_values.map(lambda value: json.dumps(value).encode())


@given(payloads, st.sampled_from([LOFT, BARE, DAMP]))
def test_any_bytes_are_a_reading_or_bad_input(payload: bytes, sensor: SensorSettings) -> None:
    with contextlib.suppress(InputError):
        read(payload, sensor)


@given(objects)
def test_any_object_is_a_reading_within_range_or_bad_input(message: dict) -> None:
    with contextlib.suppress(InputError):
        reading = read(message)
        assert reading.temp_c is None or -60 <= reading.temp_c <= 90
        assert reading.rh_pct is None or 0 <= reading.rh_pct <= 100
        assert reading.at <= NOW + timedelta(minutes=5)
