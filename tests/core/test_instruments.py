"""How far off a room is read: by the accuracy of its instruments, and by what they differ by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.physics.ensemble import SPREADS
from curewatch.records import MilestoneKind, Recipe, Support
from curewatch.records.facts import Finger, Observation, ObservationKind, Spot
from curewatch.studio.air.climate import Climate, climate_from
from curewatch.studio.air.merging import Readings
from curewatch.studio.air.sensors import BESIDE, LOOKED, USUAL, Level, ReadError, read_error
from curewatch.studio.forecasting.forecast import forecasts
from curewatch.studio.learning import learning
from tests.studio_scene import NOON, SHED, air, at, drying, every

CALIBRATED = (0.2, 0.8)


def accuracy(source: str) -> tuple[float, float]:
    return CALIBRATED if source == "good" else USUAL


def read_by(**sources: tuple[float, float] | list[tuple[int, float, float]]) -> Climate:
    """A room read every ten minutes for two days by sensors that say so [°C, %]; what was typed as (hour, °C, %)."""
    rows = []
    for name, said in sources.items():
        if isinstance(said, list):
            rows += [
                (NOON.timestamp() + 3600 * h, temp + 0.5 * np.sin(6 * h / 20), rh + np.sin(6 * h / 20), name)
                for h, temp, rh in said
            ]
        else:
            wave = 0.5 * np.sin(np.arange(48 * 6) / 20)  # nothing stands quite still
            rows += [
                (NOON.timestamp() + 600 * step, said[0] + wave[step], said[1] + 2 * wave[step], name)
                for step in range(48 * 6)
            ]
    rows.sort()
    names = tuple(sorted(sources))
    t, temp, rh = (np.array([row[i] for row in rows]) for i in range(3))
    number = np.array([names.index(row[3]) for row in rows])
    found = climate_from(Readings(t, temp, rh, number, names, np.ones(len(rows), dtype=bool)))
    assert found is not None
    return found


def error(**sources: tuple[float, float] | list[tuple[int, float, float]]) -> ReadError:
    return read_error(read_by(**sources).levels, accuracy)


def test_one_instrument_is_off_by_what_it_says_of_itself() -> None:
    assert error(good=(20.0, 50.0)).sd == CALIBRATED
    assert (error(cheap=(20.0, 50.0)).off, error(cheap=(20.0, 50.0)).sd) == ((0.0, 0.0), USUAL)
    assert error(typed=[(h, 20.0, 50.0) for h in range(0, 48, 6)]).sd == USUAL


def test_two_sensors_that_differ_steadily_narrow_what_is_believed_of_both() -> None:
    """By hand: two errors of one variance, their difference known; the record is their mean, so nothing is added."""
    alike = error(a=(20.4, 52.0), b=(20.0, 50.0))
    assert alike.off == pytest.approx((0.0, 0.0), abs=1e-3)
    assert alike.sd[1] == pytest.approx(np.sqrt((USUAL[1] ** 2 + BESIDE[1] ** 2) / 2), abs=1e-3)
    mixed = error(good=(20.0, 50.0), cheap=(20.0, 53.0))
    weights = np.array([1 / (one**2 + BESIDE[1] ** 2) for one in (CALIBRATED[1], USUAL[1])])
    room = (weights * [50.0, 53.0]).sum() / weights.sum()
    assert mixed.off[1] == pytest.approx(room - 51.5, abs=0.02), "nearer to the good one than the record is"
    assert mixed.sd[1] == pytest.approx(1 / np.sqrt(weights.sum()), abs=1e-3)
    apart = error(good=(20.0, 50.0), cheap=(20.0, 57.5))
    assert apart.sd[1] > mixed.sd[1], "so far apart one of them must be worse than it says"


def test_a_good_hygrometer_held_beside_a_cheap_sensor_tells_its_error() -> None:
    """Typed as a check: the dates' record stays the sensor's, and its error is what the check says of it."""
    looks = [(h, 20.0, 47.0) for h in (10, 20, 30)]
    found = read_error(
        read_by(cheap=(20.0, 52.0), typed=looks).levels, lambda name: (0.2, 0.8) if name == "typed" else USUAL
    )
    checked, sensor = 0.8**2 + BESIDE[1] ** 2 + LOOKED[1] ** 2 / 3, USUAL[1] ** 2 + BESIDE[1] ** 2
    assert found.off[1] == pytest.approx(-5.0 * sensor / (sensor + checked), abs=0.02)
    assert found.sd[1] == pytest.approx(1 / np.sqrt(1 / checked + 1 / sensor), abs=0.02)
    one = read_error(read_by(cheap=(20.0, 52.0), typed=looks[:1]).levels, lambda _: USUAL)
    many = read_error(read_by(cheap=(20.0, 52.0), typed=looks * 20).levels, lambda _: USUAL)
    assert many.sd[1] < one.sd[1] < USUAL[1]
    assert many.sd[1] > USUAL[1] / 2, "however often it is looked at, the thermometer is no better than it is"


def test_a_check_that_is_asked_back_says_nothing_yet() -> None:
    assert error(cheap=(20.0, 52.0), typed=[(20, 6.0, 52.0)]).off[0] == 0.0
    assert error(cheap=(20.0, 52.0), typed=[(20, 6.0, 52.0)]).sd[0] == USUAL[0]


@given(st.lists(st.tuples(st.floats(-6, 6), st.integers(0, 5)), min_size=1, max_size=6), st.floats(0.1, 5.0))
def test_more_instruments_never_say_less_unless_they_quarrel(said: list[tuple[float, int]], sd: float) -> None:
    levels = [Level(f"s{i}", "rh_pct", above, looks) for i, (above, looks) in enumerate(said)]
    found, order = (read_error(some, lambda _: (sd, sd)) for some in (levels, levels[::-1]))
    assert found.off[1] == pytest.approx(order.off[1], abs=2e-3)
    assert min(a for a, _ in said) - 1e-3 <= found.off[1] <= max(a for a, _ in said) + 1e-3
    agreed = read_error([replace(one, above=0.0) for one in levels], lambda _: (sd, sd))
    assert agreed.sd[1] <= found.sd[1] + 1e-3
    assert agreed.sd[1] <= np.sqrt(sd**2 + BESIDE[1] ** 2 + LOOKED[1] ** 2) + 1e-3


def test_what_hardly_moves_stays_as_it_was_but_for_other_instruments() -> None:
    before = ReadError((0.0, 1.0), (0.3, 1.4), "a and b")
    assert replace(before, off=(0.05, 1.3)).settled(before) is before
    assert replace(before, off=(0.05, 1.6)).settled(before).off == (0.05, 1.6)
    assert replace(before, sd=(0.3, 1.0)).settled(before).sd == (0.3, 1.0)
    better = replace(before, by="a and a better b")
    assert better.settled(before) is better
    assert better.settled(None) is better


# What comes of it


def spread(sd: tuple[float, float], off: tuple[float, float] = (0.0, 0.0)) -> tuple[float, float, str]:
    """When 10 and 90 % of the films are ready for varnish [d], in a damp room; and the forecast's fingerprint."""
    climate = air(*every(60, 24 * 3, 21.0, 78.0))
    piece = replace(drying(), read_error=ReadError(off, sd))
    (made,) = forecasts([piece], {SHED: climate}, at(72), members=256, days=365)
    ready = made.milestone(MilestoneKind.VARNISH_READY)
    assert ready is not None
    assert ready.early_at is not None
    late = ready.safe_at or at(24 * 365)
    return *((one - at(0)).total_seconds() / 86400 for one in (ready.early_at, late)), made.fingerprint


