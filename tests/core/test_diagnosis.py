"""A look back: the air a piece had, counted again another way, and what speaks for each mechanism."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest

from curewatch.records import Recipe
from curewatch.records.workshop import StepDone
from curewatch.studio.air.climate import Climate, climate_of
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.care.aftercare import Care, Odds
from curewatch.studio.diagnosis.drying_history import Trace, past_air, trace
from curewatch.studio.diagnosis.mechanisms import MECHANISMS, Case, CoatAir, Trouble, Verdict, findings
from tests.studio_scene import LIMITS, NOON, SHED, at, drying

LIKELY, UNLIKELY, CANT_TELL = Verdict


def climate(hours: np.ndarray, temp: np.ndarray, rh: np.ndarray) -> Climate:
    found = climate_of(NOON.timestamp() + 3600 * hours, temp, rh)
    assert found is not None
    return found


def steady(temp: float, rh: float, until_h: float = 400.0, every_h: float = 1.0) -> dict[str, Climate]:
    hours = np.arange(-2.0, until_h, every_h)
    return {SHED: climate(hours, np.full(len(hours), temp), np.full(len(hours), rh))}


# --- The air it had --------------------------------------------------------------------------------------------


def test_a_sine_has_its_mean_and_its_hours_beyond_a_limit() -> None:
    """20 + 12 sin over ten days: mean 20, 8 to 32; below 10 °C where sin < -5/6: acos(5/6)/pi of the time."""
    hours = np.arange(-1.0, 242.0, 0.25)
    room = {SHED: climate(hours, 20 + 12 * np.sin(hours * np.pi / 12), 50 + 0 * hours)}
    found = past_air(drying(), room, at(240), LIMITS)
    assert found is not None
    assert found.temp_c.mean == pytest.approx(20.0, abs=0.02)
    assert (found.temp_c.least, found.temp_c.most) == pytest.approx((8.0, 32.0), abs=0.05)
    assert found.cold_h == pytest.approx(240 * np.arccos(5 / 6) / np.pi, abs=0.8)  # five-minute looks, ten crossings
    assert found.hot_h == pytest.approx(240 * np.arccos(5 / 6) / np.pi, abs=0.8)  # above 30 °C
    assert (found.damp_h, found.dry_h, found.unread_h) == (0, 0, 0)


def test_gaps_are_told_and_the_record_ends_where_the_readings_do() -> None:
    hours = np.concatenate([np.arange(0, 10.5, 0.5), np.arange(30, 40.5, 0.5)])
    found = past_air(drying(), {SHED: climate(hours, 0 * hours + 20, 0 * hours + 80)}, at(100), LIMITS)
    assert found is not None
    assert found.unread_h == pytest.approx(20)
    assert found.ends_at == at(40)
    assert found.damp_h == pytest.approx(40)


def test_the_range_of_the_air_holds_the_latest_reading_however_late_it_changed() -> None:
    hours = np.array([0.0, 1.0, 2.0, 2 + 1 / 12, 3.0])
    temp, rh = np.array([18.9, 18.9, 18.9, 18.2, np.nan]), np.array([50.0, 50.0, 50.0, 55.0, 57.0])
    for until, wettest in ((2 + 1 / 12, 55.0), (5, 57.0)):  # in the end its humidity is the newer one
        found = past_air(drying(), {SHED: climate(hours, temp, rh)}, at(until), LIMITS)
        assert found is not None
        assert (found.temp_c.least, found.temp_c.most) == pytest.approx((18.2, 18.9), abs=1e-6)
        assert found.rh_pct.most == pytest.approx(wettest, abs=1e-6)


def test_a_room_that_was_read_ten_hours_after_the_pour_was_unread_until_then() -> None:
    hours = np.arange(10, 40.5, 0.5)
    found = past_air(drying(), {SHED: climate(hours, 0 * hours + 20, 0 * hours + 80)}, at(40), LIMITS)
    assert found is not None
    assert found.unread_h == pytest.approx(10)


def test_a_move_counts_each_room_for_its_own_time() -> None:
    """Ten hours at 20 °C, then thirty at 12 °C in a loft that was never silent for long."""
    rooms = steady(20, 50) | {"Loft": steady(12, 70)[SHED]}
    found = past_air(drying(rooms=[(SHED, 0), ("Loft", 10)]), rooms, at(40), LIMITS)
    assert found is not None
    assert found.temp_c.mean == pytest.approx((10 * 20 + 30 * 12) / 40, abs=0.02)
    assert found.unread_h == 0


def test_air_that_was_not_read_is_not_told() -> None:
    assert past_air(drying(), {}, at(40), LIMITS) is None
    assert past_air(drying(poured=500), steady(20, 50), at(510), LIMITS) is None  # read only before the pour


# --- How it dried ----------------------------------------------------------------------------------------------


def test_in_the_usual_air_all_is_as_usual() -> None:
    found = trace(drying(), steady(21, 50), LIMITS, at(400))
    assert found is not None
    assert found.early_pace == pytest.approx(1.0)
    assert found.gap_h == pytest.approx(found.usual_gap_h)
    assert found.cold_h == 0


def test_a_clock_that_was_set_back_behind_the_pour_leaves_its_first_moment() -> None:
    """The end is `now`, or when the piece left: by a clock that had been ahead, either may lie before its pour."""
    found = trace(drying(), steady(21, 50), LIMITS, at(-1))
    begun = trace(drying(), steady(21, 50), LIMITS, at(0))
    assert found is not None
    assert begun is not None
    assert (found.coldest_c, found.cold_h) == (begun.coldest_c, 0)


def test_a_fan_hurries_the_top_and_a_cold_room_does_not_fuse() -> None:
    fan = trace(drying(air=1.0), steady(21, 50), LIMITS, at(400))
    assert fan is not None
    assert fan.early_pace == pytest.approx(0.1149 / 0.0488, rel=0.10)  # the rates of the model's table, side 0.3 m
    cold = trace(drying(), steady(8, 50), LIMITS, at(400))
    assert cold is not None
    assert cold.cold_h > 100
    assert cold.coldest_c < 8
    assert cold.handle_h is None
    young = trace(drying(), steady(8, 50), LIMITS, at(1))
    assert young is not None
    assert young.cold_h == 0  # it has not packed yet: what is to come does not count


# --- Mechanisms ------------------------------------------------------------------------------------------------


@cache
def dried(temp: float, rh: float, air: float, thickness_m: float) -> Trace | None:
    """Marched once for all the cases that share it."""
    return trace(drying(air=air, thickness_m=thickness_m), steady(temp, rh), Limits(), at(300))


def case(temp: float = 21.0, rh: float = 50.0, **values: object) -> Case:
    piece, limits = values.pop("drying", drying()), Limits()
    rooms = steady(temp, rh)
    told = dried(temp, rh, piece.pour.air_speed_m_s, piece.pour.wet_thickness_m)
    plain = Case(
        drying=piece, trace=told, wet_air=past_air(piece, rooms, at(100), limits),
        steps=(), coats=(), handle=Odds(at(20), at(40), at(60)), water_share=0.1, frost_h=0.0, care=Care(), now=at(300),
    )  # fmt: skip
    return replace(plain, **values)


def verdicts(trouble: Trouble, told: Case) -> dict[str, Verdict]:
    found = {str(one.mechanism): one.verdict for one in findings(trouble, told)}
    assert len(found) == len(MECHANISMS[trouble])
    return found


def verdict(trouble: Trouble, about: str, told: Case) -> Verdict:
    (found,) = [v for mechanism, v in verdicts(trouble, told).items() if about in mechanism]
    return found


def did(step: str, hours: float, **values: object) -> StepDone:
    return StepDone(piece_id=1, step=step, done_at=at(hours), recorded_at=at(hours), **values)


COAT = (did("varnish-1", 200),)
GOOD_AIR = (CoatAir("varnish-1", at(200), (20.0, 50.0)),)


@pytest.mark.parametrize("trouble", list(Trouble))
def test_a_well_made_piece_has_nothing_likely_against_it(trouble: Trouble) -> None:
    piece = drying(recipe=Recipe(name="house mix", stated=True))
    well = case(drying=piece, steps=(did("level", 0.2), *COAT), coats=GOOD_AIR)
    assert LIKELY not in verdicts(trouble, well).values()


def test_without_a_record_little_can_be_told() -> None:
    bare = case(trace=None, wet_air=None, frost_h=None, water_share=None)
    for trouble in (Trouble.CRACKED, Trouble.CRAZED):
        told = verdicts(trouble, bare)
        assert {v for m, v in told.items() if "thick" not in m} == {CANT_TELL}


@pytest.mark.parametrize(
    ("trouble", "about", "told"),
    [
        (Trouble.CRACKED, "film-forming", case(8, 50)),
        (Trouble.CRACKED, "froze", case(frost_h=1.0)),
        (Trouble.CRACKED, "water in the mix", case(water_share=0.5)),
        (Trouble.CRACKED, "too fast", case(drying=drying(air=1.0))),
        (Trouble.CRACKED, "its own shrinking", case(crack_odds=0.4)),
        (Trouble.CRAZED, "thick", case(drying=drying(thickness_m=3e-3))),
        (Trouble.CRAZED, "core", case(8, 50, trace=replace(case().trace, touch_h=20.0, handle_h=90.0))),
        (Trouble.CLOUDY, "a coat went on", case(steps=(did("varnish-1", 200, too_early=True),), coats=GOOD_AIR)),
        (Trouble.CLOUDY, "wrong for the coat", case(coats=(CoatAir("varnish-1", at(9), (20.0, 80.0)),))),
        (Trouble.TACKY, "not dry through", case(now=at(50))),
        (Trouble.TACKY, "damp air", case(21, 85)),
        (Trouble.TACKY, "slow solvent", case(drying=drying(recipe=Recipe(name="slow", glycol=0.1, stated=True)))),
        (Trouble.DRIFTED, "carried", case(drying=drying(rooms=[(SHED, 0), (SHED, 2)]))),
        (Trouble.DRIFTED, "nobody looked", case(steps=(did("level", 3),))),
        (Trouble.FISH_EYES, "silicone", case(drying=drying(silicone=True), steps=COAT)),
        (Trouble.FISH_EYES, "silicone", case(drying=drying(silicone=True), steps=(*COAT, did("wash", 250)))),
    ],
    ids=str,
)
def test_each_mechanism_shows_where_the_record_has_it(trouble: Trouble, about: str, told: Case) -> None:
    assert verdict(trouble, about, told) is LIKELY
    assert findings(trouble, told)[0].verdict is LIKELY  # likely ones come first
    assert all(one.figure and one.next_time for one in findings(trouble, told))


def test_washed_silicone_is_unlikely_and_an_unread_coat_cannot_be_told() -> None:
    washed = case(drying=drying(silicone=True), steps=(did("wash", 150), *COAT))
    assert verdict(Trouble.FISH_EYES, "silicone", washed) is UNLIKELY
    unread = case(steps=COAT, coats=(CoatAir("varnish-1", at(200), None),))
    assert verdict(Trouble.CLOUDY, "wrong for the coat", unread) is CANT_TELL
    assert case().now - NOON == timedelta(hours=300)


def test_odds_of_cracks_may_tell_nothing() -> None:
    """A tenth of such films crack: that neither makes it likely nor rules it out. Without a forecast there are none."""
    found = [verdict(Trouble.CRACKED, "its own shrinking", case(crack_odds=odds)) for odds in (0.001, 0.1, None)]
    assert found == [Verdict.UNLIKELY, Verdict.CANT_TELL, Verdict.CANT_TELL]
