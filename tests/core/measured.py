"""What others measured, or what trade and makers say, and what the model comes to: not simulations.

Held by test_against_measurements.py, printed by `sh deploy/bench model`. The bands are those of the project's model
sheet, section 8: how far the measurement itself can be trusted (area and air speed unknown, a range read off a data
sheet), not what happened to pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch import estimate
from curewatch.physics import air, evaporation, film
from curewatch.physics.air import AirSeries
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver.integrator import integrate
from curewatch.physics.solver.state import State
from tests.core.data import table
from tests.core.plain_model import DAY, HOUR

Array = NDArray[np.float64]
SET, TOUCH_DRY, HANDLE, VARNISH_READY = range(4)
ON_METAL = {"side": 0.2, "h_back": 500.0}
"""A metal plate keeps the film at the room's temperature."""
DROPS = [(10.0, 40.0), (10.0, 65.0), (10.0, 85.0), (27.0, 40.0), (27.0, 65.0), (27.0, 85.0)]
"""[°C, %RH] of the curves of Morris et al. 2021 (see data/evaporating_drops.csv)."""


HELD = 1e6
"""Heat through the back [W/(m2 K)] that holds a surface at the temperature of the room."""
PLATE_M = 0.13
"""The usual length of a laboratory's plate of wells [m]."""


def weighings(t_c: float, rh_pct: float) -> Array:
    """Time [h] and mass [mg] of one curve down to 30 % of its first mass."""
    rows = [
        (r["time_min"] / 60, r["mass_mg"])
        for r in table("evaporating_drops")
        if (r["temp_c"], r["rh_pct"]) == (t_c, rh_pct)
    ]
    curve = np.array(rows)
    return curve[curve[:, 1] >= 0.3 * curve[0, 1]]


def slope(curve: Array) -> float:
    """[mg/h], positive while the drop loses mass."""
    return -float(np.polyfit(curve[:, 0], curve[:, 1], 1)[0])


def free_rates(*, cooled: bool) -> Array:
    """E [kg/(m2 s)] of open water in each room of DROPS: a plate of wells 13 cm long on a table in still air."""
    found = []
    for t_c, rh_pct in DROPS:
        t_air = t_c + air.ZERO_C
        p_air = float(air.vapour_pressure(t_air, rh_pct / 100))
        h_back = 20.0 if cooled else HELD
        found.append(float(evaporation.film_balance(t_air, p_air, 1.0, 0.1, PLATE_M, h_back).rate))
    return np.array(found)


def saturation(t: float) -> float:
    return float(air.saturation(np.array([t]))[0][0])


def departures(*, cooled: bool) -> Array:
    """ln(measured/model) with the one common scale, which is not published, taken out."""
    log = np.log([slope(weighings(*room)) for room in DROPS]) - np.log(free_rates(cooled=cooled))
    return np.asarray(log - log.mean())


def dried(wet_m: float, solids: float, glycol: float, t_c: float, rh: float, days: float, **plate: float) -> State:
    """A film that has lain for `days` in steady air."""
    films = Films.of(wet_m, solids, glycol, **plate)
    room = AirSeries.constant(t_c + air.ZERO_C, rh)
    return integrate(films, room, np.zeros(1, dtype=np.intp), days * DAY)[0]


@dataclass(frozen=True)
class Check:
    """One figure of the model and the band that measurements leave it."""

    name: str
    source: str
    unit: str
    low: float
    high: float
    found: Callable[[], float]


def straightness(room: tuple[float, float]) -> float:
    """How fast the second half of a curve falls, over the first."""
    curve = weighings(*room)
    half = len(curve) // 2
    return slope(curve[half:]) / slope(curve[: half + 1])


def over_computed(gap_m: float, measured: float) -> float:
    """A flux of vapour [kg/(m2 h)] through so much still air at 25 °C and 5 %RH, over Stefan's law (Bird, Stewart &
    Lightfoot, section 18.2)."""
    t, p = 298.15, 101_325.0
    p_s = saturation(t)
    flux = float(air.water_vapour_diffusivity(t)) * p / (air.R_GAS * t * gap_m) * np.log((p - 0.05 * p_s) / (p - p_s))
    return float(measured / (flux * air.M_WATER * 3600))


