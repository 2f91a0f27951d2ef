"""Exports as large as one likes, written as they are made, and how much memory it takes to have one in."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

from curewatch.desk.transfer.exporting import KINDS, SCHEMA, TABLES

BEGIN = datetime(2020, 1, 1, tzinfo=UTC)
ROOMS = 40
"""The readings are of so many sensors, one in each room."""
TAKEN_IN = """
import sys
from pathlib import Path
from curewatch.desk import Desk
from curewatch.desk.transfer.importing import import_facts
from curewatch.intake.files.export_file import export_at
from curewatch.settings import Settings
from curewatch.store import Store

def peak_kb():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])

with Store.open(sys.argv[2]) as store:
    before = peak_kb()
    with export_at(sys.argv[1]) as facts:
        counts = import_facts(Desk(store, Settings(zone="UTC")), facts)
    print(before, peak_kb(), sum(counts.values()))
"""

RECORD_IN = """
import sys
from pathlib import Path
import requests
from curewatch.cli import main
from curewatch.cli.commands import transfer
from tests.shell.web_parts import served

def peak_kb():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])

file, store, by = sys.argv[1:]
with served(Path(store).parent) as studio:
    studio.get("/")
    before = peak_kb()
    if by == "command":
        main(["--store", store, "import-readings", file, "--room", "Shed"])
    else:
        with open(file, "rb") as body:
            address = f"{studio.url}/api/v1/readings.csv?room=Shed"
            answer = requests.post(address, data=body, headers={"content-type": "text/csv"}, timeout=120)
        assert answer.status_code == 201, answer.text
    after = peak_kb()
    with studio.store.read() as tx:
        print(before, after, tx.count_readings("Shed"))
"""


def rows_of(kind: str, pieces: int) -> Iterator[dict[str, Any]]:
    """Of pieces that have all left again."""
    poured, left = BEGIN.isoformat(), (BEGIN + timedelta(days=90)).isoformat()
    if kind == "rooms":
        yield from ({"name": f"Room {n}"} for n in range(ROOMS))
    elif kind == "recipes":
        yield {"name": "river blend"}
    for n in range(1, pieces + 1):
        room = f"Room {n % ROOMS}"
        match kind:
            case "pieces":
                yield {"id": n, "name": f"Piece {n}", "created_at": poured, "gone_at": left}
            case "stays":
                yield {"piece_id": n, "room": room, "place": f"rack {n % 9}", "since": poured}
            case "pours":
                yield {
                    "piece_id": n, "at": poured, "wet_thickness_m": 0.0012, "thickness_source": "gauge",
                    "recipe": "river blend",
                }  # fmt: skip
            case "notices":
                yield {
                    "key": f"k{n}", "kind": "milestone", "created_at": left, "title": f"Piece {n} is dry",
                    "text": f"Piece {n} in {room} may be handled. " * 4, "data": {"piece": n, "pieces": [f"Piece {n}"]},
                }  # fmt: skip


def readings_of(room: int, count: int) -> Iterator[dict[str, Any]]:
    for n in range(count):
        at = (BEGIN + timedelta(seconds=37.5 * n)).isoformat()
        yield {
            "room": f"Room {room}", "at": at, "temp_c": 18 + n % 50 / 10, "rh_pct": 40.0 + n % 37,
            "source": f"sensor {room}", "received_at": at,
        }  # fmt: skip


def write_json(path: Path, *, pieces: int, readings: int) -> None:
    """`readings` of each room."""

    def put(some: Iterator[dict[str, Any]]) -> None:
        out.write("[")
        for n, one in enumerate(some):
            out.write((",\n" if n else "\n") + json.dumps(one))
        out.write("]")

    with path.open("w") as out:
        out.write(f'{{"schema": {SCHEMA}, "kind": "export"')
        for kind in KINDS:
            out.write(f', "{kind}": ')
            put(rows_of(kind, pieces))
        out.write(', "readings": {')
        for room in range(ROOMS):
            out.write(f'{", " if room else ""}"Room {room}": ')
            put(readings_of(room, readings))
        out.write("}}")


def write_zip(path: Path, *, pieces: int, readings: int) -> None:
    """The same as tables."""
    with ZipFile(path, "w", ZIP_DEFLATED, compresslevel=1) as files:

        def put(table: str, some: Iterator[dict[str, Any]], columns: tuple[str, ...] = ()) -> None:
            with files.open(f"{table}.csv", "w", force_zip64=True) as raw, io.TextIOWrapper(raw, "utf-8") as text:
                writer = csv.writer(text)
                for n, one in enumerate(some):
                    if n == 0:
                        writer.writerow(one)
                    writer.writerow(one.values())
                if columns:
                    writer.writerow(columns)

        put("about", iter([{"kind": "export", "schema": SCHEMA}]))
        for kind in ("rooms", "recipes", "pieces", "stays", "pours"):
            put(kind, rows_of(kind, pieces))
        for empty in ("mixes", "mix_parts", "steps", "observations", "damages"):
            put(empty, iter(()), tuple(column.name for column in TABLES[empty]))
        put("notices", ({k: v for k, v in one.items() if k != "data"} for one in rows_of("notices", pieces)))
        put("notice_data", (
            {"key": f"k{n}", "path": path, "type": kind, "value": value}
            for n in range(1, pieces + 1)
            for path, kind, value in (
                ("/piece", "integer", n), ("/pieces", "array", ""), ("/pieces/0", "string", f"Piece {n}"),
            )
        ))  # fmt: skip
        put("readings", (one for room in range(ROOMS) for one in readings_of(room, readings)))


def write_record(path: Path, length: int) -> int:
    """A logger's file of nearly that many bytes, wide as loggers write that say much beside; the number of its rows."""
    rows = 0
    with path.open("w") as out:
        out.write("time_utc,temp_c,rh_pct,note\n")
        while out.tell() < length - 550:
            out.write(f"{(BEGIN + timedelta(minutes=rows)).isoformat()},19.5,55.25,{'-' * 480}\n")
            rows += 1
    return rows


def peak_mb(export: Path, store: Path) -> tuple[float, float, int]:
    """Before and after it was taken into a new store, at its most so far; and how many facts went in."""
    argv = [sys.executable, "-c", TAKEN_IN, str(export), str(store)]
    before, after, facts = subprocess.run(argv, check=True, capture_output=True, text=True).stdout.split()
    return int(before) / 1024, int(after) / 1024, int(facts)
