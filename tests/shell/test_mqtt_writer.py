"""Messages that come one by one are stored together, and nothing that comes faster is kept waiting for it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from curewatch.intake.mqtt.writer import GATHER_S
from tests.shell.parts import Broker, has_mosquitto, wait_for
from tests.shell.test_mqtt_intake import LOFT, NOW_LOFT, Sink, running, settings, timed

pytestmark = pytest.mark.skipif(not has_mosquitto, reason="mosquitto is not installed")


def test_messages_that_come_one_by_one_are_stored_a_few_at_a_time(tmp_path: Path) -> None:
    sink, sent = Sink(), 0
    with Broker(tmp_path / "broker") as broker, running(settings(broker.port), sink, NOW_LOFT):
        began = time.monotonic()
        while time.monotonic() < began + 2 * GATHER_S:
            broker.publish("shed/loft/air", f'{{"temperature": {10 + sent}}}')
            sent += 1
            time.sleep(0.4)
        wait_for(lambda: len(sink.temps) == sent, within_s=GATHER_S + 1)
    assert sink.temps == [10 + n for n in range(sent)]
    assert len(sink.batches[0]) == 1  # the first after a long quiet waits for nothing
    assert len(sink.batches) <= 4 < sent


@pytest.mark.parametrize("at_once", [1, 5])
def test_a_broker_that_sends_on_few_at_a_time_is_not_slowed_down(tmp_path: Path, at_once: int) -> None:
    """Each of its messages waits for the acknowledgement of one before, so waiting for more would hold them up."""
    sink = Sink()
    with Broker(tmp_path / "broker", persistent=True, max_inflight=at_once) as broker:
        with running(settings(broker.port), sink, LOFT):
            pass
        broker.publish_all(timed([10 + n / 10 for n in range(60)]))
        began = time.monotonic()
        with running(settings(broker.port), sink, LOFT):
            wait_for(lambda: len(sink.temps) == 60, within_s=20)
        assert time.monotonic() - began < 3 * GATHER_S  # waiting each time would take at least 24 s


def test_a_burst_does_not_wait(tmp_path: Path) -> None:
    sink = Sink()
    with Broker(tmp_path / "broker") as broker, running(settings(broker.port), sink, LOFT):
        broker.publish_all(timed([10.0]))
        wait_for(lambda: len(sink.temps) == 1)
        time.sleep(0.5)  # quiet: the next would be gathered
        began = time.monotonic()
        broker.publish_all(timed([11 + n / 100 for n in range(400)]))
        wait_for(lambda: len(sink.temps) == 401, within_s=GATHER_S)
        assert time.monotonic() - began < GATHER_S - 0.5