def from_warm_water(side_m: float) -> float:
    """Of a surface held at the room's 28 °C in half damp still air [kg/(m2 h)]."""
    t = 28 + air.ZERO_C
    return 3600 * float(evaporation.film_balance(t, 0.5 * saturation(t), 1.0, 0.1, side_m, HELD).rate)


def solids_where_rate_fell(fall: float) -> float:
    """Solids fraction at which a pour of 1.5 mm loses water so many times slower than at first."""
    films, at = Films.of(1.5e-3), np.linspace(600, 4 * DAY, 3000)
    room = AirSeries.constant(294.15, 0.5)
    _, samples = integrate(films, room, np.zeros(1, dtype=np.intp), 4 * DAY, sample_at=at, stop_when_ready=False)
    rate, solids = samples["rate"][:, 0], 1 - samples["volatile_fraction"][:, 0]
    return float(solids[np.argmax(rate < rate[0] / fall)])


def glycol_gone_h(wet_m: float) -> float:
    """When nine tenths of its glycol have left a film on metal, at 23 °C and 50 % [h]."""
    films, grid = Films.of(wet_m, 0.40, 0.02, **ON_METAL), Grid.graded()
    room = AirSeries.constant(296.15, 0.5)

    def left(hours: float) -> float:
        state, _ = integrate(films, room, np.zeros(1, dtype=np.intp), hours * HOUR, stop_when_ready=False)
        return float((grid.share[:, 0] * state.u[:, 1, 0]).sum() / films.glycol[0])

    low, high = 1.0, 1000.0
    while high > 1.02 * low:
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if left(middle) > 0.1 else (low, middle)
    return high


def vapour_resistance_m(dry_side: float, damp_side: float) -> float:
    """Still air that holds back as much vapour as a dried film of 100 um between two humidities [m]."""
    t, thickness = 296.15, 100e-6
    phi = film.equilibrium_water(np.array([dry_side, damp_side]))
    w = np.linspace(*(phi / (1 - phi)), 2001)
    p = 1 / (1 + w)
    warm = np.exp(-film.EA / air.R_GAS * (1 / t - 1 / film.T_D) + 9 * w * p)
    conductivity = (film.D0 * warm + 2e-9 / (1 + np.exp((p - film.PACKING) / 0.02))) * p * p
    flux = float((0.5 * (conductivity[1:] + conductivity[:-1]) * np.diff(w)).sum()) / thickness * film.RHO_WATER
    in_air = float(air.water_vapour_diffusivity(t)) * air.M_WATER / (air.R_GAS * t)
    return in_air * (damp_side - dry_side) * saturation(t) / flux


def damp_over_usual(wet_m: float) -> float:
    """Touch-dry at 23 °C and 70 %RH over that at 50 %."""
    damp, usual = (float(dried(wet_m, 0.30, 0.03, 23, rh, 20).reached[TOUCH_DRY, 0]) for rh in (0.70, 0.50))
    return damp / usual


def slow_acrylic_h(milestone: int) -> float:
    return float(dried(76e-6, 0.38, 0.15, 21, 0.5, 10, **ON_METAL).reached[milestone, 0]) / HOUR


def ready_at_the_earliest_d(wet_mm: float) -> float:
    """When one film of ten is ready for varnish at 21 °C and 50 % [d]; as far as is looked where none is."""
    early_h = estimate(wet_thickness_mm=wet_mm, temp_c=21, rh_pct=50).milestones["varnish_ready"].early_h
    return 120.0 if early_h is None else early_h / 24


