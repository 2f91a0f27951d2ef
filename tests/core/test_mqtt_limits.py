"""What whoever publishes may cost: devices behind a wildcard, messages of one device, lines in the log."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from curewatch.intake.mqtt import limits
from curewatch.intake.mqtt.limits import Devices, Rates, Refusals
from curewatch.intake.mqtt.status import TOPICS_COUNTED, Poison, StatusBoard
from curewatch.settings import SensorSettings

NOON = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
WILD = SensorSettings(id="wild", room="Shed", topic="yard/+", devices_most=3)


def test_the_first_devices_are_heard_and_stay_heard_after_a_restart() -> None:
    devices = Devices({})
    assert [devices.lets_in(WILD, f"wild/yard/{n}", NOON) for n in range(5)] == [True, True, True, False, False]
    assert devices.lets_in(WILD, "wild/yard/1", NOON)
    assert devices.turned_away == {"wild": 2}
    one = SensorSettings(id="post", room="Shed", topic="post")
    assert devices.lets_in(one, "post", NOON), "an entry without a wildcard is one device"
    before = {("Shed", f"wild/yard/{n}"): NOON + timedelta(minutes=n) for n in range(5)}
    before |= {("Loft", "wild/yard/9"): NOON + timedelta(hours=1), ("Shed", "wild/other"): NOON + timedelta(hours=1)}
    again = Devices(before)
    assert [again.lets_in(WILD, f"wild/yard/{n}", NOON + timedelta(hours=2)) for n in (0, 2, 3, 4)] == [
        False, True, True, True,
    ]  # fmt: skip


def test_a_device_that_is_gone_gives_its_place_to_a_new_one() -> None:
    devices = Devices({("Shed", f"wild/yard/{n}"): NOON for n in range(3)})
    later = NOON + limits.GONE_AFTER
    assert devices.lets_in(WILD, "wild/yard/1", later - timedelta(hours=1))
    assert not devices.lets_in(WILD, "wild/yard/new", later - timedelta(minutes=1))
    assert devices.lets_in(WILD, "wild/yard/new", later)
    assert devices.lets_in(WILD, "wild/yard/1", later), "heard an hour ago"


def test_names_that_are_turned_away_are_counted_no_further_than_they_are_kept() -> None:
    devices = Devices({})
    for number in range(limits.TURNED_AWAY_MOST + 50):
        devices.lets_in(WILD, f"wild/yard/{number}", NOON)
    assert devices.turned_away == {"wild": limits.TURNED_AWAY_MOST}


def test_a_backlog_is_taken_at_a_stretch_and_a_flood_at_a_pace() -> None:
    rates = Rates()
    assert sum(rates.lets_in("post", 0.0) for _ in range(limits.BURST + 500)) == limits.BURST
    assert rates.lets_in("window", 0.0), "another device is none of it"
    let_in = sum(rates.lets_in("post", n / 1000) for n in range(60_000))
    assert abs(let_in - 60 * limits.A_SECOND) <= 1


def test_the_log_has_one_line_a_minute_and_sensor_with_a_number() -> None:
    said: list[tuple[float, str]] = []
    now = 0.0
    refusals = Refusals(lambda line: said.append((now, line)))
    for tenth in range(1800):
        now = tenth / 10
        refusals.add("shed/air", f"shed/air: got {tenth}", now)
        if tenth == 5:
            refusals.add("shed/once", "shed/once: got 'x'", now)
    now = 181.0
    refusals.tick(now)
    assert [line for _, line in said] == [
        "a message is no reading: shed/air: got 0",
        "a message is no reading: shed/once: got 'x'",
        "599 more messages were no readings, the last: shed/air: got 599",
        "600 more messages were no readings, the last: shed/air: got 1199",
        "600 more messages were no readings, the last: shed/air: got 1799",
    ]
    assert [at for at, _ in said if at > 1] == [60.0, 120.0, 181.0]


def test_of_many_sensors_the_log_has_a_few_lines() -> None:
    said: list[str] = []
    refusals = Refusals(said.append)
    for number in range(20_000):
        refusals.add(f"yard/{number}", f"yard/{number}: got 'x'", number / 1000)
    refusals.tick(61.0)
    assert len(said) == limits.LINES + 1
    assert said[-1] == f"{20_000 - limits.LINES} more messages, of other sensors, were no readings"
    refusals.add("yard/1", "yard/1: got 'x'", 70.0)
    assert said[-1] == "a message is no reading: yard/1: got 'x'"


def test_the_worst_topic_is_known_among_more_than_are_counted() -> None:
    board = StatusBoard()
    for number in range(20 * TOPICS_COUNTED):
        board.poisoned(Poison(NOON, f"yard/{number}", "no reading"))
        if number % 3 == 0:
            board.poisoned(Poison(NOON, "shed/air", f"number {number}"))
    worst = board.snapshot().worst
    assert worst is not None
    assert (worst.topic, worst.reason) == ("shed/air", f"number {20 * TOPICS_COUNTED - 2}")
    assert len(board._by_topic) == TOPICS_COUNTED
