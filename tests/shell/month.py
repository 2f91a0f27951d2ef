"""A month in a recorded room, replayed through the desk and the outbox on a store: what one person is sent.

The dates are the model's own over the recorded air, made in one go with the whole record in hand: they say when a
piece really comes to each stage there. A forecast made on the way would move about them; what is counted here is what
becomes of a date once it is reached.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from curewatch.clock import RELEASED
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour, log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.refresh.forecasts import MadeForecasts, StaleForecasts
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.intake.files.room_csv import read_room_csv
from curewatch.notify import Outbox
from curewatch.notify.routing import not_before, people_channels
from curewatch.records import DeliveryState, Forecast, Notice, Reading, ThicknessSource
from curewatch.settings import ForecastSettings, MailSettings, PersonSettings, SensorSettings, Settings
from curewatch.store import Store, Transaction
from tests.refreshing import refresh, refresher_of
from tests.shell.parts import HandClock
from tests.whole.rooms import folder

PIECES, DAYS, POURING_DAYS = 20, 30, 21
SERIES = sorted(folder().glob("*.csv"))
ADA = "mail:Ada"
ROOM = "Boat shed"
YEAR = timedelta(days=364)
"""Whole weeks: the record is moved on by these until a clock that shows its time can be believed."""


@dataclass
class Post:
    """Ada's mail, with the moment of each message."""

    clock: HandClock
    name: str = ADA
    sent: list[tuple[datetime, Notice]] = field(default_factory=list)

    def send(self, notice: Notice) -> None:
        self.sent.append((self.clock.now(), notice))

    @property
    def busiest_hour(self) -> int:
        times = [at for at, _ in self.sent]
        return max((sum(at <= other <= at + timedelta(hours=1) for other in times) for at in times), default=0)

    def told_at(self) -> dict[str, datetime]:
        """By key, when the notice was first told, by itself or within another."""
        found: dict[str, datetime] = {}
        for at, notice in self.sent:
            for key in (notice.key, *notice.data.get("members", ())):
                found.setdefault(key, at)
        return found


class FromTheRecord:
    """Gives each piece, once, the dates it has been given; stands where the desk makes its forecasts."""

    def __init__(self, forecasts: dict[str, Forecast]) -> None:
        self._forecasts = forecasts

    def stale(self, tx: Transaction, snapshot: Snapshot, now: datetime) -> StaleForecasts:
        return StaleForecasts()

    def make(self, snapshot: Snapshot, stale: StaleForecasts, now: datetime) -> MadeForecasts:
        new = [drying.piece for drying in snapshot.dryings if drying.piece.id not in snapshot.forecasts]
        return MadeForecasts(
            [self._forecasts[piece.name].model_copy(update={"piece_id": piece.id, "made_at": now}) for piece in new]
        )


class Month:
    """The studio of one person, moved on step by step."""

    def __init__(
        self, store: Store, start: datetime, rooms: Sequence[str] = (ROOM,), *, members: int = 4, **person: Any
    ) -> None:
        self.settings = settings(rooms, members, **person)
        self.clock, self.store = HandClock(start), store
        self.desk, self.post = Desk(store, self.settings), Post(self.clock)
        self.outbox = Outbox(
            store,
            {ADA: self.post},
            self.clock,
            random.Random(1),
            timedelta(days=3),
            not_before=lambda channel, notice, at: not_before(self.settings, channel, notice, at),
            people=people_channels(self.settings),
        )

    @property
    def ada(self) -> PersonSettings:
        return self.settings.people[0]

    def step(self, readings: Sequence[Reading], by: timedelta) -> None:
        """The readings of this step come in, and the daemon looks."""
        now = self.clock.move(by)
        if readings:
            store_readings(self.desk, readings)
        refresh(self.desk, now)
        self.outbox.deliver_due(now, ADA)

    def notices(self) -> list[Notice]:
        with self.store.read() as tx:
            return tx.notices(limit=10_000)

    def unsent(self) -> set[str]:
        """The keys of notices that something newer has made say nothing any more, or that still wait."""
        with self.store.read() as tx:
            return {d.notice.key for d in tx.deliveries() if d.state is not DeliveryState.DELIVERED}