DROPS_OF = "Morris et al. 2021, weighed drops (data/evaporating_drops.csv)"
HEYD = (
    "Heyd 2025, repository rjlh64/ThinFilm-Drying (MIT): 0.64 falling to 0.59 kg/(m2 h); end effects of a short column"
)
SHAH = "Shah 2002, HVAC&R Res. 8(1):125: 0.136 kg/(m2 h) of any size; 35 %: twice the correlation's own average error"
GLYCOL = "Sparks et al. 1999, Indoor Air 9:10-17: 3-4 days from 100-150 um on metal; Chang et al. 1997, Indoor Air 7"
COAT = "a paint coat: 2.5e9 m2 s Pa/kg, half a metre (SBI-anvisning 178, 1993)"
SLOW = "secondary table that quotes a maker: wet for 30-60 min, touch-dry in a day"
CHECKS = (
    Check("free evaporation by room, rms of ln(measured/model)", DROPS_OF, "-", 0.0, 0.18,
          lambda: float(np.sqrt((departures(cooled=True) ** 2).mean()))),
    Check("free evaporation by room, the worst", DROPS_OF, "-", 0.0, 0.30,
          lambda: float(np.abs(np.expm1(departures(cooled=True))).max())),
    *(Check(f"second half of the fall over the first, {t_c:g} °C {rh:g} %", DROPS_OF, "-", 0.65, 1.05,
            lambda room=(t_c, rh): straightness(room)) for t_c, rh in DROPS),
    *(Check(f"vapour through {1e3 * gap:g} mm of still air, measured over computed", HEYD, "-", 0.88, 1.05,
            lambda gap=gap, flux=flux: over_computed(gap, flux)) for gap, flux in ((2.9e-3, 0.64), (3.4e-3, 0.59))),
    *(Check(f"evaporation into still air, side {side:g} m", SHAH, "kg/m2/h", 0.136 * 0.65, 0.136 * 1.35,
            lambda side=side: from_warm_water(side)) for side in (0.1, 0.3, 0.5, 1.0, 1.5)),
    *(Check(f"solids where the rate has fallen to 1/{fall}", "Vanderhoff 1973", "-", 0.78, 0.92,
            lambda fall=fall: solids_where_rate_fell(fall)) for fall in (10, 20)),
    *(Check(f"nine tenths of the glycol gone, {um} um on metal", GLYCOL, "h", 12.0, 120.0,
            lambda um=um: glycol_gone_h(um * 1e-6)) for um in (100, 125, 150)),
    *(Check(f"s_d of a dried film of 100 um, {100 * a:.0f} to {100 * b:.0f} %RH", COAT, "m", 0.2, 1.4,
            lambda a=a, b=b: vapour_resistance_m(a, b)) for a, b in ((0.0, 0.50), (0.50, 0.93))),
    Check("satin wall paint, 80 um, 20 °C 65 %: touch-dry", "its data sheet: 1-2 h; a thumb comes early", "h", 0.7, 2.0,
          lambda: float(dried(80e-6, 0.35, 0.02, 20, 0.65, 2, side=0.2, h_back=20.0).reached[TOUCH_DRY, 0]) / HOUR),
    *(Check(f"touch-dry at 70 %RH over that at 50 %, {1e3 * wet:g} mm", 'common practice of the trade: "can double"',
            "-", 1.5, 2.5, lambda wet=wet: damp_over_usual(wet)) for wet in (80e-6, 1.2e-3)),
    Check("slow acrylic, 76 um, 15 % glycol: set", SLOW, "h", 0.4, 1.2, lambda: slow_acrylic_h(SET)),
    Check("slow acrylic, 76 um, 15 % glycol: touch-dry", SLOW, "h", 8.0, 30.0, lambda: slow_acrylic_h(TOUCH_DRY)),
    Check("thin coat, 76 um: set", "15-20 min of working time measured by a maker of paint", "min", 10.0, 30.0,
          lambda: float(dried(76e-6, 0.40, 0.02, 21, 0.5, 2, side=0.1, h_back=500.0).reached[SET, 0]) / 60),
    Check("6.35 mm: ready for varnish at the earliest", "a maker's notes: months to years", "d", 60.0, float("inf"),
          lambda: ready_at_the_earliest_d(6.35)),
)  # fmt: skip
