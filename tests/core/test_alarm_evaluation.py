"""One room watched: what people are told, when, in which tense, and what they are spared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from curewatch.records import Alarm, AlarmKind, AlarmState, Notice
from curewatch.studio.air.climate import climate_of
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.alarms.evaluation import evaluate_room
from curewatch.studio.wording import HEATER_CAUTION, SAFETY
from tests.studio_scene import LIMITS, SHED, air, at, dates, drying, every, room

MINUTE = 1 / 60
COLD, FROST, DAMP, TOO_FAST, SILENT = AlarmKind
Readings = Sequence[tuple[float, float | None, float | None]]


class Studio:
    """Looks at a room again and again, keeping what the store would."""

    def __init__(self, *pieces: object, sensor: bool = True, forecasts: Sequence[object] = ()) -> None:
        self.pieces, self.sensor, self.forecasts = pieces or (drying(),), sensor, forecasts
        self.alarms: dict[AlarmKind, Alarm] = {}
        self.told: list[Notice] = []
        self.stored = 0

    def look(self, hours: float, readings: Readings = ()) -> list[Notice]:
        known = [one for one in readings if one[0] <= hours]
        here = room(*self.pieces, climate=air(*known) if known else None, sensor=self.sensor, forecasts=self.forecasts)
        return self.watch(here, hours)

    def watch(self, here: OccupiedRoom, hours: float) -> list[Notice]:
        changed, told = evaluate_room(here, self.alarms, at(hours), LIMITS)[:2]
        self.alarms |= {alarm.kind: alarm for alarm in changed}
        self.stored += len(changed)
        self.told += told
        return told

    def state(self, kind: AlarmKind) -> AlarmState:
        return self.alarms[kind].state if kind in self.alarms else AlarmState.NORMAL


def summary(notices: Sequence[Notice], kind: AlarmKind | None = None) -> list[str]:
    wanted = [n for n in notices if kind is None or n.data["alarm"] == kind]
    return [f"{n.kind} {n.data['alarm']}" + (" past" if n.data["past"] else "") for n in wanted]


# --- Live: one look a minute ---------------------------------------------------------------------------------------


def live(studio: Studio, readings: Readings, until: float, *, start: float = 0.0, minutes: float = 1) -> None:
    for i in range(int((until - start) * 60 / minutes) + 1):
        studio.look(start + i * minutes / 60, readings)


def night(low: float = 1.0) -> list[tuple[float, float, float]]:
    """A mild day, four freezing hours, and mild again; every five minutes."""
    mild, cold = (lambda a, b: every(5, b, 18, 55, start=a)), every(5, 9.99, low, 55, start=6)
    return mild(0, 5.99) + cold + mild(10, 20)


def test_a_freezing_night_is_told_once_when_it_begins_and_once_when_it_is_over() -> None:
    studio = Studio()
    live(studio, night(), 6.5)
    live(studio, night(), 11, start=6.5, minutes=5)
    frost = [n for n in studio.told if n.data["alarm"] == FROST]
    assert summary(frost) == ["alarm frost", "alarm_over frost"]
    begun, over = frost
    assert begun.created_at == at(6) + timedelta(minutes=10)
    assert over.created_at == at(10) + timedelta(minutes=15)
    assert (begun.urgent, over.urgent) == (True, False)
    assert str(begun.title) == "Boat shed: frost near wet paint"
    assert str(begun.text) == (
        "The room was at 1.0 °C, 55 %RH (Fri 20 Nov 18:10). Wet paint that freezes does not recover. Wet there: Heron. "
        "Besides: too cold for wet paint. Now: warm the room slowly to 14 °C or more. "
        f"{HEATER_CAUTION} {SAFETY}"
    )
    assert str(over.title) == "Boat shed: frost near wet paint: over"
    assert str(over.text) == (
        "Over since Fri 20 Nov 22:15, after 4 h. The room was at 18.0 °C, 55 %RH (Fri 20 Nov 22:15). Over too: too "
        "cold for wet paint. Nothing needs doing."
    )
    assert str(begun.text) == f"{studio.alarms[FROST].text!s} {SAFETY}"
    assert len(studio.told) == 2, "cold, which comes and goes with it, is told in the same messages"


def test_cold_says_how_cold_the_film_is_and_what_to_do() -> None:
    studio = Studio()
    live(studio, every(5, 2, 10, 50), 1)
    (told,) = studio.told
    assert str(told.text) == (
        "The room was at 10.0 °C, 50 %RH (Fri 20 Nov 12:10); wet films are cooler, the coldest 8.4 °C, below the 10 °C "
        "at which their particles can fuse. Paint that dries so may crack. Wet there: Heron. Within the hour: "
        "warm the room slowly to 13 °C or more. "
        f"{HEATER_CAUTION} {SAFETY}"
    )


@pytest.mark.parametrize(
    ("temp", "rh", "pieces", "says", "advises"),
    [
        (
            21,
            80,
            {},
            "Wet films dry at 40 % of their rate at 21 °C, 50 %RH",
            "Within the day: warm the room",
        ),
        (21, 100, {}, "Wet films do not dry at all", "Within the day: dry its air to 72 %RH or less."),
        (
            31,
            25,
            {},
            "that is dry for its warmth: water leaves the surface faster",
            "Within the hour: cover Heron loosely",
        ),
        (21, 15, {}, "faster than the core can send it up", "The cover must touch no paint"),
        (21, 50, {"air": 1.0}, "a fan blows over Heron", "Within the hour: switch the fan off."),
        (23, 40, {"air": 0.3}, "air moves over Heron", "Within the hour: take Heron out of the draught."),
    ],
)
def test_damp_and_haste_say_why(temp: float, rh: float, pieces: dict[str, float], says: str, advises: str) -> None:
    studio = Studio(drying(**pieces))
    live(studio, every(5, 1, temp, rh), 0.5)
    (told,) = studio.told
    assert says in str(told.text)
    assert advises in str(told.text)


def test_cold_air_that_is_damp_too_is_one_message_with_one_thing_to_do() -> None:
    studio = Studio()
    live(studio, every(5, 1, 4, 74), 0.5)
    (told,) = studio.told
    assert told.data["alarms"] == ["cold", "damp"]
    assert "Besides: too damp to dry. Within the hour: warm the room slowly to 13 °C or more." in str(told.text)
    assert "%RH or less" not in str(told.text), "warmed, it is dry enough"
    for kind in (COLD, DAMP):
        assert "Within the hour: warm the room slowly to 13 °C or more." in str(studio.alarms[kind].text)


def test_cold_and_a_fan_are_one_message_that_pulls_one_way() -> None:
    """Seen: warm the room, and in the same breath keep heaters off and bring it below 27 °C."""
    studio = Studio(drying(air=1.0))
    live(studio, every(5, 1, 7.6, 50), 0.5)
    (told,) = studio.told
    assert told.data["alarms"] == ["cold", "too_fast"]
    assert "Within the hour: switch the fan off, then warm the room slowly to 13 °C or more." in str(told.text)
    assert str(told.text).count("Within the") == 1


def test_what_is_over_says_what_is_still_so_there() -> None:
    studio = Studio()
    damp_and_cold, damp = every(5, 1.99, 4, 80), every(5, 4, 20, 80, start=2)
    live(studio, damp_and_cold + damp, 4, minutes=5)
    (over,) = [n for n in studio.told if n.kind == "alarm_over"]
    assert over.data["alarms"] == ["cold"]
    assert str(over.text).endswith("Still so there: too damp to dry.")
    assert "Nothing needs doing" not in str(over.text)
    assert "Within the day: warm the room slowly to " in str(studio.alarms[DAMP].text), (
        "the board asks for what is left"
    )


def test_what_is_over_says_what_was_foretold_to_come() -> None:
    """Nothing needs doing, said on the evening on which the room is to be warmed: seen."""
    studio = Studio()
    live(studio, every(5, 2, 20, 80), 1, minutes=5)
    readings = [*every(5, 1, 20, 80), *every(5, 2, 20, 50, start=1.05)]
    here = replace(room(drying(), climate=air(*readings)), foretold=COLD)
    (over,) = studio.watch(here, 2)
    assert str(over.text).endswith("Foretold for the hours to come: too cold for wet paint.")


def test_a_single_spike_of_a_sensor_raises_nothing_at_any_cadence() -> None:
    for minutes in (1, 5, 10, 15, 50):
        for spike in ((-20.0, 99.0), (80.0, 1.0)):
            readings = every(minutes, 6, 20, 50)
            readings[len(readings) // 2] = (readings[len(readings) // 2][0], *spike)
            studio = Studio()
            live(studio, readings, 4.5, start=2.5, minutes=2)
            assert studio.told == [], (minutes, spike)


@pytest.mark.parametrize("minutes", [1, 5, 20])
def test_a_value_that_toggles_around_its_limit_for_a_day_raises_once(minutes: float) -> None:
    readings = [(i * minutes / 60, 2.0 + (0.1 if i % 2 else -0.1), 55.0) for i in range(int(24 * 60 / minutes))]
    studio = Studio()
    live(studio, readings, 23.9, minutes=7)
    assert summary(studio.told, FROST) == ["alarm frost"]


def test_what_was_typed_holds_until_the_next_is_typed() -> None:
    """Nobody types every ten minutes: frost read at breakfast is told soon, not when the evening's is late."""
    typed = [(-24.0, 20.0, 50.0), (-16.0, 20.0, 50.0), (-8.0, 20.0, 50.0), (0.0, 1.0, 60.0), (9.0, 12.0, 50.0)]
    studio = Studio(drying(poured=-30), sensor=False)
    live(studio, typed, 9.3, start=-8, minutes=5)
    frost = [n for n in studio.told if n.data["alarm"] == FROST]
    assert summary(frost) == ["alarm frost", "alarm_over frost"]
    assert [n.created_at for n in frost] == [at(10 * MINUTE), at(9 + 15 * MINUTE)]


