"""A room of which many devices tell, as behind a wildcard: the same air, for work that grows as their number does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.records.facts import TYPED
from curewatch.studio.air import merging
from curewatch.studio.air.climate import climate_from
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.air.merging import Readings, merged
from curewatch.studio.air.quality import examined

DAY_S, HALF_HOUR_S = 86400.0, 1800.0
NOON_S = 1.7e9 // DAY_S * DAY_S


def told_by(sensors: int, days: float, *, seed: int = 1, typed: int = 0) -> Readings:
    """Each half-hour by so many sensors, at moments of their own; the first three a degree off, and some typed ones."""
    draw = np.random.default_rng(seed)
    each = round(days * DAY_S / HALF_HOUR_S)
    at = NOON_S + (np.arange(each) + draw.uniform(0, 1, (sensors, 1))) * HALF_HOUR_S
    temp = 19 + np.sin(at / DAY_S * 2 * np.pi) + draw.normal(0, 0.1, at.shape) + (np.arange(sensors) < 3)[:, None]
    epoch_s = np.concatenate([at.ravel(), NOON_S + draw.uniform(0, days * DAY_S, typed)])
    source = np.repeat(np.arange(sensors + 1), [each] * sensors + [typed])
    temp_c = np.concatenate([temp.ravel(), draw.normal(19, 2, typed)])
    order = np.argsort(epoch_s, kind="stable")
    names = (*(f"wild/{n}" for n in range(sensors)), TYPED)
    live = draw.random(len(order)) < 0.9
    return Readings(epoch_s[order], temp_c[order], 50 + 0 * temp_c, source[order], names, live)


@pytest.mark.timeout(60)
def test_a_thousand_sources_are_one_room_in_a_moment_whatever_they_do() -> None:
    """It took minutes, and all of the memory, where each source was held against every other at every moment."""
    readings = told_by(1000, 1.0)
    found = climate_from(readings)
    assert found is not None
    assert len(found.time_s) <= DAY_S / merging.MERGE_S + 1
    inner = slice(6, -6)
    expected = 19 + np.sin(found.time_s / DAY_S * 2 * np.pi)
    assert np.abs(found.temp_c - expected)[inner].max() < 0.05, "the median of a thousand, off by 0.1 each"
    # all of them stand still, which each asks of the others
    moving = told_by(1000, 2.0)
    _, findings = examined(replace(moving, temp_c=0 * moving.temp_c + 20))
    assert {(one.flaw, one.others) for one in findings if one.flaw is Flaw.STUCK} == {(Flaw.STUCK, 0)}
    assert sum(one.flaw is Flaw.STUCK for one in findings) == 1000


@settings(max_examples=25, deadline=None)
@given(sensors=st.integers(2, 9), days=st.floats(0.2, 3), typed=st.integers(0, 4), seed=st.integers(0, 99))
def test_of_many_sensors_the_room_says_at_fewer_moments_what_it_says_at_all(
    sensors: int, days: float, typed: int, seed: int
) -> None:
    """FEW is where fewer moments are looked at; those that are get the very values."""
    readings = told_by(sensors, days, seed=seed, typed=typed)
    thin, found = merged(readings)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(merging, "FEW", 99)
        patch.setattr(merging, "AT_ONCE_LEAST", 7)
        patch.setattr(merging, "AT_ONCE", 1)
        whole, found_whole = merged(readings)
    there = np.isin(whole.epoch_s, thin.epoch_s)
    assert len(thin.epoch_s) == len(np.unique(whole.epoch_s // merging.MERGE_S))
    np.testing.assert_array_equal(thin.temp_c, whole.temp_c[there])
    np.testing.assert_array_equal(thin.rh_pct, whole.rh_pct[there])
    assert thin.epoch_s[-1] == whole.epoch_s[-1], "as new as the newest reading"
    assert {one.source for one in found if one.flaw is Flaw.CHECK} == {
        one.source for one in found_whole if one.flaw is Flaw.CHECK
    }
    # a moment proves life where any of the readings that it stands for does
    alive = whole.epoch_s[whole.live]
    for at, live in zip(thin.epoch_s.tolist(), thin.live.tolist(), strict=True):
        bin_s = at // merging.MERGE_S * merging.MERGE_S
        if whole.epoch_s[0] >= bin_s:
            continue
        assert live or not ((alive >= bin_s) & (alive <= at)).any()
