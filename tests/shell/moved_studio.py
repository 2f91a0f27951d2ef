"""A studio in which everything has happened, one in which nothing has, and the files that go from one to the other."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

import pytest

from curewatch.demo import seed_demo
from curewatch.desk import Desk
from curewatch.desk.commands import pours
from curewatch.desk.commands.correcting import PourChange, correct, delete
from curewatch.desk.commands.naming import rename
from curewatch.desk.transfer.exporting import as_json, write_tables
from curewatch.desk.transfer.importing import ExportedFacts
from curewatch.intake.files.export_file import facts_in_tables
from curewatch.intake.files.export_json import facts_in_json
from curewatch.records import Recipe, SensorTrust, Trust
from curewatch.records.corrections import Naming
from curewatch.records.facts import Finger, Forgetting, Observation, ObservationKind, Subject
from curewatch.records.workshop import Paint, Part, Photo, PhotoKind, Promise, RecipeMix, StepDone, Tilt
from curewatch.settings import Settings
from curewatch.store import Store
from tests.refreshing import refresh
from tests.shell.derived import drop_forecasts

NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)
LATER = NOW + timedelta(minutes=30)
SETTINGS = Settings.model_validate({"zone": "Europe/Lisbon", "forecast": {"members": 2, "days": 10}})


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A studio in which everything has happened; nobody writes to it."""
    with Store.open(tmp_path_factory.mktemp("old") / "old.sqlite") as store:
        desk = Desk(store, SETTINGS)
        live_in(desk)
        yield desk


@pytest.fixture
def new(tmp_path: Path) -> Iterator[Desk]:
    """One in which nothing has."""
    with Store.open(tmp_path / "new.sqlite") as store:
        yield Desk(store, SETTINGS)


def everything(desk: Desk) -> dict[str, Any]:
    """What an export in JSON tells."""
    found: dict[str, Any] = json.loads("".join(as_json(desk)))
    return found


def from_json(data: Mapping[str, Any]) -> ExportedFacts:
    text = json.dumps(data).replace("Infinity", "1e999")  # as JSON can write it
    return facts_in_json(io.BytesIO(text.encode()), "all.json")


def from_tables(content: bytes) -> ExportedFacts:
    return facts_in_tables(io.BytesIO(content), "all.zip")


def held(facts: ExportedFacts) -> ExportedFacts:
    """The same, all of it but the readings read."""
    return replace(facts, records={kind: list(some) for kind, some in facts.records.items()})


@pytest.fixture(scope="module")
def tables(old: Desk) -> bytes:
    """All that the old studio tells, as a ZIP of CSV files."""
    return tables_of(old)


def live_in(desk: Desk) -> None:
    """Log every kind of thing."""
    seed_demo(desk, NOW)
    parts = (Part(material="fluid paint", amount=1), Part(material="water", amount=0.1))
    blend = Recipe(name="river blend", solids=0.31, glycol=0.032, stated=True)
    with desk.store.write() as tx:
        tx.put_recipe(blend)
        tx.put_mix(RecipeMix(recipe=blend.name, parts=parts))
        piece, other = tx.pieces()[0].id, tx.pieces()[1]
        tx.put_tilt(Tilt(piece_id=piece, measured_at=NOW, tilt_rad=0.003))
        tx.put_paint(Paint(piece_id=piece, poured_m3=1.9e-4, ran_off_m3=4.5e-5))
        seen = {"piece_id": piece, "at": NOW}
        felt = tx.add_observation(Observation(**seen, kind=ObservationKind.FINGER, finger=Finger.TOUCH_DRY))
        weighed = Observation(**seen, kind=ObservationKind.WEIGHING, grams=512.25, resolution_g=0.5)
        tx.add_observation(weighed)
        tx.undo_observation(felt.id)  # so that numbers have a gap
        tx.add_observation(felt)
        tx.add_photo(
            Photo(piece_id=piece, kind=PhotoKind.WET, at=NOW, sha256="0" * 64, width_px=40, height_px=30, logged_at=NOW)
        )
        step = tx.add_step(StepDone(piece_id=piece, step="drips", done_at=NOW, recorded_at=NOW))
        tx.undo_step(step.id, NOW)
        tx.add_sensor_trust(
            SensorTrust(
                room=tx.rooms()[0].name,
                source="post",
                at=NOW,
                trust=Trust.OFFSET,
                temp_offset_c=-0.5,
                rh_offset_pct=1.5,
                logged_at=NOW,
            )
        )
        tx.put_forgetting(Forgetting(subject=Subject.RECIPE, name=blend.name, at=NOW))
        tx.set_gone(other.id, NOW)
        drop_forecasts(tx)  # so that all are made at one moment, as after taking in
    wanted = Promise(piece_id=0, due_at=LATER + timedelta(days=9), occasion="fair", logged_at=LATER)
    pours.promise(desk, desk_pieces(desk)[1], wanted, LATER)
    correct(desk, desk_pieces(desk)[0], PourChange(silicone=True, place="shelf 7"), LATER)
    delete(desk, desk_pieces(desk)[-1], LATER)
    rename(desk, Naming.RECIPE, blend.name, "estuary blend", LATER)
    refresh(desk, LATER)


def desk_pieces(desk: Desk) -> list[str]:
    with desk.store.read() as tx:
        return [piece.name for piece in tx.pieces()]


def tables_of(desk: Desk, now: datetime = LATER) -> bytes:
    out = io.BytesIO()
    write_tables(desk, now, out)
    return out.getvalue()


def files_of(content: bytes) -> dict[str, str]:
    with ZipFile(io.BytesIO(content)) as files:
        return {name: files.read(name).decode() for name in files.namelist()}


def zipped_again(files: Mapping[str, str | bytes]) -> bytes:
    out = io.BytesIO()
    with ZipFile(out, "w", ZIP_DEFLATED) as made:
        for name, text in files.items():
            made.writestr(name, text)
    return out.getvalue()


def rows(content: bytes, table: str) -> Iterator[dict[str, str]]:
    return csv.DictReader(io.StringIO(files_of(content)[f"{table}.csv"], newline=""))
