"""What the energy balance of a wet film does, beyond its table and its root (test_physics_evaporation.py)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics import air
from curewatch.physics.evaporation import AIR_SPEED, AIR_SPEED_FLOOR, Balance, film_balance
from tests.core import plain_model
from tests.core.wet_bulb import wet_bulb

rooms_k = st.floats(274.0, 313.0)
humidities = st.floats(0.05, 1.0)
speeds = st.floats(AIR_SPEED_FLOOR, 5.0)
sides = st.floats(0.02, 5.0)
backs = st.floats(0.0, 500.0)


def wet(t_c: float, rh: float, air_speed: float, h_back: float, **law: float) -> Balance:
    """A fresh film of side 0.3 m."""
    t = t_c + 273.15
    return film_balance(t, rh * float(air.saturation_pressure(t)), 1.0, air_speed, 0.3, h_back, **law)


@settings(deadline=None)
@given(t=rooms_k, rh=humidities, v=speeds, side=sides, h_back=backs, a_w=st.floats(0.05, 0.99))
def test_slope_follows_the_cooling_film(t: float, rh: float, v: float, side: float, h_back: float, a_w: float) -> None:
    """5 %: the slope leaves out that the transfer coefficients change with the mean temperature. It steers the time
    step only, whose scheme is of order two for any Jacobian."""
    p_air = rh * plain_model.saturation_pressure(t)
    slope = plain_model.evaporation_slope(plain_model.Plate(v, side, h_back), t, p_air, a_w)
    assert float(film_balance(t, p_air, a_w, v, side, h_back).slope) == pytest.approx(slope, rel=0.05)


@pytest.mark.parametrize("rh", [0.1, 0.3, 0.5, 0.7, 0.9])
@pytest.mark.parametrize("t_c", [15, 21, 25, 30, 35, 40])
def test_with_alpha_over_d_of_one_the_film_is_at_the_wet_bulb(t_c: float, rh: float) -> None:
    """Within 5 % of the depression (0.15 K at 21 °C, 50 %), always on the cool side: a thermodynamic wet bulb counts
    humidity per dry air, p/(P-p), and this balance vapour pressure; vapour is up to 7 % of saturated air at 40 °C.
    Below 15 °C a bulb in dry air would be iced, which a film is not."""
    bulb = float(wet_bulb(t_c + 273.15, rh))
    assert bulb > air.T_TRIPLE
    found = wet(t_c, rh, 0.1, 0.0, emissivity=0.0, alpha_over_d=1.0)
    below = bulb - float(found.t_film)
    assert 0 < below < 0.05 * (t_c + 273.15 - bulb)


def test_alpha_over_d_below_one_keeps_the_film_below_the_wet_bulb() -> None:
    """Water vapour spreads faster than heat in air, so a film is cooled a little more than a thermodynamic wet bulb."""
    laws: list[dict[str, float]] = [{}, {"alpha_over_d": 1.0}]
    real, forced = (wet(21, 0.5, 0.1, 0.0, emissivity=0.0, **law) for law in laws)
    assert float(real.t_film) < float(forced.t_film) < float(wet_bulb(294.15, 0.5))


@pytest.mark.parametrize(("h_back", "too_fast"), [(5.0, 0.40), (0.0, 0.65)])
def test_a_surface_held_at_room_temperature_dries_40_to_65_percent_too_fast(h_back: float, too_fast: float) -> None:
    """Why the energy balance is solved at all; a canvas and an insulated back at 21 °C, 50 %. Two digits are known."""
    t = 294.15
    held = plain_model.Plate(0.1, 0.3).rate(t, t, 0.5 * plain_model.saturation_pressure(t), 1.0)
    assert held / float(wet(21, 0.5, 0.1, h_back).rate) - 1 == pytest.approx(too_fast, abs=0.02)


@pytest.mark.parametrize("a_w", [0.2, 0.6, 1.0])
def test_sign_of_evaporation(a_w: float) -> None:
    """A surface in equilibrium with its room rests at room temperature; drier air takes water, damper air gives it."""
    t, p_sat = 294.15, float(air.saturation_pressure(294.15))
    rest = film_balance(t, a_w * p_sat, a_w, 0.1, 0.25, 5.0)
    assert float(rest.rate) == pytest.approx(0.0, abs=1e-9)
    assert float(rest.t_film) == pytest.approx(t, abs=1e-3)
    dry, damp = (film_balance(t, a_w * p_sat * share, a_w, 0.1, 0.25, 5.0) for share in (0.9, 1.1))
    assert dry.rate > 0 > damp.rate
    assert dry.t_film < t < damp.t_film


def test_air_is_never_stiller_than_the_floor() -> None:
    still, floor = (wet(21, 0.5, v, 5.0) for v in (0.0, AIR_SPEED_FLOOR))
    assert still == floor


def test_concrete_practice_lies_within_our_range() -> None:
    """Fresh concrete at air temperature in calm and in light air (up to 1 m/s) evaporates no slower than an insulated
    film in a still room and no faster than one at room temperature under a fan. Outdoor wind is not a room's air."""
    slowest = float(wet(25, 0.5, AIR_SPEED_FLOOR, 0.0).rate) * 3600
    fastest = float(wet(25, 0.5, AIR_SPEED["fan"], 500.0).rate) * 3600
    for wind in (0.0, 3.6):
        assert slowest < plain_model.uno(25, 25, 0.5, wind) < fastest
