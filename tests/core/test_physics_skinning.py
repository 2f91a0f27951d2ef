"""The drying number: worked out by hand, against its limits, and in which directions it goes."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.physics import air
from curewatch.physics.air import ZERO_C
from curewatch.physics.evaporation import diffusivity_at_packing, drying_number, film_balance


def number(temp_c: float, rh_pct: float, *, air_speed: float = 0.1, thickness_m: float = 1.5e-3) -> float:
    """Of a wet canvas with 30 % solids and a side of 0.3 m."""
    t = np.array([temp_c + ZERO_C])
    film = film_balance(t, air.vapour_pressure(t, rh_pct / 100), 1.0, air_speed, 0.3, 5.0)
    return float(drying_number(film.rate, film.t_film, 0.3 * thickness_m)[0])


def test_the_number_of_the_tabled_film_is_that_worked_out_by_hand() -> None:
    """Model section 2: 1.5 mm at 21 °C, 50 % loses 0.0488 kg/m2/h at 18.37 °C (to 1 % there; D follows T_f by 0.2 %).

    D_w = 1.5e-12 exp(-3608 (1/291.52 - 1/296.15) + 3.24) = 3.16e-11;
    Pe = 1.356e-5 x 4.5e-4 / (998 x 3.16e-11 x 0.2304).
    """
    assert float(diffusivity_at_packing(18.37 + ZERO_C)) == pytest.approx(3.16e-11, rel=0.005)  # three digits above
    assert number(21, 50) == pytest.approx(0.840, rel=0.015)  # the table's 1 % and the rounding above


def test_it_grows_with_thickness_in_proportion() -> None:
    assert number(21, 50, thickness_m=3e-3) == pytest.approx(2 * number(21, 50), rel=1e-12)  # rounding alone


@pytest.mark.parametrize("temp", [2, 10, 21, 30, 40])
def test_dry_air_wind_and_warmth_raise_it_and_cold_lowers_it(temp: float) -> None:
    by_rh = [number(temp, rh) for rh in (15, 30, 50, 70, 90)]
    assert by_rh == sorted(by_rh, reverse=True)
    by_wind = [number(temp, 50, air_speed=wind) for wind in (0.05, 0.1, 0.3, 1.0, 2.0)]
    assert by_wind == sorted(by_wind)
    assert number(temp - 2, 50) < number(temp, 50)


def test_a_film_that_gains_water_has_no_number() -> None:
    assert number(21, 100) == pytest.approx(0.0, abs=1e-3)  # nothing leaves a film as warm as saturated air
    assert float(drying_number(np.array([-1e-6]), np.array([290.0]), 4e-4)[0]) == 0.0
