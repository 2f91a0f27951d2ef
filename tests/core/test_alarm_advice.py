"""What the one thing to do comes to for the piece at stake, by the model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.language import phrase
from curewatch.records import AlarmKind
from curewatch.studio.air.climate import Change
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.alarms.remedies import remedy
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning import advice
from tests.studio_scene import LIMITS, SHED, air, at, drying

NOW = at(6)


def room(temp_c: float, rh_pct: float, *pieces: Drying) -> OccupiedRoom:
    there = air((-2, temp_c, rh_pct), (6, temp_c, rh_pct))
    return OccupiedRoom(SHED, pieces or (drying("Heron"),), {}, there, has_sensor=True)


def said(kind: AlarmKind, there: OccupiedRoom) -> str | None:
    assert there.climate is not None
    found = remedy(there, [kind], NOW, LIMITS)
    assert found is not None
    return gain(found.change, there, found.pieces)


def gain(change: Change, there: OccupiedRoom, pieces: Sequence[Drying]) -> str | None:
    assert there.climate is not None
    drying = advice.of_longest(pieces)
    assert drying is not None
    (one,) = advice.advice(drying, {SHED: there.climate}, None, NOW, [change], LIMITS)
    said = advice.gain(one, drying.piece.name, NOW)
    return None if said is None else str(said)


def test_damp_air_is_answered_in_hours() -> None:
    text = said(AlarmKind.DAMP, room(17, 80, drying("Heron", thickness_m=2e-3)))
    assert text is not None
    assert text.startswith("By the model, for Heron, warmed to 19 °C from Fri 20 Nov 18:00 on: touch-dry ")
    assert " sooner" in text
    assert "fan" not in text


def test_cold_is_answered_by_warmth_alone() -> None:
    text = said(AlarmKind.COLD, room(9, 55))
    assert text is not None
    assert "warmed to 13 °C from Fri 20 Nov 18:00 on: " in text
    assert "dry to handle in 10 of 10 such films, 2 as it is" in text
    assert "fan" not in text
    assert "dried" not in text


def test_a_fan_over_a_fresh_pour_is_answered_by_switching_it_off() -> None:
    text = said(AlarmKind.TOO_FAST, room(22, 45, drying("Heron", air=1.0, thickness_m=2e-3)))
    assert text is not None
    assert "fan off from Fri 20 Nov 18:00 on: touch-dry " in text
    assert " later, water leaves 0.4 times as fast, soft inside 2 h less long" in text
    assert "sooner" not in text


def test_against_too_fast_nobody_is_asked_to_speed_it_up_where_the_cold_is_no_alarm_yet() -> None:
    """It is cold there as it is: the warmth that ends that is for when that alarm stands, after the fan is off."""
    there = room(8.7, 39.6, drying("Heron", air=1.0, thickness_m=0.68e-3))
    fast = remedy(there, [AlarmKind.TOO_FAST], NOW, LIMITS)
    both = remedy(there, [AlarmKind.COLD, AlarmKind.TOO_FAST], NOW, LIMITS)
    assert fast is not None
    assert both is not None
    assert str(fast.do) == "switch the fan off"
    assert str(both.do).startswith("switch the fan off, then warm the room slowly to ")


def test_it_is_about_the_piece_with_the_longest_way_to_go() -> None:
    young, old = drying("Egret", piece_id=2, poured=3), drying("Heron", poured=-30)
    text = said(AlarmKind.DAMP, room(18, 80, old, young))
    assert text is not None
    assert "for Egret, " in text


def test_where_nothing_is_felt_nothing_is_said() -> None:
    there = room(20, 50)
    assert gain(Change(phrase("the same")), there, there.dryings) is None
    assert advice.of_longest([]) is None


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from([AlarmKind.COLD, AlarmKind.FROST, AlarmKind.DAMP, AlarmKind.TOO_FAST]),
    st.floats(1, 35),
    st.floats(15, 95),
    st.sampled_from([0.1, 0.3, 1.0]),
    st.floats(0.6e-3, 2.5e-3),
)
def test_no_advice_makes_worse_what_the_alarm_warns_of(
    kind: AlarmKind, temp: float, rh: float, blows: float, thickness_m: float
) -> None:
    there = room(temp, rh, drying(air=blows, thickness_m=thickness_m))
    assert there.climate is not None
    standing = conditions.codes(there, np.array([NOW.timestamp()]), LIMITS)[kind][0] == conditions.ON
    found = remedy(there, [kind], NOW, LIMITS) if standing else None
    if found is None:
        return
    (one,) = advice.advice(there.dryings[0], {SHED: there.climate}, None, NOW, [found.change], LIMITS)
    if kind is AlarmKind.TOO_FAST:
        assert one.rate_ratio < 1
    else:
        assert one.chills_to_c is None, "whatever else it does, it cools no film below its film-forming temperature"
        assert one.change.warmer_k >= 0


@pytest.mark.parametrize("temp", [-3.0, 4.0, 12.0, 24.0])
@pytest.mark.parametrize("rh", [20.0, 60.0, 95.0])
def test_a_change_leaves_air_that_can_be(temp: float, rh: float) -> None:
    there = room(temp, rh, drying(air=1.0))
    assert there.climate is not None
    found = remedy(there, [AlarmKind.COLD, AlarmKind.DAMP], NOW, LIMITS)
    if found is not None:
        warm, left = found.change.of(*there.climate.at(NOW.timestamp()))
        assert 5 <= float(left) <= 98
        assert float(warm) <= 24.5