# --- Silence ------------------------------------------------------------------------------------------------------


def test_no_data_never_clears_an_alarm_and_is_one_itself() -> None:
    studio = Studio()
    live(studio, every(5, 2, 1, 55), 50, minutes=10)
    assert studio.alarms[FROST].is_active
    assert summary(studio.told, FROST) == ["alarm frost"], "nor does it remind of what is not known any more"
    assert summary(studio.told, SILENT) == ["alarm no_fresh_data", "reminder no_fresh_data"]


def test_one_good_reading_before_the_silence_does_not_clear_either() -> None:
    studio = Studio()
    live(studio, [*every(5, 2, 1, 55), (2.1, 18.0, 55.0)], 20, minutes=5)
    assert studio.alarms[FROST].is_active


def test_a_last_reading_beyond_the_limit_is_believed_once_the_next_is_overdue() -> None:
    studio = Studio()
    live(studio, [*every(5, 2, 18, 55), (2.1, 0.0, 55.0)], 3)
    assert summary(studio.told, FROST) == ["alarm frost"]


def test_silence_is_told_after_its_hour_and_is_over_when_readings_come_again() -> None:
    studio = Studio()
    readings = every(5, 2, 20, 50) + every(5, 9, 20, 50, start=6)
    live(studio, readings, 2)
    live(studio, readings, 7, start=2)
    assert [n.created_at for n in studio.told] == [at(3 + 11 * MINUTE), at(6 + 15 * MINUTE)]
    begun, over = studio.told
    assert str(begun.text) == (
        "Last heard from Boat shed Fri 20 Nov 14:00. Its dates and warnings rest on old air. Wet there: Heron. "
        "Look at the sensor, its battery and the broker today; until it speaks, type a reading."
    )
    assert str(over.text) == "Readings come in again; the last Fri 20 Nov 18:15."


