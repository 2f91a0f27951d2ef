"""What the air does to wet pieces, against the tabled energy balance and values worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from curewatch.physics.ensemble import SPREADS
from curewatch.records import AlarmKind, Support
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.alarm_words import coldest_c
from curewatch.studio.alarms.conditions import ASLEEP, BETWEEN, OFF, ON, OccupiedRoom, relative_rate
from curewatch.studio.inference.factors import Gaussian
from curewatch.studio.inference.posterior import Posterior
from tests.studio_scene import LIMITS, air, at, dates, drying, room

COLD, FROST, DAMP, TOO_FAST = AlarmKind.COLD, AlarmKind.FROST, AlarmKind.DAMP, AlarmKind.TOO_FAST


def code(kind: AlarmKind, temp: float, rh: float, *, hours: float = 1.0, here: OccupiedRoom | None = None) -> int:
    """The condition of a room with one fresh canvas (0.3 m side, still air), or of `here`."""
    climate = air((0, temp, rh))
    place = (
        room(drying(), climate=climate)
        if here is None
        else room(*here.dryings, climate=climate, forecasts=here.forecasts.values())
    )
    return int(conditions.codes(place, np.array([at(hours).timestamp()]), LIMITS)[kind][0])


def steady(temp: float, rh: float) -> Climate:
    return air((0, temp, rh))


# --- The film is cooler than its room (model, section 2, table) ---------------------------------------------------


@pytest.mark.parametrize(
    ("temp", "rh", "wind", "film"),
    [(10, 50, 0.1, 8.44), (15, 70, 0.1, 13.81), (21, 50, 0.1, 18.37), (21, 50, 0.3, 17.47), (21, 50, 1.0, 16.51),
     (30, 50, 0.1, 26.25), (35, 20, 0.1, 27.64)],
)  # fmt: skip
def test_the_film_temperature_of_a_wet_canvas_is_the_tabled_one(
    temp: float, rh: float, wind: float, film: float
) -> None:
    """Tolerance of the table: 0.05 K."""
    assert coldest_c(room(drying(air=wind), climate=steady(temp, rh)), at(1)) == pytest.approx(film, abs=0.05)


def test_a_dry_film_is_as_warm_as_its_room() -> None:
    dried = dates(even={"set": 1, "touch_dry": 2})
    # the film's temperature is searched for to 5 mK
    assert coldest_c(room(drying(), climate=steady(10, 50), forecasts=[dried]), at(3)) == pytest.approx(10.0, abs=0.01)
    between = coldest_c(room(drying(), climate=steady(10, 50), forecasts=[dried]), at(1.5))
    assert 8.6 < between < 9.9


def test_the_coldest_of_several_wet_pieces_counts_and_dry_ones_do_not() -> None:
    canvas, board = drying(piece_id=1), drying(piece_id=2, support=Support.BOARD)
    # the table's 0.05 K
    assert coldest_c(room(canvas, board, climate=steady(10, 50)), at(1)) == pytest.approx(8.44, abs=0.05)
    handled = dates(1, safe={"handle": 0.5})
    warmer = coldest_c(room(canvas, board, climate=steady(10, 50), forecasts=[handled]), at(1))
    assert 9.0 < warmer < 10.0


def test_cold_goes_by_the_film_not_the_room() -> None:
    """At 12 °C, 50 % the room is above the 10 °C and the film (10.2) in the deadband; at 11 °C it is below."""
    assert code(COLD, 10, 50) == code(COLD, 11, 50) == ON
    assert coldest_c(room(drying(), climate=steady(12, 50)), at(1)) == pytest.approx(10.25, abs=0.1)
    assert code(COLD, 12, 50) == BETWEEN
    assert code(COLD, 13, 50) == OFF
    assert code(COLD, 10.6, 100) == OFF, "in saturated air nothing evaporates"


@pytest.mark.parametrize(("temp", "expected"), [(1.99, ON), (2.0, ON), (2.01, BETWEEN), (2.5, BETWEEN), (2.51, OFF)])
def test_frost_goes_by_the_room(temp: float, expected: int) -> None:
    assert code(FROST, temp, 60) == expected


# --- Damp ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp", "rh", "tabled"),
    [(10, 50, 0.0274), (15, 70, 0.0216), (30, 50, 0.0728), (35, 20, 0.1449)],
)
def test_the_relative_rate_is_the_ratio_of_tabled_rates(temp: float, rh: float, tabled: float) -> None:
    """Table of model section 2 (h_back 5), to its 1 % a value; its 0.3 m side instead of 0.25 m moves ratios little."""
    found = relative_rate(np.array([float(temp)]), np.array([float(rh)]))[0]
    assert found == pytest.approx(tabled / 0.0488, rel=0.02)


def test_the_relative_rate_at_the_reference_is_one_and_in_saturated_air_nought() -> None:
    found = relative_rate(np.array([21.0, 21.0]), np.array([50.0, 100.0]))
    assert found[0] == pytest.approx(1.0)
    assert found[1] == pytest.approx(0.0, abs=1e-6)  # the search for the balance ends beside it by 2e-11


@pytest.mark.parametrize(
    ("temp", "rh", "expected"),
    [(21, 75.1, ON), (21, 75, BETWEEN), (21, 72.1, BETWEEN), (21, 72, OFF), (35, 76, ON)],
)
def test_damp_by_humidity_alone(temp: float, rh: float, expected: int) -> None:
    assert code(DAMP, temp, rh) == expected


def test_damp_by_slow_drying_alone() -> None:
    """Cold air dries slowly at humidities that are fine when warm."""
    rate = {rh: relative_rate(np.array([4.0]), np.array([float(rh)]))[0] for rh in (60, 68, 72)}
    assert rate[72] < 0.25 < rate[68] < 0.30 < rate[60]
    assert [code(DAMP, 4, rh) for rh in (72, 68, 60)] == [ON, BETWEEN, OFF]


# --- Too fast -----------------------------------------------------------------------------------------------------


def test_still_air_that_is_as_warm_and_as_dry_as_the_limits_is_the_quickest_a_thick_film_may_dry_in() -> None:
    thick = room(drying(thickness_m=2e-3))
    assert [code(TOO_FAST, t, rh, here=thick) for t, rh in ((30, 29), (30, 30.1), (30, 45), (40, 50))] == [
        ON, BETWEEN, OFF, OFF,
    ]  # fmt: skip
    assert [code(TOO_FAST, 21, rh, here=thick) for rh in (20, 30, 40)] == [ON, BETWEEN, OFF]


@pytest.mark.parametrize("rh", [15, 30, 50, 70, 90])
@pytest.mark.parametrize("wind", [0.05, 0.1])
def test_cold_never_makes_a_film_dry_too_fast(rh: float, wind: float) -> None:
    """What lengthens the way from skin to core is no reason: the surface loses water slowly."""
    thick = room(drying(thickness_m=3e-3, air=wind), forecasts=[dates(gap_h=300, usual_gap_h=30)])
    assert [code(TOO_FAST, temp, rh, here=thick) for temp in (1, 5, 7.6, 10, 12)].count(ON) == 0


def test_a_thin_film_dries_evenly_even_under_a_fan() -> None:
    assert [code(TOO_FAST, 21, 50, here=room(drying(air=1.0, thickness_m=mm * 1e-3))) for mm in (0.3, 0.5, 1.0)] == [
        OFF, OFF, ON,
    ]  # fmt: skip


def test_a_film_is_safe_from_drying_too_fast_once_it_has_its_skin() -> None:
    fanned = room(drying(air=1.0), forecasts=[dates(even={"set": 3, "touch_dry": 5}, safe={"handle": 40})])
    assert [code(TOO_FAST, 21, 50, hours=h, here=fanned) for h in (1, 2.9, 5, 6)] == [ON, ON, ASLEEP, ASLEEP]


def test_too_fast_is_for_the_first_day_only_where_no_skin_is_foreseen() -> None:
    assert [code(TOO_FAST, 35, 20, hours=h) for h in (0, 23.9, 24, 30)] == [ON, ON, ASLEEP, ASLEEP]


@pytest.mark.parametrize(("wind", "expected"), [(0.1, OFF), (0.3, ON), (1.0, ON), (2.0, ON)])
def test_a_fan_is_too_fast_in_usual_air_and_a_draught_may_be(wind: float, expected: int) -> None:
    """At even odds a draught of 0.3 m/s is just not; with odds of one in three it is (`HASTE_ODDS`)."""
    assert code(TOO_FAST, 21, 50, here=room(drying(air=wind))) == expected


# --- Asleep -------------------------------------------------------------------------------------------------------


def test_with_nothing_wet_every_alarm_sleeps() -> None:
    here = room(drying(), forecasts=[dates(safe={"handle": 5})])
    for hours, expected in ((-1, ASLEEP), (0, ON), (4.9, ON), (5, ASLEEP)):
        assert code(FROST, -5, 60, hours=hours, here=here) == expected


def test_an_alarm_says_what_is_likely_and_frost_what_may_be() -> None:
    """Cold and damp stand while the film is unfused at even odds, frost while one in ten such may take harm."""
    here = room(drying(), forecasts=[dates(even={"touch_dry": 2, "handle": 5}, safe={"touch_dry": 8, "handle": 40})])
    for kind, temp, rh, until in ((COLD, 5, 60, 5), (DAMP, 18, 90, 5), (FROST, -5, 60, 8)):
        codes = [code(kind, temp, rh, hours=h, here=here) for h in (until - 0.1, until)]
        assert codes == [ON, ASLEEP], kind


def test_a_draught_that_fingers_have_told_of_counts() -> None:
    """At 23 °C, 45 % a still room is slow enough, and a place where all dries as in a draught is not."""
    piece = drying(thickness_m=1.5e-3)
    mean, cov = np.zeros(len(SPREADS)), np.eye(len(SPREADS))
    mean[SPREADS.index("air_speed")], cov[SPREADS.index("air_speed"), SPREADS.index("air_speed")] = 2.5, 0.1
    learned = Posterior(piece.pour, (), Gaussian(mean, cov), Gaussian(mean, cov))
    assert code(TOO_FAST, 23, 45, here=room(piece)) == OFF
    blown = replace(piece, posterior=learned)
    assert blown.air_speed == pytest.approx(0.1 * np.exp(0.45 * 2.5))
    assert code(TOO_FAST, 23, 45, here=room(blown)) == ON


def test_what_lies_in_the_room_counts_from_its_arrival() -> None:
    moved = drying(poured=0, rooms=[("Loft", 0), ("Boat shed", 3)])
    assert [code(FROST, -5, 60, hours=h, here=room(moved)) for h in (2.9, 3)] == [ASLEEP, ON]


def test_many_moments_are_judged_in_portions_to_the_same_end(monkeypatch: pytest.MonkeyPatch) -> None:
    climate = air(*((h, 10 + 10 * np.sin(h / 4), 60 + 30 * np.cos(h / 5)) for h in np.arange(0, 60, 0.5)))
    here = room(drying(piece_id=1), drying(piece_id=2, poured=20, air=1.0), climate=climate)
    whole = conditions.codes(here, climate.time_s, LIMITS)
    monkeypatch.setattr(conditions, "AT_ONCE", 7)
    for kind, codes in conditions.codes(here, climate.time_s, LIMITS).items():
        assert codes.tolist() == whole[kind].tolist()
    assert {len(codes) for codes in whole.values()} == {120}


# --- No fresh data ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("sensor", "limit"), [(True, timedelta(minutes=60)), (False, timedelta(hours=24))])
def test_a_sensor_may_be_silent_for_an_hour_and_a_person_for_a_day(sensor: bool, limit: timedelta) -> None:
    here = room(drying(poured=-100), climate=steady(20, 50), sensor=sensor)
    assert conditions.fresh_code(here, at(0) + limit, LIMITS) == OFF
    assert conditions.fresh_code(here, at(0) + limit + timedelta(seconds=1), LIMITS) == ON


def test_a_room_never_read_is_silent_from_its_first_pour_on() -> None:
    here = room(drying(poured=0), climate=None)
    assert [conditions.fresh_code(here, at(h), LIMITS) for h in (-1, 0, 1, 1.01)] == [ASLEEP, OFF, OFF, ON]
