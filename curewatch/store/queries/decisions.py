"""Forecasts and alarms: what follows from the facts, one current row per subject."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from sqlalchemy import RowMapping, delete, func, select, text

from curewatch.records import Alarm, Forecast
from curewatch.store import tables
from curewatch.store.queries.base import Rows


class Decisions(Rows):
    """The current forecast of each piece and the state of each alarm."""

    def put_forecasts(self, forecasts: Iterable[Forecast]) -> None:
        """Make these the current forecasts of their pieces."""
        for forecast in forecasts:
            row = forecast.model_dump(exclude={"milestones"})
            row["milestones"] = [milestone.model_dump(mode="json") for milestone in forecast.milestones]
            self._put(tables.forecasts, row, ["piece_id"], given=forecast)

    def forecasts(self, piece_ids: Collection[int] | None = None) -> dict[int, Forecast]:
        """By piece id, the current forecast of each of these pieces (None: of all) that has one."""
        forecasts = tables.forecasts.c
        query = select(tables.forecasts).order_by(forecasts.piece_id)
        if piece_ids is not None:
            query = query.where(forecasts.piece_id.in_(piece_ids))
        return {row["piece_id"]: Forecast(**row) for row in self._connection.execute(query).mappings()}

    def decided_mark(self) -> str:
        """Changes whenever a forecast is made or an alarm is judged otherwise; cheap."""
        forecasts, alarms = tables.forecasts.c, tables.alarms.c
        made = self._connection.execute(select(func.count(), func.max(forecasts.made_at))).one()
        query = select(alarms.id, alarms.state, alarms.raised_at, alarms.acknowledged_at, alarms.muted_until)
        judged = self._connection.execute(query.order_by(alarms.id)).all()
        return str(hash((tuple(made), tuple(tuple(row) for row in judged))))

    def drop_forecasts(self) -> None:
        """Forget every forecast; they are derived, and are made again."""
        self._connection.execute(delete(tables.forecasts))

    def alarms(self) -> list[Alarm]:
        """The state of every alarm ever judged, those in state normal too, in the order they first appeared."""
        found = self._connection.execute(select(tables.alarms).order_by(tables.alarms.c.id))
        return [_alarm(row) for row in found.mappings()]

    def put_alarms(self, alarms: Iterable[Alarm]) -> None:
        """Make these the states of their alarms. An alarm is known by its kind, room and piece (or no piece)."""
        for alarm in alarms:
            key, where = ["kind", "room"], "piece_id IS NULL"
            if alarm.piece_id is not None:
                key, where = [*key, "piece_id"], "piece_id IS NOT NULL"
            self._put(tables.alarms, alarm.model_dump(), key, where=text(where), given=alarm)


def _alarm(row: RowMapping) -> Alarm:
    values: dict[str, Any] = dict(row)
    del values["id"]  # only gives the order; an alarm's identity is its subject
    return Alarm(**values)