def test_one_quantity_alone_is_silence_too() -> None:
    studio = Studio()
    readings: Readings = [*every(5, 2, 20, 50), *((h, 20.0, None) for h, *_ in every(5, 9, 20, 50, start=2.1))]
    live(studio, readings, 5)
    assert summary(studio.told) == ["alarm no_fresh_data"]


def test_a_room_that_was_never_read_says_what_it_needs() -> None:
    studio = Studio(sensor=False)
    live(studio, (), 24.5, minutes=5)
    (told,) = studio.told
    assert str(told.text) == (
        "Boat shed has not been read: there are no dates without its temperature and humidity. Wet there: Heron. "
        "Read thermometer and hygrometer there and type it in today."
    )


# --- Asleep -------------------------------------------------------------------------------------------------------


def test_when_the_last_piece_is_dry_its_alarms_go_to_sleep_even_without_data() -> None:
    studio = Studio()
    live(studio, every(5, 2, 1, 55), 6, minutes=5)
    assert studio.alarms[FROST].is_active
    assert studio.alarms[SILENT].is_active
    studio.forecasts = [dates(safe={"handle": 6})]
    assert studio.look(6, every(5, 2, 1, 55)) == []
    assert {alarm.state for alarm in studio.alarms.values()} == {AlarmState.NORMAL}


