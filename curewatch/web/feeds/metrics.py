"""Figures for whoever watches the watcher: OpenMetrics, in base units, names fit for alert rules.

What is not known is left out, never zero: an alert on an age catches it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from curewatch import __version__
from curewatch.intake.mqtt.status import MqttStatus
from curewatch.records import AlarmKind, Reading
from curewatch.settings import AlarmSettings
from curewatch.studio import wording
from curewatch.studio.board import NOT_KNOWN, Board, RoomLine
from curewatch.web.site import Site


def exposition(site: Site, now: datetime, accept: str) -> tuple[bytes, str]:
    """Every figure as of `now`, and its content type: OpenMetrics where that is accepted, else the older text."""
    registry = CollectorRegistry()
    desk = site.desk
    with desk.store.read() as tx:
        newest = tx.newest_by_source(until=now)
        waiting, oldest = tx.oldest_waiting()
    written_at = None if oldest is None else oldest.notice.created_at
    board = site.boards.look(now).board(now)
    registry.register(_Studio(board, newest, waiting, written_at, desk.settings.alarms, site.late))
    if site.upkeep is not None and (status := site.upkeep.hearing()) is not None:
        registry.register(_Hearing(status))
    try:
        encode, content_type = choose_encoder(accept)
    except (TypeError, ValueError):  # the library takes a version for numbers and dots
        encode, content_type = choose_encoder("")
    return encode(registry), content_type


class _Studio(Collector):
    def __init__(
        self,
        board: Board,
        newest: dict[tuple[str, str], Reading],
        waiting: int,
        oldest_waiting: datetime | None,
        limits: AlarmSettings,
        late: datetime | None,
    ) -> None:
        self._board, self._newest, self._waiting, self._oldest = board, newest, waiting, oldest_waiting
        self._limits, self._late = limits, late

    def collect(self) -> Iterator[Metric]:
        yield InfoMetricFamily("curewatch_build", "What is running", {"version": __version__})
        yield _gauge("curewatch_watching", "1 while the daemon gets its work done", float(self._late is None))
        yield from _rooms([room for room in self._board.rooms if self._is_fresh(room)], self._board.rooms)
        yield from _sensors(self._newest)
        yield self._pieces()
        yield self._alarms()
        made = [line.forecast.made_at.timestamp() for line in self._board.pieces if line.forecast and line.next]
        yield _gauge(
            "curewatch_oldest_forecast_timestamp_seconds",
            "When the oldest forecast in use was made",
            min(made, default=None),
        )
        yield _gauge(
            "curewatch_deliveries_waiting", "Notices on their way, counted once for each channel", float(self._waiting)
        )
        oldest = None if self._oldest is None else self._oldest.timestamp()
        yield _gauge(
            "curewatch_oldest_delivery_timestamp_seconds", "When the longest waiting notice was written", oldest
        )

    def _is_fresh(self, room: RoomLine) -> bool:
        """Air that nobody has read for long is no air: what a room was at then is left out."""
        typed = {source == "typed" for name, source in self._newest if name == room.name} == {True}
        hours = self._limits.typed_stale_after_h if typed else self._limits.stale_after_min / 60
        return room.data_at is not None and self._board.at - room.data_at <= timedelta(hours=hours)

    def _pieces(self) -> Metric:
        pieces = GaugeMetricFamily("curewatch_pieces", "Pieces here, by room and stage", labels=["room", "stage"])
        stages = [str(one) for one in (*wording.STAGES.values(), wording.TACKY, NOT_KNOWN)]
        found = Counter((line.room, str(line.stage_in_words)) for line in self._board.pieces)
        for room in self._board.rooms:
            for stage in stages:
                pieces.add_metric([room.name, stage], found[room.name, stage])
        return pieces

    def _alarms(self) -> Metric:
        alarms = GaugeMetricFamily("curewatch_alarm_active", "1 while an alarm is active", labels=["room", "alarm"])
        active = {(alarm.room, alarm.kind) for alarm in self._board.alarms}
        for room in self._board.rooms:
            for kind in AlarmKind:
                alarms.add_metric([room.name, kind.value], float((room.name, kind) in active))
        return alarms


class _Hearing(Collector):
    """What comes from the broker."""

    def __init__(self, status: MqttStatus) -> None:
        self._status = status

    def collect(self) -> Iterator[Metric]:
        yield _gauge("curewatch_broker_connected", "1 while the broker is", float(self._status.connected))
        of = self._status.of_sensor
        yield CounterMetricFamily("curewatch_messages_received", "Messages that came", self._status.received)
        refused = CounterMetricFamily("curewatch_messages_refused", "Messages that are no reading", labels=["sensor"])
        for sensor, heard in of.items():
            refused.add_metric([sensor], heard.refused)
        others = self._status.poison - sum(heard.refused for heard in of.values())
        refused.add_metric([""], max(0, others))
        yield refused


def _rooms(fresh: Sequence[RoomLine], rooms: Sequence[RoomLine]) -> Iterator[Metric]:
    temp = GaugeMetricFamily("curewatch_room_temperature_celsius", "Air temperature as last read", labels=["room"])
    rh = GaugeMetricFamily("curewatch_room_relative_humidity_ratio", "Relative humidity as last read", labels=["room"])
    at = GaugeMetricFamily("curewatch_room_reading_timestamp_seconds", "When both were last read", labels=["room"])
    for room in fresh:
        if room.temp_c is not None:
            temp.add_metric([room.name], room.temp_c)
        if room.rh_pct is not None:
            rh.add_metric([room.name], room.rh_pct / 100)
    for room in rooms:
        if room.data_at is not None:
            at.add_metric([room.name], room.data_at.timestamp())
    yield from (temp, rh, at)


def _sensors(newest: dict[tuple[str, str], Reading]) -> Iterator[Metric]:
    labels = ["room", "sensor"]
    at = GaugeMetricFamily("curewatch_sensor_reading_timestamp_seconds", "A sensor's last reading", labels=labels)
    battery = GaugeMetricFamily("curewatch_sensor_battery_ratio", "Charge of a sensor's battery", labels=labels)
    for (room, source), reading in newest.items():
        at.add_metric([room, source], reading.at.timestamp())
        if reading.battery_pct is not None:
            battery.add_metric([room, source], reading.battery_pct / 100)
    yield from (at, battery)


def _gauge(name: str, help: str, value: float | None) -> Metric:
    made = GaugeMetricFamily(name, help)
    if value is not None:
        made.add_metric([], value)
    return made
