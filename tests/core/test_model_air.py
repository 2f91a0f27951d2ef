"""Moist air, beyond what test_physics_air.py holds: frost, humidity ratio, and the properties of the air itself."""

from __future__ import annotations

import CoolProp.CoolProp as coolprop
import numpy as np
import psychrolib
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from iapws import IAPWS97

from curewatch.physics import air
from tests.core.wet_bulb import humidity_ratio, wet_bulb

psychrolib.SetUnitSystem(psychrolib.SI)
P = air.P_ATM

rooms_c = st.floats(0.02, 40.0)
humidities = st.floats(0.05, 0.99)


def k(t_c: float) -> float:
    return t_c + 273.15


@settings(deadline=None)
@given(t_c=st.floats(-40.0, 60.0))
@example(t_c=0.0)
@example(t_c=0.005)
@example(t_c=0.02)
def test_saturation_pressure_is_ashrae(t_c: float) -> None:
    """The same two equations, so equal to rounding, on both sides of the triple point."""
    assert float(air.saturation_pressure(k(t_c))) == pytest.approx(psychrolib.GetSatVapPres(t_c), rel=1e-9)


@settings(deadline=None)
@given(t_c=rooms_c, rh=humidities)
def test_humidity_ratio(t_c: float, rh: float) -> None:
    """ASHRAE's to rounding; a real gas holds up to 0.5 % more (the enhancement factor)."""
    ours = float(humidity_ratio(air.vapour_pressure(k(t_c), rh)))
    assert ours == pytest.approx(psychrolib.GetHumRatioFromRelHum(t_c, rh, P), rel=1e-9)
    assert ours == pytest.approx(coolprop.HAPropsSI("W", "T", k(t_c), "R", rh, "P", P), rel=7e-3)


@settings(deadline=None)
@given(t_c=rooms_c)
def test_latent_heat_is_near_iapws(t_c: float) -> None:
    """0.01 %: a straight line through IAPWS-IF97, and CoolProp's IAPWS-95, from 0 to 40 °C."""
    t = k(t_c)
    ours = float(air.latent_heat(t))
    assert ours == pytest.approx((IAPWS97(T=t, x=1).h - IAPWS97(T=t, x=0).h) * 1e3, rel=1e-4)
    vapour, liquid = (coolprop.PropsSI("H", "T", t, "Q", q, "Water") for q in (1, 0))
    assert ours == pytest.approx(vapour - liquid, rel=1e-4)


def test_water_vapour_diffusivity() -> None:
    """4 %: how far accepted correlations lie apart; here Marrero & Mason 1972 (J. Phys. Chem. Ref. Data 1, 3) from
    280 to 313 K, and the value at 20 °C."""
    assert float(air.water_vapour_diffusivity(k(20))) == pytest.approx(2.475e-5, rel=0.04)
    t = np.linspace(280.0, 313.0, 12)
    np.testing.assert_allclose(air.water_vapour_diffusivity(t), 1.87e-10 * t**2.072, rtol=0.04)


@settings(deadline=None)
@given(t_c=rooms_c)
def test_dry_air_is_near_coolprop(t_c: float) -> None:
    """Powers of T fitted at 20 °C hold viscosity within 1 % and thermal diffusivity within 2 %; the gas is ideal."""
    t = k(t_c)
    rho, mu, conductivity, cp = (coolprop.PropsSI(what, "T", t, "P", P, "Air") for what in ("D", "V", "L", "C"))
    assert float(air.density(t)) == pytest.approx(rho, rel=1e-3)
    assert float(air.kinematic_viscosity(t)) == pytest.approx(mu / rho, rel=0.01)
    assert float(air.thermal_diffusivity(t)) == pytest.approx(conductivity / (rho * cp), rel=0.02)


def test_arrays_give_what_scalars_give() -> None:
    """Ice and water in one array, and broadcasting of a column against a row."""
    t, rh = np.array([[258.15], [273.155], [294.15]]), np.array([0.2, 0.9])
    for law in (air.dew_point, wet_bulb, air.vapour_pressure):
        found = law(t, rh)
        assert found.shape == (3, 2)
        for i, j in np.ndindex(3, 2):
            assert found[i, j] == pytest.approx(float(law(float(t[i, 0]), float(rh[j]))), abs=1e-7)
