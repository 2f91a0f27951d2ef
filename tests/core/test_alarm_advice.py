"""Advice with an alarm: from the model, for the piece at stake, and never what makes the alarm worse."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.records import AlarmKind
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning import alarm_advice, planner
from curewatch.studio.planning.planner import Advice
from tests.studio_scene import LIMITS, SHED, air, at, drying

NOW = at(6)


def room(temp_c: float, rh_pct: float, *pieces: Drying) -> OccupiedRoom:
    there = air((-2, temp_c, rh_pct), (6, temp_c, rh_pct))
    return OccupiedRoom(SHED, pieces or (drying("Heron"),), {}, there, has_sensor=True)


def said(kind: AlarmKind, there: OccupiedRoom) -> str | None:
    assert there.climate is not None
    return alarm_advice.sentence(kind, there, {SHED: there.climate}, None, NOW, LIMITS)


def offered(kind: AlarmKind, there: OccupiedRoom) -> list[Advice]:
    assert there.climate is not None
    changes = alarm_advice.changes(kind, float(there.climate.temp_c[-1]), float(there.climate.rh_pct[-1]), LIMITS)
    made = planner.advice(there.dryings[0], {SHED: there.climate}, None, NOW, changes)
    return [one for one in made if alarm_advice.helps(kind, one)]


def test_a_fan_that_would_chill_the_film_below_forming_is_no_answer_to_damp() -> None:
    fan = next(
        one for one in offered(AlarmKind.DAMP, room(17, 80, drying("Heron", thickness_m=2e-3))) if one.change.air_speed
    )
    assert alarm_advice.helps(AlarmKind.DAMP, fan)
    assert not alarm_advice.helps(AlarmKind.DAMP, replace(fan, chills_to_c=8.0))


def test_damp_air_is_answered_in_hours_with_what_it_risks_and_the_cautions() -> None:
    text = said(AlarmKind.DAMP, room(17, 80, drying("Heron", thickness_m=2e-3)))
    assert text is not None
    assert text.startswith("By the model, for Heron: dried to 70 %RH: touch-dry ")
    assert "3 K warmer: " in text
    assert "a fan now: " in text
    assert " sooner" in text
    assert re.search(r"soft under its skin \d+ h longer", text)
    assert text.endswith("across a wet face, and its lead off the wet floor.")


def test_cold_is_answered_by_warmth_alone() -> None:
    text = said(AlarmKind.COLD, room(9, 55))
    assert text is not None
    assert "warmed to 13 °C: " in text
    assert "handle is reached at all" in text
    assert "fan" not in text
    assert "dried" not in text


def test_a_fan_over_a_fresh_pour_is_answered_by_switching_it_off() -> None:
    text = said(AlarmKind.TOO_FAST, room(22, 45, drying("Heron", air=1.0, thickness_m=2e-3)))
    assert text is not None
    assert "fans off: touch-dry " in text
    assert " later, water leaves 0.4 times as fast, soft under its skin 1 h less long" in text
    assert "sooner" not in text


def test_it_is_about_the_piece_with_the_longest_way_to_go() -> None:
    young, old = drying("Egret", piece_id=2, poured=3), drying("Heron", poured=-30)
    text = said(AlarmKind.DAMP, room(18, 80, old, young))
    assert text is not None
    assert "for Egret: " in text


def test_where_nothing_helps_nothing_is_said() -> None:
    assert said(AlarmKind.FROST, room(0, 60)) is None  # at 5 °C it would not fuse either
    assert said(AlarmKind.NO_FRESH_DATA, room(20, 50)) is None
    assert alarm_advice.sentence(AlarmKind.DAMP, replace(room(20, 80), dryings=()), {}, None, NOW, LIMITS) is None


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
    piece = drying(air=blows, thickness_m=thickness_m)
    for one in offered(kind, room(temp, rh, piece)):
        warm, left = (float(x[0]) for x in one.change.of(np.array([temp]), np.array([rh])))
        with_air_speed = replace(piece, pour=piece.pour.model_copy(update={"air_speed_m_s": one.change.speed(blows)}))
        before, after = _film_c(room(temp, rh, piece)), _film_c(room(warm, left, with_air_speed))
        if kind in (AlarmKind.COLD, AlarmKind.FROST):
            assert warm > temp
            assert after > before
        elif kind is AlarmKind.DAMP:
            assert left <= rh + 1e-9
            assert _rate(warm, left) >= _rate(temp, rh) - 1e-9
        else:
            assert one.rate_ratio < 1


def _film_c(there: OccupiedRoom) -> float:
    assert there.climate is not None
    now_s = np.array([NOW.timestamp()])
    return float(conditions.film_temperatures(there, now_s, *there.climate.at(now_s))[0, 0])


def _rate(temp: float, rh: float) -> float:
    return float(conditions.relative_rate(np.array([temp]), np.array([rh]))[0])


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_every_change_asked_of_the_model_has_a_name_of_its_own(kind: AlarmKind) -> None:
    found = alarm_advice.changes(kind, 9.0, 80.0, LIMITS)
    assert len({one.name for one in found}) == len(found)
