"""Moist air against tables, and against psychrolib, CoolProp and IAPWS over the whole range of rooms."""

from __future__ import annotations

import CoolProp.CoolProp as coolprop
import iapws
import numpy as np
import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics import air
from tests.core.data import table
from tests.core.wet_bulb import wet_bulb

psychrolib.SetUnitSystem(psychrolib.SI)
P = air.P_ATM
temps = st.floats(0.0, 40.0)
humidities = st.floats(0.05, 0.99)


@pytest.mark.parametrize("row", table("saturation_pressure"))
def test_saturation_pressure_as_tabled(row: dict[str, float]) -> None:
    # the table's last digit is 1e-5 of its smallest value
    assert air.saturation_pressure(row["t_c"] + air.ZERO_C) == pytest.approx(row["p_pa"], rel=1e-5)


@pytest.mark.parametrize("row", table("moist_air"))
def test_dew_point_and_wet_bulb_as_tabled(row: dict[str, float]) -> None:
    t, rh = row["t_c"] + air.ZERO_C, row["rh"]
    # the table's last digit
    assert air.dew_point(t, rh) - air.ZERO_C == pytest.approx(row["dew_c"], abs=0.01)
    assert wet_bulb(t, rh) - air.ZERO_C == pytest.approx(row["wet_bulb_c"], abs=0.01)


def test_diffusivity_of_vapour_at_20_c() -> None:
    """Massman's own scatter of the measurements is 4 %."""
    assert air.water_vapour_diffusivity(293.15) == pytest.approx(2.475e-5, rel=0.04)


@given(temps)
def test_saturation_pressure_is_ashraes_and_within_its_accuracy_of_iapws(t: float) -> None:
    """The same equations as psychrolib, so equal to rounding; 0.05 % is the scatter between the formulations."""
    ours = float(air.saturation_pressure(t + air.ZERO_C))
    assert ours == pytest.approx(psychrolib.GetSatVapPres(t), rel=1e-6)
    if t > 0.02:  # the others begin at the triple point
        assert ours == pytest.approx(coolprop.PropsSI("P", "T", t + air.ZERO_C, "Q", 0, "Water"), rel=5e-4)
        assert ours == pytest.approx(iapws.iapws97._PSat_T(t + air.ZERO_C) * 1e6, rel=5e-4)


@given(temps, humidities)
def test_dew_point_against_psychrolib_and_coolprop(t: float, rh: float) -> None:
    """psychrolib stops its Newton search at 1 mK; CoolProp's air is a real gas, worth 0.03 K, and it knows no frost
    above its triple point: both sides leave out the 0.1 K around it, where ice and water change places."""
    ours = float(air.dew_point(t + air.ZERO_C, rh)) - air.ZERO_C
    if abs(ours) > 0.1:
        assert ours == pytest.approx(psychrolib.GetTDewPointFromRelHum(t, rh), abs=2e-3)
        assert ours == pytest.approx(_humid_air("D", t, rh), abs=0.03)


@settings(deadline=None)
@given(temps, humidities)
def test_wet_bulb_against_psychrolib_and_coolprop(t: float, rh: float) -> None:
    """psychrolib bisects to 1 mK. CoolProp takes enthalpies of real moist air where ASHRAE's eq. 33 rounds its
    coefficients to four digits: 0.05 K. Where the bulb may be water or ice there are two answers, up to 0.7 K apart."""
    ours = float(wet_bulb(t + air.ZERO_C, rh)) - air.ZERO_C
    if abs(ours) > 0.7:
        assert ours == pytest.approx(psychrolib.GetTWetBulbFromRelHum(t, rh, P), abs=3e-3)
        assert ours == pytest.approx(_humid_air("B", t, rh), abs=0.05)


def _humid_air(what: str, t: float, rh: float) -> float:
    return float(coolprop.HAPropsSI(what, "T", t + air.ZERO_C, "P", P, "R", rh)) - air.ZERO_C


def test_the_laws_over_ice_and_water_meet_at_the_triple_point() -> None:
    below, above = air.saturation_pressure(np.array([air.T_TRIPLE - 1e-9, air.T_TRIPLE]))
    # fitted apart, eqs. 5 and 6 meet to 6e-9; of 611.657 Pa six digits are known
    assert below == pytest.approx(above, rel=1e-8)
    assert above == pytest.approx(611.657, rel=1e-6)


@given(st.floats(-60, 90))
def test_the_slope_is_the_derivative(t: float) -> None:
    """A finite difference over 2 mK, away from the triple point, where the slope steps."""
    kelvin = t + air.ZERO_C
    if abs(kelvin - air.T_TRIPLE) > 0.01:
        pressure, slope = air.saturation(np.array([kelvin - 1e-3, kelvin, kelvin + 1e-3]))
        assert slope[1] == pytest.approx(np.log(pressure[2] / pressure[0]) / 2e-3, rel=1e-5)


@pytest.mark.parametrize("t", [100.0, 500.0, float("nan")])
def test_outside_their_range_the_laws_refuse(t: float) -> None:
    with pytest.raises(ValueError, match=r"173\.15"):
        air.saturation_pressure(t)


def test_no_dew_point_without_humidity() -> None:
    with pytest.raises(ValueError, match="no dew point"):
        air.dew_point(294.15, 0.0)


def test_of_no_air_at_all_there_is_no_pressure() -> None:
    assert [one.size for one in air.saturation(np.empty(0))] == [0, 0]
    assert air.saturation_pressure(np.empty(0)).size == 0