def test_a_better_instrument_makes_narrower_dates_and_another_forecast() -> None:
    poor, usual, good = spread((0.3, 4.0)), spread(USUAL), spread(CALIBRATED)
    assert np.log(good[1] / good[0]) < np.log(usual[1] / usual[0]) < np.log(poor[1] / poor[0])
    assert len({poor[2], usual[2], good[2]}) == 3
    damper = spread(CALIBRATED, (0.0, 5.0))
    assert damper[0] > good[0]


def test_pieces_of_one_room_share_one_draw_of_its_error() -> None:
    """Whatever else is drawn of them: the same member of two pieces lies in the same room."""
    one, other = drying(), replace(drying(piece_id=2), recipe=Recipe(name="slow", solids=0.2, glycol=0.05))
    films = [learning.ensemble.films_at([piece.pouring], learning.ensemble.design(64)) for piece in (one, other)]
    assert np.array_equal(films[0].air_rh_off, films[1].air_rh_off)
    assert np.array_equal(films[0].air_temp_off, films[1].air_temp_off)
    assert np.std(films[0].air_rh_off) == pytest.approx(0.02, rel=0.05)


def test_two_pieces_that_dry_otherwise_than_the_air_says_narrow_the_error_of_its_sensor() -> None:
    """In air read as 66 %: each is tacky for longer than it should be, and they share no recipe and no place."""
    room = air(*every(60, 24 * 40, 21.0, 66.0))

    def piece(number: int) -> learning.Drying:
        plain = drying(piece_id=number)
        pour = plain.pour.model_copy(update={"recipe": f"mix {number}", "support": Support.GLASS})
        stays = tuple(stay.model_copy(update={"place": f"rack {number}"}) for stay in plain.stays)
        return replace(plain, pour=pour, recipe=Recipe(name=f"mix {number}"), stays=stays)

    def taught(count: int, hours: float) -> tuple[float, float]:
        """Mean and sd of the humidity's error, in its sds, after `count` pieces were found so."""
        lessons = []
        for number in range(1, count + 1):
            seen = [
                Observation(
                    id=number,
                    piece_id=number,
                    kind=ObservationKind.FINGER,
                    finger=finger,
                    at=at(when),
                    spot=Spot.MIDDLE,
                )
                for finger, when in ((Finger.TACKY, hours), (Finger.TOUCH_DRY, hours * 1.1))
            ]
            lessons += learning.teach([(piece(number), seen, (room.time_s, room.temp_c, room.rh_pct))])
        belief = learning.learned(lessons).belief("another", "elsewhere", room=SHED)
        assert belief is not None
        which = SPREADS.index("air_rh")
        return float(belief.mean[which]), float(np.sqrt(belief.cov[which, which]))

    slow = [taught(count, 60.0) for count in (1, 3)]
    assert 0 < slow[0][0] < slow[1][0], "both slow: the room is damper than its sensor says"
    assert slow[1][1] < slow[0][1] < 1.0
    assert taught(3, 12.0)[0] < 0
