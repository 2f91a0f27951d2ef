"""Everything that makes records of outside words, as functions of raw bytes that may do one of two things.

Return what is right, or raise an error that is documented, whose message quotes no more than a bounded part of what
came in. Whatever else happens is a flaw. The short tests and the long campaign (tests/bench/bench_fuzz.py) share it.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import NamedTuple
from zipfile import ZipFile
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from curewatch.desk.transfer.exporting import KINDS, SCHEMA, TABLES
from curewatch.desk.transfer.importing import ExportedFacts
from curewatch.intake.files.export_file import facts_in_tables
from curewatch.intake.files.export_json import facts_in_json
from curewatch.intake.files.logger_csv import Layout, LoggerCsv
from curewatch.intake.files.photo import picture_of
from curewatch.intake.files.room_csv import parse_room_csv
from curewatch.intake.mqtt.message import read_payload
from curewatch.intake.typed import levelling
from curewatch.intake.typed.quantities import parse_weighing
from curewatch.records.errors import Field, InputError
from curewatch.settings import SensorSettings, Settings, SettingsError, loading
from curewatch.views.logged import Undo
from curewatch.web.api.requests import FingerIn, MoveIn, MuteIn, PourIn, ReadingIn, StepIn, SurfaceIn, WeighingIn
from curewatch.web.pages.forms import label_of, with_unit
from tests.core import typed_parsers as typed
from tests.core.pictures import jpeg, png

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
MESSAGE_CHARS = 1000
"""A message is at most this long: what is allowed takes some three hundred, what is quoted sixty a time."""
PROBLEMS = 20
"""Problems of a settings file that are told at once are at most so many."""
ZONES = (ZoneInfo("Europe/Lisbon"), ZoneInfo("Australia/Lord_Howe"), ZoneInfo("America/St_Johns"), UTC)


class Words(NamedTuple):
    """One parser, or a few of a kind: what to call with bytes, and some bytes that mean something to it."""

    try_: Callable[[bytes], bool]
    """Whether it was understood. Raises for nothing but a flaw."""
    seeds: tuple[bytes, ...]


def bounded(error: Exception, most: int = MESSAGE_CHARS) -> bool:
    """False, for the caller to return; AssertionError where the message is longer than `most` [characters]."""
    text = str(error)
    assert len(text) <= most, f"a message of {len(text)} characters: {text[:200]}"
    return False


def refusing(parse: Callable[[bytes], object]) -> Callable[[bytes], bool]:
    """Tells whether `parse` took it; the one error it may raise is InputError."""

    def tried(data: bytes) -> bool:
        try:
            _sound(parse(data))
        except InputError as error:
            error.in_words(label_of)  # as a page would say it
            return bounded(error)
        return True

    return tried


def _sound(value: object) -> None:
    """No number leaves a parser that is none."""
    if isinstance(value, float):
        assert math.isfinite(value), value
    elif isinstance(value, tuple):
        for part in value:
            _sound(part)
    elif isinstance(value, datetime):
        assert value.utcoffset() == timedelta(0), value


def _text(data: bytes) -> str:
    """As a terminal or a form hands it over: bytes that are no UTF-8 become lone surrogates."""
    return data.decode("utf-8", "surrogateescape")


def parse_settings(content: bytes, path: Path) -> Settings:
    """As `load_settings`, of what a file holds."""
    return loading.settings_of(loading.parse_toml(content, path), path)


def _settings(data: bytes) -> bool:
    try:
        parse_settings(data, Path("curewatch.toml"))
    except SettingsError as error:
        if len(error.problems) > PROBLEMS + 1:
            raise AssertionError(f"{len(error.problems)} problems") from error
        return bounded(error, MESSAGE_CHARS * (PROBLEMS + 1))
    return True


def _body(model: type[BaseModel]) -> Callable[[bytes], bool]:
    """A JSON body, as the page reads it: refused with 422, or good for the desk."""

    def tried(data: bytes) -> bool:
        try:
            json.loads(data)
        except (ValueError, RecursionError):
            return False  # what the web framework says itself
        try:
            model.model_validate_json(data)
        except (ValidationError, InputError):
            return False
        return True

    return tried


JSON_SENSORS = (
    SensorSettings(id="s", room="R", topic="t", time="/time", battery="/battery"),
    SensorSettings(id="s", room="R", topic="t", temperature="/a/0/t", humidity="", unit="F", humidity_offset=-30),
    SensorSettings(id="s", room="R", topic="t", unit="K", temperature_offset=20, time="/~01"),
)


def _payload(data: bytes) -> object:
    sensor = JSON_SENSORS[data[0] % len(JSON_SENSORS)] if data else JSON_SENSORS[0]
    return read_payload(sensor, sensor.topic, data[1:], retained=False, received_at=NOW)


def _bare(data: bytes) -> object:
    sensor = SensorSettings(id="s", room="R", topic="t", reads="humidity" if data[:1] > b"M" else "temperature")
    return read_payload(sensor, "t" * 60_000, data[1:], retained=False, received_at=NOW)


def _time(data: bytes) -> object:
    zone = ZONES[data[0] % len(ZONES)] if data else UTC
    return typed.parse_time(_text(data[1:]), now=NOW, zone=zone)


def _logger(data: bytes) -> object:
    kind, rest = (data[0], data[1:]) if data else (0, data)
    layout = Layout(
        zone=ZONES[kind % len(ZONES)],
        unit="CFK"[kind % 3],
        time_format="%d/%m/%Y %H:%M" if kind & 16 else None,
        skip_bad=bool(kind & 32),
    )
    if kind & 64:  # the columns' names are typed too
        name, _, rest = rest.partition(b"\n")
        layout = Layout(time=_text(name), temperature="2", humidity=None)
    with LoggerCsv(BytesIO(rest), layout, name="log.csv", room="R", source="s", now=NOW) as record:
        return len(list(record.readings()))


def zipped(files: Mapping[str, bytes]) -> bytes:
    """A ZIP of these tables, by name; of the others the headings alone."""
    content = BytesIO()
    with ZipFile(content, "w") as made:
        for table, columns in TABLES.items():
            heading = ",".join(column.name for column in columns).encode()
            made.writestr(f"{table}.csv", files.get(table, b"kind,schema\nexport,1" if table == "about" else heading))
    return content.getvalue()


def _tables(data: bytes) -> object:
    """Each table after a byte that stands in no text, its name in the first line."""
    parts = (part.partition(b"\n") for part in data.split(b"\x1e"))
    return _unzipped(zipped({_text(name): rows for name, _, rows in parts}))


def _unzipped(content: bytes) -> object:
    return _gone_through(facts_in_tables(io.BytesIO(content), "all.zip"))


_AT = "2026-11-20T08:59:00Z"
_EXPORT = json.dumps({
    "readings": {"Loft": [{"room": "Loft", "at": _AT, "temp_c": 2e1, "received_at": _AT}]},
    **{kind: [] for kind in KINDS}, "schema": SCHEMA, "kind": "export", "rooms": [{"name": "Loft"}],
}).encode()  # fmt: skip


def _gone_through(facts: ExportedFacts) -> int:
    return sum(1 for some in (*facts.records.values(), facts.readings) for _ in some)


def _of_text(parse: Callable[[str], object], *seeds: str) -> Words:
    return Words(refusing(lambda data: parse(_text(data))), tuple(seed.encode() for seed in seeds))


OTHER_BODIES = (MoveIn, Undo, FingerIn, WeighingIn, SurfaceIn, StepIn, MuteIn)
_HEAD = b"time_utc,temp_c,rh_pct\n"
PARSERS: Mapping[str, Words] = {
    "sensor JSON": Words(
        refusing(_payload),
        (
            b'\x00{"temperature": 21.5, "humidity": "48", "time": "2026-11-20T08:59:00Z", "battery": 80}',
            b'\x00{"temperature": null, "humidity": 1e2, "time": 1795165140000}',
            b'\x01{"a": [{"t": 70}], "": 5}',
            b'\x02{"temperature": 294.2, "~1": 1795165140}',
            b'\x00{"temperature": NaN}',
        ),
    ),
    "sensor number": Words(refusing(_bare), (b"A21.5", b"A-127", b"Z85 ", b"Z1e400", b"A\xff")),
    "settings": Words(
        _settings,
        (
            b'zone = "Europe/Lisbon"\n[broker]\nhost = "localhost"\n[[sensors]]\nid = "loft"\nroom = "Loft"\n'
            b'topic = "shed/loft/+"\n[alarms]\ncold_mfft_c = 12\n',
            b'[web]\nenabled = true\n[[people]]\nname = "Ada"\nmail = "ada@shed.example"\nquiet = "22:00-07:00"\n'
            b'[mail]\nhost = "localhost"\nsender = "a@b.example"\n',
            b"[forecast]\nmembers = 12_000\ndays = 0x1f\n[rooms.Loft]\nair = 1979-05-27T07:32:00Z\n",
            b"a = inf\nb = nan\n[publish]\nroot = '''\n\\u00e9'''",
        ),
    ),
    "time": Words(
        refusing(_time),
        (b"\x00now", b"\x013 h ago", b"\x02yesterday 18:30", b"\x00last monday at 9:00 pm", b"\x012026-10-04 02:15",
         b"\x002026-10-25T01:30+01:00", b"\x0320260514T183000Z", b"\x0018:30:05.123"),
    ),
    "duration": _of_text(typed.parse_duration, "90 min", "1h30", "1.5 h", "1 d 4 h", "a week and 2 days"),
    "thickness": _of_text(typed.parse_thickness, "1.2mm", "80 mil", "1,200 um", "\u00b5m", "1e-3 m"),
    "length": _of_text(typed.parse_length, "25cm", '10"', "0,4 m"),
    "size": _of_text(typed.parse_shape, "40x50cm", "16 x 20 in", "12 1/2 x 8½ in", "40cm x 0.5m", "ø 16 in"),
    "volume": _of_text(typed.parse_volume, "250ml", "8 fl oz", "1,5 l"),
    "mass": _of_text(typed.parse_mass, "850g", "30 oz"),
    "weighing": _of_text(parse_weighing, "512", "512.5 g", "1,5 kg", "0"),
    "temperature": _of_text(typed.parse_temperature, "21C", "70 F", "\u221215 \u00b0C", "294K", "\u2103"),
    "humidity": _of_text(typed.parse_humidity, "50%", "50", "0.5", "48,5 %RH"),
    "air": _of_text(typed.parse_air, "still", "0.3 m/s", "60 ft/min"),
    "back": _of_text(typed.parse_back, "canvas", "5 W/m2K"),
    "fraction": _of_text(typed.parse_fraction, "0.30", "30%", "30"),
    "support": _of_text(typed.parse_support, "raw panel", "glass"),
    "tilt": _of_text(lambda text: levelling.TILT.parse(text, Field.TILT), "0.5deg", "3mm/m", "1e999 %"),
    "viscosity": _of_text(lambda text: levelling.VISCOSITY.parse(text, Field.VISCOSITY), "1Pa\u00b7s", "800 mPas"),
    "form number": _of_text(lambda text: typed.parse_temperature(with_unit(text, "C")), "18,5", "\u22125", "64 F"),
    "room CSV": Words(
        refusing(lambda data: len(parse_room_csv(data, "room.csv"))),
        (_HEAD + b"2026-05-14T18:30:00Z,21.5,48\n2026-05-14T18:40:00Z,21.4,48.5\n", _HEAD + b'"2026",1,2\n', _HEAD),
    ),
    "logger CSV": Words(
        refusing(_logger),
        (
            b"\x00" + _HEAD + b"2026-05-14T18:30:00,21.5,48\n2026-10-25 01:30,,\n",
            b"\x10Logger 7\ntime_utc;temp_c;rh_pct\n25/10/2026 01:30;21,5;48 %\n",
            b"\x20" + _HEAD + b"0001-01-01T00:00:00+05:00,21.5,48\n",
            b"\x402\n1;2\nnan;5\n",
        ),
    ),
    "photo": Words(refusing(lambda data: len(picture_of(data, "photo.jpg").jpeg)), (jpeg(), png(), b"GIF89a")),
    "export": Words(
        refusing(lambda data: _gone_through(facts_in_json(io.BytesIO(data), "all.json"))),
        (_EXPORT, b'{"schema": 1, "kind": "export", "rooms": [{"name": "Loft"}]}', b"[NaN]", b"\xef\xbb\xbf{}"),
    ),
    "tables": Words(
        refusing(_tables),
        (
            b"rooms\nname\n'=Loft\n\x1ereadings\nroom;at;temp_c;received_at\n"
            b"'=Loft;2026-11-20T08:59:00Z;21,5;2026-11-20 09:59:00+01:00\n",
            b"pieces\nid,name,created_at\n1,\"Tern\",2026-11-20T08:59:00Z\n\x1emix_parts\nrecipe,material,amount\n"
            b"tide,water,1e-1\ntide,paint,1\n\x1emixes\nrecipe\ntide\n",
            b"notices\nkey,kind,created_at,title,text\na,test,2026-11-20T08:59:00Z,A,\n\x1enotice_data\n"
            b"key,path,type,value\na,/a,array,\na,/a/1,integer,-5\na,/a/0,null,\na,/b~1,object,\na,/b~1/,number,1e5\n"
            b"a,/c,boolean,TRUE\na,/d,string,'-\n",
            b"about\n\xef\xbb\xbfkind\tschema\nexport\t1\n",
        ),
    ),
    "tables in a ZIP": Words(refusing(_unzipped), (zipped({"rooms": b"name\nLoft\n"}), b"PK\x05\x06" + bytes(18))),
    "body of a pour": Words(
        _body(PourIn),
        (b'{"name": "Tern", "room": "Loft", "wet_thickness_mm": 1.2, "at": "2026-11-20T08:00:00Z", "width_cm": 40}',
         b'{"name": 1}'),
    ),
    "body of a reading": Words(
        _body(ReadingIn), (b'{"room": "Loft", "temp_c": 21, "rh_pct": 48, "at": "2026-11-20T08:00:00+01:00"}', b"[]")
    ),
    "other bodies": Words(
        lambda data: sum(_body(one)(data) for one in OTHER_BODIES) > 0,
        (b'{"room": "Loft", "place": "rack 1"}', b'{"hours": 2}', b'{"done": "pour", "of": ["1"]}',
         b'{"kind": "weighing", "grams": 512}', b'{"kind": "finger", "finger": "dry"}'),
    ),
}  # fmt: skip


def flawed(name: str, inputs: Sequence[bytes]) -> list[tuple[bytes, Exception]]:
    """Those of `inputs` on which the parser did what it may not."""
    found = []
    for data in inputs:
        try:
            PARSERS[name].try_(data)
        except Exception as error:
            found.append((data, error))
    return found