def settings(rooms: Sequence[str] = (ROOM,), members: int = 4, **person: Any) -> Settings:
    sensors = tuple(SensorSettings(id=f"s{i}", room=room, topic=f"shed/{i}") for i, room in enumerate(rooms))
    ada = PersonSettings.model_validate({"name": "Ada", "mail": "ada@shed.example", **person})
    mail = MailSettings(host="127.0.0.1", sender="shed@shed.example")
    return Settings(
        zone="UTC", sensors=sensors, mail=mail, people=(ada,), forecast=ForecastSettings(members=members, days=DAYS + 1)
    )


def reading(at: datetime, temp_c: float, rh_pct: float, room: str = ROOM, source: str = "s0") -> Reading:
    return Reading(room=room, at=at, temp_c=round(temp_c, 2), rh_pct=round(rh_pct, 1), source=source, received_at=at)


def record_of(series: Path) -> list[Reading]:
    """The room's readings, moved to a time that can be."""
    recorded = read_room_csv(str(series))
    first = datetime.fromtimestamp(float(recorded.epoch_s[0]), UTC)
    by = YEAR * -((first - RELEASED - timedelta(days=1)) // YEAR)
    columns = zip(recorded.epoch_s, recorded.temp_c, recorded.rh_pct, strict=True)
    return [reading(datetime.fromtimestamp(float(s), UTC) + by, float(t), float(rh)) for s, t, rh in columns]


def pours_of(name: str, start: datetime) -> list[PourOrder]:
    """Twenty pours over the first three weeks, as a studio does: one or two a day."""
    chance = random.Random(name)
    hours = sorted(chance.uniform(0, POURING_DAYS * 24) for _ in range(PIECES))
    return [
        PourOrder(
            f"Piece {k}", ROOM, start + timedelta(hours=h), chance.uniform(0.8, 1.6) * 1e-3, ThicknessSource.GAUGE
        )
        for k, h in enumerate(hours, 1)
    ]


def dates_of(
    record: Sequence[Reading], pours: Sequence[PourOrder], end: datetime, scratch: Path
) -> dict[str, Forecast]:
    """By piece, the model's dates over the recorded air, as they can be known at the month's `end`."""
    with Store.open(scratch) as store:
        desk = Desk(store, settings())
        store_readings(desk, [one for one in record if one.at <= end])
        log_pours(desk, pours, end)
        refresh(desk, end)
        with store.read() as tx:
            names = {piece.id: piece.name for piece in tx.pieces()}
            return {names[piece]: forecast for piece, forecast in tx.forecasts().items()}


def replay(
    series: Path, folder: Path, step: timedelta, days: int = DAYS, **person: Any
) -> tuple[Month, dict[str, Forecast], Store]:
    """The month; with the dates there were to tell, and the store, to be closed."""
    record = record_of(series)
    start = record[0].at.replace(hour=record[0].at.hour // 4 * 4, minute=0)
    end = start + timedelta(days=days)
    pours = [one for one in pours_of(series.stem, start) if one.at <= end]
    dates = dates_of(record, pours, end, folder / f"{series.stem}-dates.sqlite")
    store = Store.open(folder / f"{series.stem}.sqlite")
    month = Month(store, start, **person)
    refresher_of(month.desk)._forecasts = FromTheRecord(dates)  # type: ignore[assignment]  # stands in for the model at work
    index = 0
    while month.clock.now() < end:
        until = month.clock.now() + step
        while pours and pours[0].at <= until:
            log_pour(month.desk, pours.pop(0), until)
        first = index
        while index < len(record) and record[index].at <= until:
            index += 1
        month.step(record[first:index], step)
    return month, dates, store
