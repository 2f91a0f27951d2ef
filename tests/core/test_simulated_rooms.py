"""The simulated rooms: the same by seed, and each of the kind it is called."""

from __future__ import annotations

import numpy as np

from curewatch.backtest.simulated_rooms import KINDS, room
from curewatch.studio.air.climate import Hourly

DAYS = 40
ROOMS = {name: [room(kind, seed, DAYS) for seed in (11, 12)] for name, kind in KINDS.items()}


def daily_range(one: Hourly) -> float:
    return float(np.median(np.ptp(one.temp_c.reshape(-1, 24), axis=1)))


def moves(one: Hourly) -> float:
    """How far it is from where it was two days before."""
    return float(np.abs(one.temp_c[48:] - one.temp_c[:-48]).mean())


def test_a_seed_is_a_room_and_another_seed_another() -> None:
    again = room(KINDS["sunny"], 11, DAYS)
    np.testing.assert_array_equal(again.temp_c, ROOMS["sunny"][0].temp_c)
    np.testing.assert_array_equal(again.rh_pct, ROOMS["sunny"][0].rh_pct)
    assert np.abs(again.temp_c - ROOMS["sunny"][1].temp_c).mean() > 0.5


def test_its_air_is_air() -> None:
    for rooms in ROOMS.values():
        for one in rooms:
            assert len(one) == 24 * DAYS
            assert -30 < one.temp_c.min() < one.temp_c.max() < 50
            assert 1 <= one.rh_pct.min() < one.rh_pct.max() <= 99.5


def test_each_kind_is_what_it_is_called() -> None:
    """Sun swings a day, a hall of heavy walls hardly moves in two, and a thermostat is felt."""
    for sunny, hall in zip(ROOMS["sunny"], ROOMS["damp hall"], strict=True):
        assert daily_range(sunny) > 1.5 * daily_range(hall)
        assert moves(sunny) > 1.5 * moves(hall)
    for heated in ROOMS["heated"]:
        assert np.quantile(heated.temp_c, 0.1) > 12
