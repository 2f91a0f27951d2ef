"""Readings of long ago are let go, and nothing that was or will be told is another for it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import astuple
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from curewatch.cli import main
from curewatch.daemon.backups import Backups
from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings, thin, thinning_due
from curewatch.desk.reports.cure_record import cure_record_of
from curewatch.records import Reading
from curewatch.records.facts import TYPED
from curewatch.records.rollup import ReadingColumns, columns_of
from curewatch.store import Store, Transaction
from curewatch.store.engine import to_micros
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.parts import HandClock
from tests.shell.test_desk import HOUR, MINUTE, SHED, forecasts, order, reading, settings_of
from tests.whole.rooms import rows_of

DAY, EVERY_S, DAYS = timedelta(days=1), 60, 9
ROOMS = ("house_living_be.csv", "semiwarm_room_fi.csv", "cold_attic_fi.csv")


def finely(recording: str) -> list[Reading]:
    """A recorded room as a sensor would have sent it that speaks every minute, with its noise and a few spikes."""
    rows, rng = rows_of(recording, (DAYS + 1) * 288), np.random.default_rng(2)
    at_s = np.array([row.at.timestamp() for row in rows])
    times = np.arange(0, DAYS * 86400, EVERY_S) + rng.uniform(0, 1, DAYS * 86400 // EVERY_S)
    temp = np.interp(at_s[0] + times, at_s, [row.temp_c for row in rows]) + rng.normal(0, 0.05, len(times))
    rh = np.interp(at_s[0] + times, at_s, [row.rh_pct for row in rows]) + rng.normal(0, 0.3, len(times))
    temp[rng.random(len(times)) < 2e-4] += 20
    return [
        reading(NOON + timedelta(seconds=round(s, 3)), round(t, 2), min(round(r, 1), 100.0), source="post")
        for s, t, r in zip(times.tolist(), temp.tolist(), rh.tolist(), strict=True)
    ]


def as_read(
    tx: Transaction, room: str, *, since: datetime | None = None, until: datetime | None = None
) -> ReadingColumns:
    """Every single reading, as views read them before days were rolled up."""
    some = tx.readings(room, since=since, until=until)
    names = sorted({one.source for one in some})
    temp, rh = (np.array([getattr(one, name) for one in some], dtype=float) for name in ("temp_c", "rh_pct"))
    numbers = np.array([names.index(one.source) for one in some], dtype=np.int64)
    return columns_of(
        np.array([to_micros(one.at) for one in some]), temp, rh, numbers, names, np.zeros(len(some), bool)
    )


@pytest.mark.parametrize("recording", ROOMS)
def test_dates_alarms_and_records_are_the_same_from_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, recording: str
) -> None:
    told: list[Any] = []
    for thinned in (False, True):
        with Store.open(tmp_path / f"{thinned}.sqlite") as store:
            desk, readings = Desk(store, settings_of(sensors=(SHED,))), finely(recording)
            log_pour(desk, order(), NOON)
            if not thinned:
                monkeypatch.setattr(Transaction, "reading_columns", as_read)
                monkeypatch.setattr("curewatch.desk.snapshot.air._rolled", lambda columns: columns)
            for day in range(DAYS):
                now = NOON + (day + 1) * DAY
                store_readings(desk, [one for one in readings if now - DAY <= one.at < now])
                if thinned:
                    with store.write() as tx:
                        tx.thin(now, 100)
                refresh(desk, now)
            monkeypatch.undo()
            record = cure_record_of(desk, "Heron", now)
            assert record.whole_air is not None
            with store.read() as tx:
                happened = [(one.kind, one.happening, round(one.at.timestamp())) for one in tx.alarm_events(limit=1000)]
                notices = [one.key for one in tx.notices(limit=1000)]
                assert (tx.thinned_until() is not None) is thinned
            dates = [
                (at - NOON) / HOUR
                for one in forecasts(store)[1].milestones
                for at in (one.early_at, one.worth_checking_at, one.safe_at)
                if at is not None
            ]
            whole = record.whole_air
            air = [*astuple(whole.temp_c), *astuple(whole.rh_pct), whole.cold_h, whole.damp_h, whole.hot_h, whole.dry_h]
            told.append((happened, notices, dates, air))
    assert told[0][:2] == told[1][:2]
    assert len(told[0][2]) == len(told[1][2]) > 6
    assert told[1][2] == pytest.approx(told[0][2], rel=5e-3)
    assert told[1][3] == pytest.approx(told[0][3], rel=5e-3, abs=0.1)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield Desk(store, settings_of(readings={"keep_days": 7}))


def test_readings_go_when_the_settings_say_and_every_way_out_says_what_is_left(
    desk: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    some = finely(ROOMS[0])
    store_readings(desk, some)
    typed = reading(NOON + HOUR, 19.5, 51.0, source=TYPED)
    store_readings(desk, [typed])
    with desk.store.read() as tx:
        due = thinning_due(tx, desk.settings)
        assert due is not None
        assert due == NOON.replace(hour=0, minute=0, second=0, microsecond=0) + 8 * DAY
        before = tx.counts()["readings"]
    assert not thin(desk, due - timedelta(seconds=1))
    backups = Backups(desk, HandClock(NOON + 90 * DAY))
    backups._thin()
    with desk.store.read() as tx:
        assert thinning_due(tx, desk.settings) is None
        until = tx.thinned_until()
        assert until is not None
        left = tx.readings(SHED)
        assert tx.counts()["readings"] == before, "what was read is counted still"
        assert len(left) < before / 4
        assert typed in left
        assert tx.newest_by_source()[SHED, "post"] == some[-1], "the last word stays as it was"
    with desk.store.write() as tx:
        assert tx.add_readings(some[:5000]) == 0, "five minutes that were read stand"
        late = reading(NOON - HOUR, 21.0, 40.0, source="post")
        assert tx.add_readings([late]) == 1
        tx.pack()
        assert tx.readings(SHED, until=NOON - MINUTE)[0].temp_c == 21.0
        assert tx.thinned_until() == until
    store = str(tmp_path / "studio.sqlite")
    main(["--store", store, "export"])
    out = json.loads(capsys.readouterr().out)
    assert datetime.fromisoformat(out["means_until"]) == until
    main(["--store", store, "export", "--csv", str(tmp_path / "all.zip")])
    assert "single ones were let go" in capsys.readouterr().out
    main(["--store", str(tmp_path / "new.sqlite"), "import", str(tmp_path / "all.zip")])
    with Store.open(tmp_path / "new.sqlite") as again, again.read() as tx, desk.store.read() as old:
        assert [one.temp_c for one in tx.readings(SHED)] == [one.temp_c for one in old.readings(SHED)]


def test_a_roll_up_that_is_not_what_was_read_is_made_anew_before_anything_goes(desk: Desk) -> None:
    some = finely(ROOMS[1])
    store_readings(desk, some)
    with desk.store.write() as tx:
        tx.thin(NOON + DAY, 1)
        source, day = tx._connection.exec_driver_sql("SELECT source_id, day FROM raw_days ORDER BY day LIMIT 1").one()
        raw, right = tx._raw_day(source, day), tx._rolled_day(source, day)
        assert raw is not None
        assert right is not None
        tx._put_rolled(source, day, right._replace(temp_c=right.temp_c + 1))
        tx.thin(NOON + 3 * DAY, 1)
        assert tx._raw_day(source, day) == raw, "it stays"
        assert tx._rolled_day(source, day).temp_c.tolist() == right.temp_c.tolist()  # type: ignore[union-attr]
        tx.thin(NOON + 3 * DAY, 1)
        assert tx._raw_day(source, day) is None
