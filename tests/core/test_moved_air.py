"""A piece that is moved dries in the air of each place: what moves over it changes when it is moved, not before."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, AirSeries
from curewatch.physics.ensemble import Pouring, design, films_at
from curewatch.physics.film import Films
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator
from curewatch.physics.solver.state import State
from curewatch.records import Stay
from curewatch.studio.alarms import conditions
from curewatch.studio.diagnosis import drying_history
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.forecast import forecasts
from curewatch.studio.planning import advice
from tests.core.test_checkpoints import Kept, agree, counted, look, wave
from tests.studio_scene import LIMITS, SHED, air, at, drying, every, room

STILL, DRAUGHTY = 0.1, 0.9
HOUR_S, LONG_S = 3600.0, 60 * 86400.0
LOFT = "Loft"
SAME = 2.5e-3
"""Both ways are marched finely: within so much of the exact moment each (march.FINE)."""


def finely(some: Films, until_s: float, state: State | None = None) -> State:
    """These films after so long in steady air, on from `state`."""
    series, rooms = AirSeries.constant(20 + ZERO_C, 0.5), np.zeros(len(some), dtype=np.intp)
    rtol, atol = integrator.FINE
    last = until_s == LONG_S
    end, _ = integrator.integrate(some, series, rooms, until_s, state=state, rtol=rtol, atol=atol, stop_when_ready=last)
    return end


def by_hand(legs: list[tuple[Films, float]]) -> np.ndarray:
    """Milestones [s] of films that become other films at times, as several marches of the physics."""
    state = None
    for some, until_s in legs:
        state = finely(some, until_s, state)
    assert state is not None
    return state.reached


def films(air_speed: float, pouring: Pouring, members: int = 5) -> Films:
    return films_at([replace(pouring, air_speed=air_speed)], design(members))


def test_a_film_whose_air_turns_is_several_marches_one_after_the_other() -> None:
    turning, plain = Pouring(1.0e-3, turns=((5 * HOUR_S, DRAUGHTY), (9 * HOUR_S, STILL))), Pouring(1.0e-3)
    whole = finely(films_at([turning], design(5)), LONG_S).reached
    still, room_changed = films(STILL, plain), films(DRAUGHTY, plain)
    assert whole == pytest.approx(by_hand([(still, 5 * HOUR_S), (room_changed, 9 * HOUR_S), (still, LONG_S)]), rel=SAME)
    assert (whole[0] < 0.95 * finely(still, LONG_S).reached[0]).all(), "the draught of some hours made a difference"


def test_films_that_turn_and_films_that_do_not_march_together_as_alone() -> None:
    """More films than are marched together, so that some join later; each turns at a time of its own."""
    some = [Pouring(0.4e-3 + 1e-5 * k, turns=((600.0 * k, DRAUGHTY),) if k % 3 else ()) for k in range(9)]
    series = AirSeries.constant(20 + ZERO_C, 0.5)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(integrator, "BATCH", 8)
        together = ensemble.run(some, design(3), series, 20 * 86400.0)
    for k, pouring in enumerate(some):
        alone = ensemble.run([pouring], design(3), series, 20 * 86400.0)
        assert together.outcome(k).reached_s == pytest.approx(alone.outcome(0).reached_s, rel=1e-6)


def moved(hours: float, air_speed: float | None, **more: object) -> Drying:
    """A piece poured in the still shed, and in the loft from `hours` on."""
    piece = drying(**more)  # type: ignore[arg-type]
    return replace(piece, stays=(*piece.stays, Stay(piece_id=1, room=LOFT, since=at(hours), air_speed_m_s=air_speed)))


def test_a_piece_moved_into_a_draught_after_an_hour_dries_as_a_film_whose_air_turns_then() -> None:
    """Both rooms are at 20 °C and 50 %, so that nothing but the air's speed tells them apart."""
    climates = {name: air(*every(30, 6, 20.0, 50.0, start=-2)) for name in (SHED, LOFT)}
    piece, members = moved(1, DRAUGHTY), 9
    (made,) = forecasts([piece], climates, at(6), members=members, days=60)
    own = replace(piece.pouring, turns=())
    reached = by_hand([(films(STILL, own, members), HOUR_S), (films(DRAUGHTY, own, members), LONG_S)])
    for milestone in made.milestones:
        dates = (milestone.early_at, milestone.worth_checking_at, milestone.safe_at)
        expected = ensemble.quantiles(reached[MILESTONES.index(milestone.kind.value)])
        found = [np.inf if one is None else (one - at(0)).total_seconds() for one in dates]
        assert found == pytest.approx(expected, rel=7e-3), "within 0.7 %, as the march promises"
    (stays,) = forecasts([drying()], climates, at(6), members=members, days=60)
    assert made.milestones[0].safe_at < stays.milestones[0].safe_at - timedelta(hours=2)  # type: ignore[operator]


def test_air_that_nobody_told_of_is_the_air_it_came_from() -> None:
    assert moved(1, None).pouring.turns == ()
    assert moved(1, STILL).pouring.turns == ()
    assert moved(1, DRAUGHTY).pouring.turns == ((HOUR_S, DRAUGHTY),)
    assert moved(1, DRAUGHTY).air_speed == DRAUGHTY
    assert moved(1, DRAUGHTY).facts != moved(1, 0.5).facts, "what is kept of it stands for the air it had"
    twice = moved(1, DRAUGHTY)
    back = Stay(piece_id=1, room=SHED, since=at(3), air_speed_m_s=None)
    assert replace(twice, stays=(*twice.stays, back)).air_speed == DRAUGHTY


@pytest.mark.parametrize("turn_h", [4.0, 4.37, 7.0])
def test_a_rolling_forecast_of_a_moved_piece_is_the_one_from_the_facts(
    turn_h: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The move falls on an hour at which states are kept, between two, and on the last one."""
    begun = counted(monkeypatch)
    piece, kept = moved(turn_h, DRAUGHTY, thickness_m=0.9e-3), Kept()
    for hour in (5.5, 8.0, 9.2):
        climates = {name: air(*wave(-2, hour)) for name in (SHED, LOFT)}
        agree(look(piece, climates, hour, kept), look(piece, climates, hour))
    assert [one for one in begun if one is not None], "it did go on from kept states"


def test_what_is_said_of_a_moved_piece_goes_by_the_air_it_is_in() -> None:
    climates = {name: air(*every(30, 6, 20.0, 50.0, start=-2)) for name in (SHED, LOFT)}
    fanned, calmed = moved(1, 1.0), moved(1, 0.1, air=1.0)
    assert conditions.under_fan(fanned)
    assert not conditions.under_fan(calmed)
    cool, warm = (
        conditions.film_temperatures(room(one), *(np.array([x]) for x in (at(3).timestamp(), 20.0, 50.0)))[0, 0]
        for one in (fanned, calmed)
    )
    assert cool < warm - 0.3
    (there,) = advice.advice(fanned, climates, None, at(6), [advice.FAN], LIMITS)
    assert there.rate_ratio == pytest.approx(1.0, abs=0.01), "a fan more makes no difference to it"
    (there,) = advice.advice(calmed, climates, None, at(6), [advice.FAN], LIMITS)
    assert there.rate_ratio > 1.3
    seen = drying_history.trace(calmed, climates, LIMITS, at(6))
    steady = drying_history.trace(drying(air=1.0), climates, LIMITS, at(6))
    assert seen is not None
    assert steady is not None
    assert seen.usual_touch_h == steady.usual_touch_h
