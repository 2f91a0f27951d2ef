"""Planning backwards from a date, and what a change of the room would buy and risk."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from curewatch.physics.ensemble import Pouring
from curewatch.records import MilestoneKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning import advice, planner
from tests.studio_scene import LIMITS, SHED, air, at, dates, drying, every

CLIMATE = air(*every(60, 48, 18.0, 55.0))
NOW = at(48)
HANDLE = MilestoneKind.HANDLE
FILM = Pouring(1.5e-3)
COULD = advice.changes(18.0, LIMITS)


def plan(days: float, kind: MilestoneKind = HANDLE, film: Pouring = FILM) -> list[planner.Latest]:
    return planner.latest(film, CLIMATE, None, NOW + timedelta(days=days), NOW, kind, COULD, LIMITS)


def test_even_odds_allow_a_later_pour_than_ninety_per_cent_and_both_are_ahead() -> None:
    usual, warmer, drier, fan = plan(10)
    assert usual.even_at is not None
    assert usual.safe_at is not None
    assert NOW < usual.safe_at < usual.even_at < NOW + timedelta(days=10)
    for better in (warmer, drier, fan):
        assert better.safe_at is not None
        assert better.safe_at > usual.safe_at


def test_a_pour_at_the_moment_it_names_has_the_odds_it_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same question asked again with the moment found as `now`: the odds there are what was promised."""
    monkeypatch.setattr(planner, "MEMBERS", 256)  # of 64 one more or less beside the moment is two hundredths
    due = NOW + timedelta(days=10)
    (usual,) = planner.latest(FILM, CLIMATE, None, due, NOW, HANDLE, (), LIMITS)
    assert usual.even_at is not None
    (again,) = planner.latest(FILM, CLIMATE, None, due, usual.even_at, HANDLE, (), LIMITS)
    assert again.odds_now == pytest.approx(0.5, abs=0.04)


def test_too_late_says_with_what_odds() -> None:
    usual = plan(1)[0]
    assert usual.even_at is None
    assert usual.safe_at is None
    assert usual.odds_now < 0.2


def test_varnish_of_a_thick_pour_by_next_week_is_hopeless() -> None:
    assert plan(7, MilestoneKind.VARNISH_READY, Pouring(2.5e-3))[0].odds_now == 0


def test_heat_keeps_the_water_so_it_also_dries() -> None:
    temp, rh = COULD[0].of(CLIMATE.temp_c[-1:], CLIMATE.rh_pct[-1:])
    assert temp[0] == pytest.approx(21.0)
    assert rh[0] == pytest.approx(55 * 2064 / 2487.7, rel=0.005)  # saturation at 18 and 21 °C [Pa], model section 1


def would(piece: Drying, climate: Climate = CLIMATE) -> list[advice.Advice]:
    could = advice.changes(float(climate.temp_c[-1]), LIMITS)
    return advice.advice(piece, {SHED: climate}, None, NOW, could, LIMITS)


def test_advice_for_a_fresh_pour_saves_hours_and_names_the_fans_risk() -> None:
    piece = drying(poured=46.0, thickness_m=2.5e-3)
    warmer, drier, fan = would(piece)
    for one in (warmer, drier, fan):
        hours = one.hours[MilestoneKind.TOUCH_DRY]
        assert hours is not None
        assert hours < -1
    assert fan.rate_ratio > 1.5
    assert fan.risks_skin
    assert not warmer.risks_skin


def test_advice_speaks_only_of_what_is_ahead() -> None:
    piece = drying(poured=0.0, thickness_m=0.8e-3)
    (warmer, *_) = would(piece)
    assert MilestoneKind.TOUCH_DRY not in warmer.hours
    assert MilestoneKind.VARNISH_READY in warmer.hours


def test_below_the_film_forming_temperature_only_heat_leads_anywhere() -> None:
    cold = air(*every(60, 48, 9.5, 50.0))
    warmer, drier, _ = would(drying(poured=46.0), cold)
    assert HANDLE in warmer.reached_only_so
    assert drier.hours[HANDLE] is None


def test_a_fan_in_a_room_that_is_hardly_warm_enough_is_said_to_cool_the_film_below_forming() -> None:
    """12 °C is above the 10 °C at which particles fuse; under a fan the wet film nears its wet-bulb 7 °C (50 %RH)."""
    cool = air(*every(60, 48, 12.0, 50.0))
    warmer, _, fan = would(drying(poured=47.0), cool)
    assert fan.chills_to_c is not None
    assert 6.5 < fan.chills_to_c < 10
    said = advice.advised(fan)
    assert said is not None
    assert f"it cools the film to {fan.chills_to_c:.1f} °C" in str(said)
    assert warmer.chills_to_c is None
    assert would(drying(poured=46.0))[2].chills_to_c is None


def test_no_air_no_advice() -> None:
    assert advice.advice(drying(), {}, None, NOW, COULD, LIMITS) == []


def test_places_free_in_the_order_in_which_their_pieces_can_be_moved() -> None:
    first, second, never = (drying(n, piece_id=i, place=f"rack {i}") for i, n in ((1, "A"), (2, "B"), (3, "C")))
    known = {
        1: dates(1, even={"handle": 30}, safe={"handle": 50}),
        2: dates(2, even={"handle": 20}, safe={"handle": 40}),
        3: dates(3),
    }
    found = planner.places([first, second, never], known, SHED)
    assert [(one.place, one.safe_at) for one in found] == [("rack 2", at(40)), ("rack 1", at(50)), ("rack 3", None)]
    assert planner.places([first], known, "Loft") == []


def test_what_is_in_time_is_named_the_least_cracking_first_and_what_cracks_more_says_so() -> None:
    odds = {"as it is": (0.4, 0.06), "warmer": (0.94, 0.02), "drier": (0.7, 0.01), "fan": (0.97, 0.15)}
    late = [
        planner.Latest(replace(planner.AS_IT_IS, name=name), None, NOW if now > 0.9 else None, now, cracks)
        for name, (now, cracks) in odds.items()
    ]
    named = "warmer, 94 %; fan, 97 %, but it cracks in 15 % of cases, 6 % as the room usually is."
    assert str(planner.verdict(late)).endswith(f" In time: {named}")
    better = str(planner.verdict([late[0], replace(late[3], safe_at=None, odds_now=0.8)]))
    assert better.endswith(" Better: fan, 80 %, but it cracks in 15 % of cases, 6 % as the room usually is.")


LATE = "Too late as the room usually is: poured now, it is in time in 20 % of cases."


@pytest.mark.parametrize(
    ("usual", "changed", "says"),
    [
        (0.2, 0.8, f"{LATE} Better: heated 3 °C, 80 %."),
        (0.2, 0.22, LATE),
    ],
)
def test_a_change_is_named_beside_too_late_where_it_helps(usual: float, changed: float, says: str) -> None:
    late = [
        planner.Latest(replace(planner.AS_IT_IS, name=name), None, None, odds, 0.0)
        for name, odds in (("as it is", usual), ("heated 3 °C", changed))
    ]
    assert str(planner.verdict(late)) == says
