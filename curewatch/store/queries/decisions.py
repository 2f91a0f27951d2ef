"""What follows from the facts: forecasts and their checkpoints, alarms and their history, damage."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, RowMapping, bindparam, delete, func, insert, literal, select, text, update

from curewatch.records import Alarm, AlarmEvent, Damage, Forecast
from curewatch.records.decisions import Checkpoint
from curewatch.store import tables
from curewatch.store.queries.base import Rows
from curewatch.store.tables import checkpoints


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

    def drop_forecasts(self, piece_ids: Collection[int]) -> None:
        """What they say holds no more; they are made again at the next look."""
        self._execute(delete(tables.forecasts).where(tables.forecasts.c.piece_id.in_(piece_ids)), given=piece_ids)

    def decided_mark(self) -> str:
        """Changes whenever a forecast is made or an alarm is judged otherwise; cheap."""
        forecasts, alarms = tables.forecasts.c, tables.alarms.c
        made = self._connection.execute(select(func.count(), func.max(forecasts.made_at))).one()
        query = select(alarms.id, alarms.state, alarms.raised_at, alarms.acknowledged_at, alarms.muted_until)
        judged = self._connection.execute(query.order_by(alarms.id)).all()
        return str(hash((tuple(made), tuple(tuple(row) for row in judged))))

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


_EVENTS, _DAMAGES = tables.alarm_events.c, tables.damages.c
_EVENT_COLUMNS = [_EVENTS[name] for name in AlarmEvent.model_fields]
_DAMAGE_COLUMNS = [_DAMAGES[name] for name in Damage.model_fields]


class AlarmHistory(Rows):
    """The history of alarms (only ever added to), and damage (counted on until a person clears it)."""

    def add_alarm_events(self, events: Iterable[AlarmEvent]) -> None:
        """Add lines to the history."""
        rows = [event.model_dump() for event in events]
        if rows:
            self._execute(insert(tables.alarm_events), rows, given=rows)

    def alarm_events(self, *, room: str | None = None, limit: int = 100) -> list[AlarmEvent]:
        """The newest lines of the history (of that room), newest first."""
        query = select(*_EVENT_COLUMNS).order_by(_EVENTS.at.desc(), _EVENTS.id.desc()).limit(limit)
        if room is not None:
            query = query.where(_EVENTS.room == room)
        return self._records(AlarmEvent, query)

    def damages(self, piece_ids: Collection[int] | None = None) -> list[Damage]:
        """Damage of these pieces (None: of all), cleared or not, the oldest first."""
        query = select(*_DAMAGE_COLUMNS).order_by(_DAMAGES.id)
        return self._records(Damage, query, _DAMAGES.piece_id, piece_ids)

    def put_damages(self, damages: Iterable[Damage]) -> None:
        """Make these the open counts of their pieces and kinds."""
        for damage in damages:
            key, where = ["piece_id", "kind"], text("cleared_at IS NULL")
            self._put(tables.damages, damage.model_dump(), key, where=where, given=damage)

    def clear_damages(self, piece_id: int, at: datetime) -> int:
        """A person has looked the piece over: the number of damages that no longer stand against it."""
        open_ = update(tables.damages).where(_DAMAGES.piece_id == piece_id, _DAMAGES.cleared_at.is_(None))
        return self._execute(open_.values(cleared_at=at), given=(piece_id, at)).rowcount


_AT_ONCE = 500
"""Pieces asked for in one query: databases bound the number of parameters."""


class Checkpoints(Rows):
    """The states of pieces' members as of a whole hour, which may be dropped and are rebuilt."""

    def put_checkpoints(self, kept: Iterable[Checkpoint]) -> None:
        """Make these the kept marches of their pieces."""
        rows = [one.model_dump() for one in kept]
        if not rows:
            return
        pieces = [row["piece_id"] for row in rows]
        for some in _in_parts(pieces):
            gone = delete(checkpoints).where(checkpoints.c.piece_id.in_(some))
            self._execute(gone, given=pieces)
        self._execute(insert(checkpoints), rows, given=pieces)

    def checkpoints(self, piece_ids: Collection[int], *, centres_only: bool = False) -> dict[int, Checkpoint]:
        """By piece, what is kept of it; with `centres_only` the members, which are most of it, are left out."""
        columns: list[ColumnElement[Any]] = [
            column for column in checkpoints.c if not (centres_only and column.name == "members")
        ]
        if centres_only:
            columns.append(literal(b"").label("members"))
        found: dict[int, Checkpoint] = {}
        for some in _in_parts(sorted(piece_ids)):
            query = select(*columns).where(checkpoints.c.piece_id.in_(some))
            for row in self._connection.execute(query).mappings():
                found[row["piece_id"]] = Checkpoint(**row)
        return found

    def expect(self, expected_s: Mapping[int, tuple[float | None, ...]]) -> None:
        """By piece, when its kept central film is now foreseen to reach each milestone [s from the pour]."""
        if not expected_s:
            return
        rows = [{"of_piece": piece, "expected": dates} for piece, dates in expected_s.items()]
        change = (
            update(checkpoints)
            .where(checkpoints.c.piece_id == bindparam("of_piece"))
            .values(expected_s=bindparam("expected"))
        )
        self._execute(change, rows, given=list(expected_s))

    def trim_checkpoints(self) -> None:
        """Forget those of pieces that have gone: nothing goes on from them."""
        gone = select(tables.pieces.c.id).where(tables.pieces.c.gone_at.is_not(None))
        self._execute(delete(checkpoints).where(checkpoints.c.piece_id.in_(gone)), given="kept marches")


def _in_parts(ids: list[int]) -> list[list[int]]:
    return [ids[i : i + _AT_ONCE] for i in range(0, len(ids), _AT_ONCE)]
