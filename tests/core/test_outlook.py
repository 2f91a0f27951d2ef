"""The outlook of a room's air: from its own past, causal, honest about what it does not know."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.studio.air.climate import HOUR_S, Hourly, hourly
from curewatch.studio.outlook.experts import AHEAD, DAY
from curewatch.studio.outlook.outlook import STRIDE, Outlook, outlook, prior_sd, spread

QUANTITIES = ("temp_c", "rh_pct")


def room(days: float, *, noise: float = 0.1, swing: float = 2.0, seed: int = 1) -> Hourly:
    """A room with a daily wave, wandering a little, as hourly means."""
    draw = np.random.default_rng(seed)
    hours = np.arange(round(days * DAY))
    wander = np.zeros((2, len(hours)))
    for i in range(1, len(hours)):
        wander[:, i] = 0.95 * wander[:, i - 1] + noise * draw.standard_normal(2)
    wave = np.sin(2 * np.pi * hours / DAY)
    return Hourly(0.0, 19 + swing * wave + wander[0], 50 - 2 * swing * wave + 3 * wander[1])


def seen(history: Hourly) -> Outlook:
    return outlook(history, history.first_s + HOUR_S * len(history))


def width(found: Outlook) -> np.ndarray:
    """(2, AHEAD)"""
    return np.stack([band.high - band.low for band in (found.temp_c, found.rh_pct)])


def test_a_clean_daily_wave_is_foreseen_to_its_noise() -> None:
    long = room(40)
    found = outlook(Hourly(0.0, long.temp_c[: 38 * DAY], long.rh_pct[: 38 * DAY]), 38 * DAY * HOUR_S)
    came = long.temp_c[38 * DAY :]
    assert np.abs(found.temp_c.mid - came).mean() < 0.5
    assert np.ptp(found.temp_c.mid) > 3
    assert found.first_s == 38 * DAY * HOUR_S


def test_what_comes_after_now_changes_nothing() -> None:
    """Causal: readings later than `now` may be in the history; the outlook of `now` is as if they were not."""
    long = room(30)
    early = Hourly(0.0, long.temp_c[: 25 * DAY], long.rh_pct[: 25 * DAY])
    for name in QUANTITIES:
        a, b = (getattr(outlook(history, 25 * DAY * HOUR_S), name) for history in (long, early))
        np.testing.assert_array_equal(a.mid, b.mid)
        np.testing.assert_array_equal(a.high, b.high)


def test_the_verified_errors_are_those_of_forecasts_that_could_have_been_made() -> None:
    """A shock in the last hour must not change what is said to have been forecast the day before."""
    calm = room(30)
    shocked = Hourly(0.0, calm.temp_c.copy(), calm.rh_pct.copy())
    shocked.temp_c[-1] += 8
    a, b = seen(calm).errors[0], seen(shocked).errors[0]
    old = slice(0, -20)
    both = np.isfinite(a[:, old]) & np.isfinite(b[:, old])
    assert both.any()
    # weights are of today in both, so equal up to them
    assert np.abs(a[:, old] - b[:, old])[both].max() < 0.5


@pytest.mark.parametrize("hours", [1, 2, 5, 24, 25, 47, 49, 72, 100, 14 * DAY])
def test_any_length_of_record_gives_an_outlook_with_ordered_bands(hours: int) -> None:
    long = room(15)
    found = seen(Hourly(0.0, long.temp_c[:hours], long.rh_pct[:hours]))
    for band in (found.temp_c, found.rh_pct):
        assert band.mid.shape == (AHEAD,)
        assert np.isfinite([band.low, band.mid, band.high]).all()
        assert (band.low <= band.mid).all()
        assert (band.mid <= band.high).all()
    assert found.rh_pct.low.min() >= 0
    assert found.rh_pct.high.max() <= 100


def test_a_room_typed_once_is_taken_to_stay_within_what_rooms_do() -> None:
    found = seen(Hourly(0.0, np.array([18.0]), np.array([55.0])))
    np.testing.assert_allclose(found.temp_c.mid, 18.0)
    np.testing.assert_allclose(found.rh_pct.mid, 55.0)
    assert (np.diff(width(found)) >= 0).all()
    # the same five digits of the quantile as the code's, so only rounding
    np.testing.assert_allclose(width(found)[:, -1], 2 * 1.2816 * prior_sd(AHEAD), rtol=1e-6)


def test_without_any_reading_of_a_quantity_there_is_no_outlook() -> None:
    with pytest.raises(ValueError, match="at least one hour of temperature"):
        seen(Hourly(0.0, np.array([18.0]), np.array([np.nan])))


def test_less_knowledge_gives_wider_bands_than_a_clean_record() -> None:
    """A room typed once, a noisy sensor and a week-long gap, each against the clean record of the same room."""
    widths = np.array([poorer_widths(seed) for seed in range(6)])  # a week more or less is a matter of luck as well
    clean, *poorer = widths.mean(axis=0)
    for kind in poorer:
        assert (kind > clean).all()


def poorer_widths(seed: int) -> list[np.ndarray]:
    """Mean widths of a clean record, then of typed once, noisy, with a gap of a week, and silent for a week."""
    clean = room(28, seed=seed)
    typed = Hourly(0.0, clean.temp_c[-1:], clean.rh_pct[-1:])
    draw = np.random.default_rng(seed)
    noisy = Hourly(0.0, clean.temp_c + draw.normal(0, 0.6, len(clean)), clean.rh_pct + draw.normal(0, 3, len(clean)))
    gap = Hourly(0.0, clean.temp_c.copy(), clean.rh_pct.copy())
    for values in (gap.temp_c, gap.rh_pct):
        values[12 * DAY : 19 * DAY] = np.nan
    silent = Hourly(0.0, clean.temp_c[: -7 * DAY], clean.rh_pct[: -7 * DAY])
    found = [seen(clean), seen(typed), seen(noisy), seen(gap), outlook(silent, 28 * DAY * HOUR_S)]
    return [width(one).mean(axis=1) for one in found]


def test_after_a_silence_the_bands_are_those_of_so_much_further_ahead() -> None:
    clean = room(28)
    late = outlook(clean, (28 * DAY + 6) * HOUR_S)
    assert late.age_h == 6
    assert width(late)[0, 0] > width(seen(clean))[0, 0] * 1.3


def test_errors_to_one_side_and_to_the_other_make_bands_that_mirror_each_other() -> None:
    """After two days prior and record both count, and after a fortnight of it; without any the prior alone."""
    draw = np.random.default_rng(3)
    for origins, older_h in ((2, 0), (14, 0), (14, 5)):
        errors = draw.exponential(1.0, (2, AHEAD, origins * DAY // STRIDE)) - 0.4
        (low, high), (turned_low, turned_high) = spread(errors, older_h), spread(-errors, older_h)
        np.testing.assert_allclose(turned_high, -low, rtol=1e-9)
        np.testing.assert_allclose(turned_low, -high, rtol=1e-9)
    late, soon = spread(errors, 5), spread(errors)  # five hours past the last that was ever held against what came
    assert (late[1][:, -1] > 1.03 * soon[1][:, -1]).all()
    none = np.full((2, AHEAD, 4), np.nan)
    low, high = spread(none)
    assert -low[0, 9] == pytest.approx(high[0, 9]) == pytest.approx(1.2816 * prior_sd(10)[0])


def test_four_fifths_of_what_comes_lies_in_the_band() -> None:
    long = room(90, noise=0.3, seed=5)
    inside = []
    for at in range(30 * DAY, 88 * DAY, 37):
        found = outlook(Hourly(0.0, long.temp_c[:at], long.rh_pct[:at]), at * HOUR_S)
        for name in QUANTITIES:
            band, came = getattr(found, name), getattr(long, name)[at : at + AHEAD]
            inside.append(((came >= band.low) & (came <= band.high)).mean())
    assert 0.72 <= np.mean(inside) <= 0.88  # 76 heavily correlated paths


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 200),
    st.floats(0, 0.95),
    st.integers(0, 60),
    st.floats(-30, 45),
    st.floats(0, 100),
    st.integers(0, 2**31),
)
def test_no_record_however_torn_breaks_it(
    hours: int, torn: float, silent: int, temp: float, rh: float, seed: int
) -> None:
    draw = np.random.default_rng(seed)
    values = np.stack([temp + draw.normal(0, 5, hours), np.clip(rh + draw.normal(0, 20, hours), 0, 100)])
    values[:, draw.random(hours) < torn] = np.nan
    values[:, 0] = temp, rh
    found = outlook(Hourly(0.0, *values), (hours + silent) * HOUR_S)
    for band in (found.temp_c, found.rh_pct):
        assert np.isfinite([band.low, band.mid, band.high]).all()
    lowest, highest = np.nanmin(values[0]), np.nanmax(values[0])
    span = highest - lowest + 1e-6
    assert found.temp_c.mid.min() >= lowest - span
    assert found.temp_c.mid.max() <= highest + span


@pytest.mark.parametrize("step", [0.0, 0.01, 1.0])
def test_a_room_as_regular_as_a_clock_is_not_taken_for_unstable(step: float) -> None:
    """Fitted to nothing but the last digits of a perfect wave, a regression may say anything: it is not believed."""
    wave = np.sin(2 * np.pi * np.arange(25 * DAY) / DAY)
    history = Hourly(0.0, 19 + 2 * wave, 50 - 5 * wave)
    history.temp_c[-1] += step
    history.rh_pct[-1] -= step
    found = seen(history)
    assert np.abs(found.temp_c.mid - 19).max() < 3.1 + step
    assert np.abs(found.temp_c.mid - 19 - 2 * wave[:AHEAD]).mean() < 0.2 + step


# --- Hourly means ---------------------------------------------------------------------------------------------------


def test_an_hour_needs_half_of_its_readings() -> None:
    at = np.concatenate([np.arange(0, 7200, 600), [7200, 7800], np.arange(10800, 14400, 600)]).astype(float)
    found = hourly(at, at / 3600, np.full(len(at), 50.0))
    assert found is not None
    np.testing.assert_array_equal(np.isfinite(found.temp_c), [True, True, False, True])
    assert found.temp_c[0] == pytest.approx(at[:6].mean() / 3600)


def test_two_typed_readings_a_day_make_two_hours_a_day() -> None:
    at = np.arange(0, 5 * 86400, 43200) + 1800.0
    found = hourly(at, np.full(10, 20.0), np.full(10, 50.0))
    assert found is not None
    assert np.isfinite(found.temp_c).sum() == 10


def test_hours_may_be_counted_back_from_the_newest_reading() -> None:
    at = np.arange(0, 36001, 600).astype(float) + 1234.0
    found = hourly(at, np.arange(61.0), np.arange(61.0), at[-1])
    assert found is not None
    assert found.first_s + HOUR_S * len(found) == pytest.approx(at[-1])
    assert found.temp_c[-1] == np.arange(54, 61).mean()  # the newest reading itself belongs to the last hour


def test_quantities_read_apart_seconds_from_each_other_are_one_hour() -> None:
    found = hourly(np.array([100.0, 130.0]), np.array([20.0, np.nan]), np.array([np.nan, 50.0]), 130.0)
    assert found is not None
    assert (found.temp_c[-1], found.rh_pct[-1]) == (20.0, 50.0)
