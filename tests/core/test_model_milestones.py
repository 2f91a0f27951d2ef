"""Milestones at the tolerance that users get, their order, and how long a condition must hold or a film age."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.physics.air import AirSeries
from curewatch.physics.film import LIMIT_DRY, RHO_DRY, RHO_WATER, Films, Grid
from curewatch.physics.solver.integrator import integrate
from tests.core import plain_model
from tests.core.data import table
from tests.core.plain_model import DAY, HOUR
from tests.ways import way as way

pytestmark = pytest.mark.usefixtures("way")

SET, TOUCH_DRY, HANDLE, VARNISH_READY = range(4)
MM = 1e-3


def first(n: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """All films in the first room."""
    return np.zeros(n, dtype=np.intp)


@pytest.mark.parametrize(
    "row", table("milestones"), ids=lambda row: f"{row['wet_mm']:g}mm-{row['air_speed']:g}m/s-{row['side']:g}m"
)
def test_milestones_table(row: dict[str, float]) -> None:
    """1 %: 0.2 % of the table's own convergence, 0.7 % between its 80 cells and our 20."""
    plate = {name: row[name] for name in ("side", "air_speed", "h_back")}
    films = Films.of(row["wet_mm"] * MM, row["solids"], row["glycol"], **plate)
    found = integrate(films, AirSeries.constant(294.15, 0.5), first(1), 200 * DAY)[0].reached[:, 0]
    assert found[SET] / HOUR == pytest.approx(row["set_h"], rel=0.01)
    assert found[TOUCH_DRY] / HOUR == pytest.approx(row["touch_dry_h"], rel=0.01)
    assert found[HANDLE] / HOUR == pytest.approx(row["handle_h"], rel=0.01)
    assert found[VARNISH_READY] / DAY == pytest.approx(row["varnish_ready_d"], rel=0.01)


def test_milestones_come_in_order() -> None:
    """Packed before touch-dry before handle before varnish-ready, whatever the film."""
    rng = np.random.default_rng(6)
    n = 60
    films = Films.of(rng.uniform(0.1, 4, n) * MM, rng.uniform(0.15, 0.5, n), rng.uniform(0, 0.08, n))
    rooms = AirSeries(
        [([0.0], [t], [rh]) for t, rh in zip(rng.uniform(286, 305, n), rng.uniform(0.2, 0.7, n), strict=True)]
    )
    state, _ = integrate(films, rooms, np.arange(n), 60 * DAY)
    for earlier, later in zip(state.reached, state.reached[1:], strict=False):
        assert (earlier <= later).all()
    assert (state.reached[TOUCH_DRY] < np.inf).all()


def week(*spells: tuple[float, float], t_c: float = 23.0) -> AirSeries:
    """A room whose humidity changes within a quarter of an hour: (until day, humidity) one after another."""
    time, rh, now = [0.0], [spells[0][1]], 0.0
    for day, humidity in spells:
        time += [now + 900, day * DAY]
        rh += [humidity, humidity]
        now = day * DAY
    return AirSeries([(time, np.full(len(time), t_c + 273.15), rh)])


THIN = Films.of(0.1 * MM, 0.4, 0.0)
"""Fused after six days and a half at 23 °C; its water follows the room within the hour."""


def test_a_dry_afternoon_in_a_damp_week_does_not_make_varnish_ready() -> None:
    """The film is dry enough, and fused, for eight hours of day 9; ready only once the air stays dry, from day 12."""
    afternoon = week((9, 0.92), (9 + 1 / 3, 0.30), (12, 0.92), (20, 0.30))
    during = np.array([9.25, 11.0]) * DAY
    state, samples = integrate(THIN, afternoon, first(1), 20 * DAY, sample_at=during)
    dry, damp = samples["volatile_fraction"][:, 0] / (1 - samples["volatile_fraction"][:, 0]) * RHO_WATER / RHO_DRY
    assert dry < LIMIT_DRY < damp
    assert state.reached[HANDLE, 0] < DAY
    assert 12 * DAY < state.reached[VARNISH_READY, 0] < 12.5 * DAY


def test_a_march_that_ends_before_the_time_is_held_does_not_know_yet() -> None:
    afternoon = week((9, 0.92), (20, 0.30))
    ready = integrate(THIN, afternoon, first(1), 20 * DAY)[0].reached[VARNISH_READY, 0]
    too_short, _ = integrate(THIN, afternoon, first(1), ready + 23 * HOUR, stop_when_ready=False)
    assert np.isinf(too_short.reached[VARNISH_READY, 0])
    long_enough, _ = integrate(THIN, afternoon, first(1), ready + 25 * HOUR, state=too_short)
    assert long_enough.reached[VARNISH_READY, 0] == pytest.approx(ready)


def test_a_film_ages_only_while_warm_and_packed() -> None:
    """c of an 0.1 mm film after ten days at 23 °C is ten days of 150 h, but for the hour before it was packed, and for
    two of them below its MFFT nothing."""
    time = np.array([0, 4, 4.01, 6, 6.01, 10]) * DAY
    temp = np.array([23.0, 23, 5, 5, 23, 23]) + 273.15
    rooms = AirSeries([(time, temp, np.full(6, 0.5)), ([0.0], [296.15], [0.5])])
    state, _ = integrate(THIN.take(np.array([0, 0])), rooms, np.array([0, 1]), 10 * DAY, stop_when_ready=False)
    broken, whole = state.age
    assert whole == pytest.approx(240 / 150, rel=0.01)
    assert broken == pytest.approx((240 - 48) / 150, rel=0.01)


def test_film_temperature_counts_not_the_room() -> None:
    """In a still room of 10.5 °C, above its MFFT of 10, the wet film is at 8. A thin one is packed and dry throughout
    well before it has begun to fuse, so its handle tells when the film itself passed 10."""
    shares = Grid.graded().share[:, 0].tolist()
    plain = plain_model.Film(0.3 * MM, 0.3, 0.03, plain_model.Plate(), shares)
    water, glycol, *_ = plain.initial
    assert plain.surface(water, glycol, 283.65, 0.5)[0] < 282.5
    course = plain.dry(plain_model.steady(10.5, 0.5), 5 * DAY)
    assert course.reached("handle") > course.reached("bottom") + 3 * HOUR
    state, _ = integrate(Films.of(0.3 * MM), AirSeries.constant(283.65, 0.5), first(1), 5 * DAY)
    assert state.reached[HANDLE, 0] == pytest.approx(course.reached("handle"), rel=0.01)


def test_below_its_mfft_a_film_dries_but_never_fuses() -> None:
    """At 8 °C, for two months."""
    state, _ = integrate(Films.of(0.5 * MM), AirSeries.constant(281.15, 0.5), first(1), 60 * DAY)
    assert np.isfinite(state.reached[[SET, TOUCH_DRY], 0]).all()
    assert np.isinf(state.reached[[HANDLE, VARNISH_READY], 0]).all()
    assert state.age[0] == 0
