"""The energy balance of a wet film against its table, a root finder on the written equation, and its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from curewatch.physics import air
from curewatch.physics.evaporation import STEFAN_BOLTZMANN, Plate, film_balance
from tests.core.data import table
from tests.core.wet_bulb import wet_bulb

Z = air.ZERO_C


def balance(t_c: float, rh: float, a_w: float, v: float, side: float, h_back: float, **k: float) -> tuple[float, float]:
    p_air = float(air.vapour_pressure(t_c + Z, rh))
    found = film_balance(t_c + Z, p_air, a_w, v, side, h_back, **k)
    return float(found.t_film) - Z, float(found.rate)


@pytest.mark.parametrize("row", table("wet_film"))
def test_the_table(row: dict[str, float]) -> None:
    t, rate = balance(row["t_c"], row["rh"], 1.0, row["air_speed"], 0.3, row["h_back"])
    # the table's last digits: 0.01 K, and of its smallest rate half a per cent
    assert t == pytest.approx(row["film_c"], abs=0.01)
    assert rate * 3600 == pytest.approx(row["rate"], rel=0.005)


def written(t_a: float, p_a: float, a_w: float, v: float, side: float, h_back: float) -> tuple[float, float]:
    """Section by section as the books print it: Re, Sc, Lewis, then the root between -60 °C and +190 °C."""

    def terms(t_f: float) -> tuple[float, float]:
        t, plate = (t_a + t_f) / 2, min(side, 0.3)
        d = 2.178e-5 * (t / 273.15) ** 1.81
        nu, alpha = 1.506e-5 * (t / 293.15) ** 1.75, 2.107e-5 * (t / 293.15) ** 1.75
        k_m = 0.664 * math.sqrt(v * plate / nu) * (nu / d) ** (1 / 3) * d / plate
        h = 101_325 / (287.055 * t) * 1006 * (alpha / d) ** (2 / 3) * k_m
        rate = k_m * 0.01801528 / 8.314462618 * (a_w * float(air.saturation_pressure(t_f)) / t_f - p_a / t_a)
        heat = (h + h_back) * (t_a - t_f) + 0.95 * STEFAN_BOLTZMANN * (t_a**4 - t_f**4)
        return heat - (2500.9e3 - 2369 * (t_f - 273.15)) * rate, rate

    t_f = float(brentq(lambda t: terms(t)[0], 213.15, 463.15, xtol=1e-9))
    return t_f, terms(t_f)[1]


@given(
    st.floats(-20, 45), st.floats(0.01, 1), st.floats(0, 1), st.floats(0.05, 5), st.floats(0.02, 5), st.floats(0, 500)
)
def test_any_piece_in_any_air_against_brentq(
    t_c: float, rh: float, a_w: float, v: float, side: float, h_back: float
) -> None:
    """The search stops at a step of 0.05 K and follows its tangent: 10 mK where the film is near freezing and the law
    of saturation has its corner, 5 mK elsewhere; 2e-4 of the gross exchange, of which the rate is a difference."""
    p_a = rh * float(air.saturation_pressure(t_c + Z))
    t, rate = written(t_c + Z, p_a, a_w, v, side, h_back)
    ours_t, ours = balance(t_c, rh, a_w, v, side, h_back)
    gross = float(film_balance(t_c + Z, 0.0, 1.0, v, side, 1e9).rate)
    assert ours_t == pytest.approx(t - Z, abs=1e-2 if abs(t - air.T_TRIPLE) < 0.2 else 5e-3)
    assert ours == pytest.approx(rate, abs=2e-4 * gross)


def test_without_radiation_and_back_the_film_temperature_knows_neither_wind_nor_size() -> None:
    """A little below the thermodynamic wet bulb (14.60 °C), since alpha/D is not 1."""
    found = [balance(21, 0.5, 1, v, side, 0, emissivity=0.0)[0] for v in (0.05, 0.3, 2.0) for side in (0.05, 0.3, 2.0)]
    assert found == pytest.approx([14.18] * 9, abs=0.05)
    assert np.ptp(found) < 1e-3


@pytest.mark.parametrize(("t_c", "rh"), [(21, 0.5), (25, 0.5), (15, 0.7), (35, 0.2)])
def test_with_alpha_over_d_of_one_it_is_the_wet_bulb(t_c: float, rh: float) -> None:
    """Psychrometry by heat and mass transfer. 0.35 K: the equation drives vapour by p/T, hot side against cold, where
    eq. 33 takes humidity ratios; its air is dry, and its vapour dilute."""
    t, _ = balance(t_c, rh, 1, 0.3, 0.3, 0, emissivity=0.0, alpha_over_d=1.0)
    assert t + Z == pytest.approx(float(wet_bulb(t_c + Z, rh)), abs=0.35)


def uno(concrete_c: float, air_c: float, rh: float, wind_km_h: float) -> float:
    return float(5 * ((concrete_c + 18) ** 2.5 - rh * (air_c + 18) ** 2.5) * (wind_km_h + 4) * 1e-6)


@pytest.mark.parametrize("row", table("uno_1998"))
def test_unos_formula_brackets_ours_from_above(row: dict[str, float]) -> None:
    """Concrete lies in turbulent wind, held warm by its mass: more than a film in a room, of the same order."""
    theirs = uno(row["concrete_c"], row["air_c"], row["rh"], row["wind"])
    assert theirs == pytest.approx(row["rate"], rel=2e-3)
    _, ours = balance(row["air_c"], row["rh"], 1.0, max(row["wind"] / 3.6, 0.1), 0.3, 5.0)
    assert theirs / 5 < ours * 3600 < theirs


def test_a_cold_film_in_damp_air_gains_water() -> None:
    _, rate = balance(21, 0.9, 0.2, 0.1, 0.3, 5)
    assert rate < 0


def test_the_slope_follows_the_cooling() -> None:
    """dE/da_w with T_f free, against a difference of two solved balances; k_m, which hardly moves, is left out: 1 %."""
    low, high = (balance(21, 0.5, a, 0.3, 0.3, 5)[1] for a in (0.799, 0.801))
    slope = film_balance(Z + 21, air.vapour_pressure(Z + 21, 0.5), 0.8, 0.3, 0.3, 5).slope
    assert float(slope) == pytest.approx((high - low) / 0.002, rel=0.01)


def test_a_piece_does_not_know_its_neighbours() -> None:
    t, v = np.array([263.15, 294.15, 313.15]), np.array([0.1, 0.3, 3.0])
    p, a_w = air.vapour_pressure(t, 0.4), np.array([1.0, 0.6, 0.1])
    together = Plate(v, 0.25, 5.0).balance(t, p, a_w)
    for i in range(3):
        alone = Plate(v[i], 0.25, 5.0).balance(t[i : i + 1], p[i : i + 1], a_w[i : i + 1])
        assert [float(x[0]) for x in alone] == [float(x[i]) for x in together]