def test_when_the_last_piece_has_left_its_room_its_alarms_go_to_sleep() -> None:
    studio = Studio()
    live(studio, every(5, 2, 1, 55), 1, minutes=5)
    assert studio.alarms[FROST].is_active
    assert studio.watch(OccupiedRoom(SHED, (), {}, None, True), 1.5) == []
    assert {alarm.state for alarm in studio.alarms.values()} == {AlarmState.NORMAL}


# --- The clock, the store -----------------------------------------------------------------------------------------


def test_after_the_clock_was_set_back_alarms_are_raised_as_ever() -> None:
    studio = Studio()
    studio.look(24 * 3650, every(60, 24 * 3650, 18, 55, start=24 * 3650 - 48))
    assert max(alarm.evaluated_at for alarm in studio.alarms.values()) > at(24 * 3000)
    live(studio, every(5, 3, 1, 55), 3, minutes=5)
    assert "alarm frost" in summary(studio.told, FROST)


def test_a_quiet_room_is_stored_hourly_at_most() -> None:
    """Each store is a flush to the disk; an SD card has only so many."""
    studio = Studio()
    live(studio, every(1, 6, 20, 50), 6)
    assert studio.stored <= 4 * 7


def test_readings_of_a_time_in_which_the_last_value_was_held_are_judged_when_they_come() -> None:
    """The sensor lost its radio for half an hour and frost came and went."""
    before, after = every(5, 3, 18, 55), every(5, 6, 18, 55, start=3.45)
    frost = every(5, 3.4, 0, 55, start=3.1)
    studio = Studio()
    live(studio, before, 3.55)
    assert summary(studio.look(3.7, [*before, *frost, *after]), FROST) == ["alarm frost past"]


def test_every_text_is_finite_and_in_plain_words() -> None:
    rng = np.random.default_rng(4)
    for _ in range(40):
        steps = np.sort(rng.uniform(0, 60, 60))
        temp = np.where(rng.random(60) < 0.2, np.nan, rng.uniform(-10, 40, 60))
        rh = np.where(rng.random(60) < 0.2, np.nan, rng.uniform(5, 100, 60))
        here = climate_of(np.array([at(h).timestamp() for h in steps]), temp, rh)
        studio = Studio()
        studio.watch(room(drying(), climate=here, sensor=bool(rng.random() < 0.5)), float(rng.uniform(20, 90)))
        for told in studio.told:
            for word in ("nan", "inf", "None", "{", "-0.0", "-0 "):
                assert word not in str(told.text) + str(told.title), str(told.text)
            assert told.key.isascii()
            assert "\n" not in str(told.text)


@pytest.mark.parametrize(
    ("name", "expected"), [("Boat shed", "Boat_20_shed"), ("a_20_b", "a_5f_20_5f_b"), ("帆", "_5e06_")]
)
def test_the_key_of_a_room_is_ascii_and_its_own(name: str, expected: str) -> None:
    climate = air(*every(5, 1, 1, 55))
    _, told = evaluate_room(OccupiedRoom(name, (drying(),), {}, climate, True), {}, at(1), LIMITS)[:2]
    (frost,) = [n for n in told if n.data["alarm"] == FROST]
    assert frost.key == f"alarm/frost/{expected}/raised/{int(at(10 * MINUTE).timestamp())}"
