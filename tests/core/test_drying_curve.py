"""The curve on the page is the way to the dates beside it: the same members, with what was learned and the future."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from curewatch.desk.snapshot.air import future_of
from curewatch.physics.ensemble import SPREADS
from curewatch.physics.film import LIMIT_BOTTOM, LIMIT_SURFACE, PACKING
from curewatch.records import Forecast, MilestoneKind
from curewatch.records.facts import Finger, Observation, ObservationKind
from curewatch.studio.air.climate import climate_of
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.drying_curve import MEMBERS, DryingCurve, drying_curve
from curewatch.studio.forecasting.forecast import forecasts
from curewatch.studio.inference.factors import Gaussian
from curewatch.studio.inference.posterior import Posterior
from curewatch.studio.outlook.gap_uncertainty import DAY_S
from curewatch.studio.outlook.scenarios import RoomScenarios
from tests.core.test_gap_uncertainty import POURED_D, RECORDED, noisy, recorded, without_a_week
from tests.studio_scene import SHED, air, at, drying, every, surely

CLIMATES = {SHED: air(*every(30, 6, 20.0, 50.0, start=-2))}
TOUCH_DRY, HANDLE = MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE


def slow(piece: Drying, *tacky_h: float) -> Drying:
    """The piece, of whose recipe and place it was learned that they are slow; found tacky by finger at these times."""
    mean = np.zeros(len(SPREADS))
    mean[[SPREADS.index(name) for name in ("d0", "air_speed")]] = -3.5, -1.0
    belief = Gaussian(mean, 0.3 * np.eye(len(SPREADS)))
    seen = tuple(Observation(piece_id=1, at=at(h), kind=ObservationKind.FINGER, finger=Finger.TACKY) for h in tacky_h)
    return replace(piece, posterior=Posterior(piece.pour, seen, belief, belief))


def both(piece: Drying, future: RoomScenarios | None = None) -> tuple[Forecast, DryingCurve]:
    futures = None if future is None else {SHED: future}
    (made,) = forecasts([piece], CLIMATES, at(6), members=MEMBERS, days=30, futures=futures)
    curve = drying_curve(piece, CLIMATES, made, at(6), future)
    assert curve is not None
    return made, curve


def even_h(made: Forecast, kind: MilestoneKind) -> float:
    when = next(m.worth_checking_at for m in made.milestones if m.kind is kind)
    assert when is not None
    return (when - at(0)) / timedelta(hours=1)


def agrees(made: Forecast, curve: DryingCurve) -> None:
    """At even odds half the members are there: the middle one is about at the limit, which spreads by 15 % itself."""
    for kind, column, limit in (
        (TOUCH_DRY, curve.surface.mid, LIMIT_SURFACE),
        (HANDLE, curve.bottom.mid, LIMIT_BOTTOM),
    ):
        assert np.interp(even_h(made, kind), curve.hours, column) == pytest.approx(limit, rel=0.15)


def test_the_curve_agrees_with_the_dates_before_and_after_learning() -> None:
    thick = drying(thickness_m=3e-3)  # so that its core waits for what diffuses
    plain, learned = both(thick), both(slow(thick))
    agrees(*plain)
    agrees(*learned)
    assert even_h(learned[0], HANDLE) > 1.3 * even_h(plain[0], HANDLE), "and learning made a difference"


def test_the_piece_s_own_observations_weigh_in_the_curve_as_in_the_dates() -> None:
    believed, tested = both(slow(drying())), both(slow(drying(), 5.9))
    assert even_h(tested[0], TOUCH_DRY) >= even_h(believed[0], TOUCH_DRY)
    agrees(*tested)


def test_the_curve_goes_through_the_future_that_the_dates_go_through() -> None:
    time = CLIMATES[SHED].time_s[-1] + np.array([0.0, 3600.0, 3e6])
    cold = np.tile([20.0, 15.0, 15.0], (1 + MEMBERS, 1))
    future = RoomScenarios(time, cold, np.full(cold.shape, 65.0))
    stays, cools = both(drying()), both(drying(), future)
    agrees(*cools)
    late = float(even_h(stays[0], HANDLE))
    assert np.interp(late, cools[1].hours, cools[1].bottom.mid) > 1.05 * np.interp(
        late, stays[1].hours, stays[1].bottom.mid
    )


def test_what_a_piece_has_reached_stays_on_the_curve_where_it_was() -> None:
    """A date that has passed does not move when the future looks otherwise."""
    piece = drying(thickness_m=0.3e-3)
    time = CLIMATES[SHED].time_s[-1] + np.array([0.0, 3600.0])
    futures = [RoomScenarios(time, np.full((25, 2), temp), np.full((25, 2), 50.0)) for temp in (15.0, 25.0)]
    one, other = (both(piece, future) for future in futures)
    assert even_h(one[0], TOUCH_DRY) == even_h(other[0], TOUCH_DRY) < 6
    before = one[1].hours < 6
    np.testing.assert_allclose(
        np.interp(one[1].hours[before], other[1].hours, other[1].surface.mid),
        one[1].surface.mid[before],
        atol=0.02,
    )


DAYS = 30


def of_record(readings: tuple[np.ndarray, np.ndarray, np.ndarray]) -> tuple[Forecast, DryingCurve]:
    """A thick piece of which all is known but its air, poured in a recorded room, looked at nine days later."""
    time, temp, rh = readings
    climate = climate_of(time + at(0).timestamp() - POURED_D * DAY_S, temp, rh)
    assert climate is not None
    future, piece = future_of(climate, MEMBERS, DAYS), surely(drying(thickness_m=2e-3))
    (made,) = forecasts([piece], {SHED: climate}, at(216), members=MEMBERS, days=DAYS, futures={SHED: future})
    curve = drying_curve(piece, {SHED: climate}, made, at(216), future)
    assert curve is not None
    return made, curve


def test_the_curve_has_the_doubt_about_the_past_that_the_dates_have() -> None:
    """A record without the week of the pour, and one that jitters: the band is wider, and crosses where the dates are.

    Nothing else is unknown, so at packing all films have the same share left.
    """
    whole = recorded(RECORDED[1])
    scenes = [of_record(readings) for readings in (whole, without_a_week(whole), noisy(whole))]
    water, glycol = 0.67, 0.03
    packed = 0.3 * (1 / PACKING - 1) / (water + glycol)
    width = []
    for made, curve in scenes:
        of = next(m for m in made.milestones if m.kind is MilestoneKind.SET)
        dates = [
            (when - at(0)) / timedelta(hours=1) for when in (of.early_at, of.worth_checking_at, of.safe_at) if when
        ]
        crossed = [
            float(np.interp(-packed, -edge, curve.hours)) for edge in (curve.left.low, curve.left.mid, curve.left.high)
        ]
        assert crossed == pytest.approx(dates, rel=0.01)
        handle = even_h(made, HANDLE)
        width.append(np.interp(handle, curve.hours, curve.left.high) - np.interp(handle, curve.hours, curve.left.low))
    assert width[0] < 1e-4, "it was read all the way: one film, one curve"
    assert width[1] > 0.005, "a gap"
    assert width[2] > 0.005, "a sensor that jitters"


def test_of_a_film_whose_thickness_is_only_guessed_surface_and_bottom_are_uncertain_too() -> None:
    made, curve = both(drying())
    half_way = even_h(made, HANDLE) / 2
    for band in (curve.left, curve.surface, curve.bottom):
        low, median, high = (float(np.interp(half_way, curve.hours, edge)) for edge in (band.low, band.mid, band.high))
        assert low < median < high
        assert high - low > 0.01
