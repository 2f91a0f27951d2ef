"""From facts and air to dates: the ensemble's own, made again when and only when something has changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, AirSeries
from curewatch.physics.supports import BACKINGS
from curewatch.records import Forecast, MilestoneKind, Recipe
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.batch import MODEL_VERSION
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.forecast import LAPSE, forecasts, needs_air, stale
from tests.studio_scene import SHED, air, at, dates, drying, every

MEMBERS, DAYS = 4, 60
SET, TOUCH_DRY, HANDLE, VARNISH = MilestoneKind
Climates = dict[str, Climate]


def make(piece: Drying, climates: Climates, hours: float, *, members: int = MEMBERS, days: int = DAYS) -> Forecast:
    (made,) = forecasts([piece], climates, at(hours), members=members, days=days)
    return made


def shed(temp: float = 20.0, rh: float = 50.0, until: float = 6.0) -> Climates:
    return {SHED: air(*every(10, until, temp, rh, start=-2))}


def even(forecast: Forecast, kind: MilestoneKind) -> float:
    """Even odds [h from the pour at noon]."""
    when = forecast.milestones[list(MilestoneKind).index(kind)].worth_checking_at
    assert when is not None
    return (when - at(0)) / timedelta(hours=1)


# --- What it says -------------------------------------------------------------------------------------------------


def test_in_constant_air_it_is_the_ensemble_run_directly() -> None:
    piece = drying(silicone=True, recipe=Recipe(name="house mix", solids=0.35, glycol=0.02), thickness_m=0.6e-3)
    made = make(piece, shed(), 6)
    film = ensemble.Pouring(0.6e-3, 0.05, solids=0.35, glycol=0.02, side=0.3, **vars(BACKINGS["canvas"]))
    direct = ensemble.run(
        [film], ensemble.design(MEMBERS), AirSeries.constant(20 + ZERO_C, 0.5), DAYS * 86400.0
    ).outcome(0)
    for milestone in made.milestones:
        dated = (milestone.early_at, milestone.worth_checking_at, milestone.safe_at)
        for when, seconds in zip(dated, direct.at(milestone.kind.value), strict=True):
            assert when is not None
            # the record's knots cut the steps elsewhere than constant air does; the step tolerance is 0.7 %
            assert (when - at(0)).total_seconds() == pytest.approx(seconds, rel=7e-3)
    assert [m.kind for m in made.milestones] == list(MilestoneKind)
    assert [m.reason for m in made.milestones] == [None] * 4


def test_it_says_how_the_film_is_at_the_newest_reading() -> None:
    made = make(drying(thickness_m=3e-3), shed(21, 50), 6)
    assert made.film_temp_c == pytest.approx(18.37, abs=0.15), "wet still: model section 2, table, 21 °C 50 %"
    assert made.data_until == at(6)
    assert (made.room_temp_c, made.room_rh_pct) == (21, 50)
    assert made.volatile_fraction is not None
    assert 0.4 < made.volatile_fraction < 0.7
    assert made.skin_gap_h == pytest.approx(made.usual_skin_gap_h, rel=0.1), "this air is the usual one"


def test_a_pour_of_this_very_moment_has_its_whole_way_ahead() -> None:
    made = make(drying(), {SHED: air((0, 20.0, 50.0))}, 0)
    assert made.volatile_fraction == pytest.approx(0.70)
    assert 0 < even(made, SET) < even(made, TOUCH_DRY) < even(made, HANDLE) < even(made, VARNISH)


@pytest.mark.parametrize(("first", "last"), [(-200, -190), (50, 60), (-9, -9), (30, 30)])
def test_readings_only_before_the_pour_or_only_after_it_are_held(first: float, last: float) -> None:
    readings = every(60, last, 20, 50, start=first)
    made = make(drying(), {SHED: air(*readings)}, 70)
    assert even(made, HANDLE) == pytest.approx(even(make(drying(), shed(), 6), HANDLE))


@pytest.mark.parametrize(
    ("temp", "rh", "kind", "reason"),
    [(5, 50, HANDLE, "too cold"), (20, 90, VARNISH, "too damp")],
)
def test_what_the_air_never_allows_has_a_reason_and_no_date(
    temp: float, rh: float, kind: MilestoneKind, reason: str
) -> None:
    found = make(drying(), shed(temp, rh), 6).milestones[list(MilestoneKind).index(kind)]
    assert (found.worth_checking_at, found.safe_at) == (None, None)
    assert found.reason is not None
    assert str(found.reason).startswith("not in this room")
    assert reason in str(found.reason)


def test_in_air_that_hardly_dries_there_are_reasons_instead_of_dates_and_no_number_is_nan() -> None:
    made = make(drying(), shed(20, 99.5), 6)
    assert [m.safe_at for m in made.milestones] == [None] * 4
    assert all(m.reason for m in made.milestones)
    # at 99.5 %RH the wet film lies 0.05 °C below its air
    assert (made.skin_gap_h, made.film_temp_c) == (None, pytest.approx(20, abs=0.1))


def test_what_is_only_too_far_off_says_how_far_it_looked() -> None:
    piece = drying(thickness_m=3e-3)
    assert str(make(piece, shed(), 6, days=20).milestones[3].reason) == "not within 20 days"
    assert str(make(piece, shed(), 24 * 40 - 1, days=20).milestones[3].reason) == "not within 41 days"


def test_a_colder_room_pushes_dates_out_and_a_move_there_too() -> None:
    climates = shed(until=48) | {"Loft": air(*every(10, 48, 15, 55, start=-2))}
    stays = make(drying(), climates, 48)
    moved = make(drying(rooms=[(SHED, 0), ("Loft", 6)]), climates, 48)
    always = make(drying(rooms=[("Loft", 0)]), climates, 48)
    for kind in (TOUCH_DRY, HANDLE, VARNISH):
        assert even(stays, kind) < even(moved, kind) < even(always, kind)
    back = make(drying(rooms=[(SHED, 0), ("Loft", 6), (SHED, 8)]), climates, 48)
    assert even(stays, TOUCH_DRY) < even(back, TOUCH_DRY) < even(moved, TOUCH_DRY)


def test_a_room_it_had_left_before_its_pour_does_not_matter() -> None:
    piece = drying(poured=0, rooms=[("Never read", -50), (SHED, -1)])
    assert make(piece, shed(), 6).reason is None


@pytest.mark.parametrize(
    ("rooms", "unread"),
    [([("Loft", 0)], "Loft"), ([("Loft", 0), (SHED, 2)], "Loft"), ([(SHED, 0), ("Loft", 2)], "Loft")],
)
def test_without_readings_the_reason_names_the_room_that_lacks_them(
    rooms: list[tuple[str, float]], unread: str
) -> None:
    made = make(drying(rooms=rooms), shed(), 6)
    assert made.milestones == ()
    assert str(made.reason) == f"no temperature and humidity of {unread} yet"


def test_a_batch_is_its_pieces_one_by_one() -> None:
    climates = shed() | {"Loft": air(*every(30, 6, 14, 65))}
    pieces = [
        drying(piece_id=1),
        drying(piece_id=2, rooms=[("Never read", 0)]),
        drying(piece_id=3, poured=-1, rooms=[("Loft", -1)], thickness_m=0.8e-3),
        drying(piece_id=4, poured=5, air=1.0),
    ]
    batch = forecasts(pieces, climates, at(6), members=MEMBERS, days=DAYS)
    assert batch == [make(piece, climates, 6) for piece in pieces]


# --- When it is made again ----------------------------------------------------------------------------------------


def test_equal_inputs_give_an_equal_fingerprint_and_an_equal_forecast() -> None:
    one, other = make(drying(), shed(), 6), make(drying(), shed(), 6.5)
    assert one == other.model_copy(update={"made_at": one.made_at})


def test_where_nothing_has_changed_the_known_forecast_holds_and_nothing_is_computed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = make(drying(), shed(), 6)
    monkeypatch.setattr(ensemble, "run", None)
    (again,) = forecasts([drying()], shed(), at(9), members=MEMBERS, days=DAYS, known={1: made})
    assert again == made.model_copy(update={"made_at": at(9)})
    for newer in (shed(20.1), shed(until=7)):
        with pytest.raises(TypeError):
            forecasts([drying()], newer, at(9), members=MEMBERS, days=DAYS, known={1: made})


@pytest.mark.parametrize(
    "other",
    [
        {"thickness_m": 1.3e-3}, {"side": 0.31}, {"air": 0.3}, {"poured": 0.01},
        {"recipe": Recipe(name="house mix", solids=0.31)}, {"rooms": [(SHED, 0), (SHED, 3)]},
    ],
)  # fmt: skip
def test_other_facts_make_it_stale(other: dict[str, object]) -> None:
    made = make(drying(), shed(), 6)
    assert not stale(made, drying(), shed(), at(6.1))
    assert stale(made, drying(**other), shed(), at(6.1))  # type: ignore[arg-type]


def test_what_does_not_bear_on_drying_does_not_make_it_stale() -> None:
    made = make(drying(), shed(), 6)
    assert not stale(made, drying("Reed", silicone=True, place="rack 2"), shed(), at(6.1))


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ([(6.1, 20.4, 50.0)], False),
        ([(6.1, 20.6, 50.0)], True),
        ([(6.1, 19.4, 50.0)], True),
        ([(6.1, 20.0, 52.9)], False),
        ([(6.1, 20.0, 53.1)], True),
        ([(3.1, 20.0, 50.0)], True),
        ([(-1.1, 20.0, 50.0)], False),
    ],
    ids=["moved a little", "warmer", "colder", "hardly damper", "damper", "late", "late but before the pour"],
)
def test_a_room_that_has_moved_and_readings_that_come_late_make_it_stale(
    readings: list[tuple[float, float, float]], expected: bool
) -> None:
    made = make(drying(), shed(), 6)
    now = {SHED: air(*sorted(every(10, 6, 20, 50, start=-2) + readings))}
    assert stale(made, drying(), now, at(6.2)) is expected


def test_it_is_made_again_hourly_and_when_the_clock_was_set_back() -> None:
    made = make(drying(), shed(), 6)
    assert not stale(made, drying(), shed(), made.made_at)
    assert not stale(made, drying(), shed(), made.made_at + LAPSE - timedelta(seconds=1))
    assert stale(made, drying(), shed(), made.made_at + LAPSE)
    assert stale(made, drying(), shed(), made.made_at - timedelta(seconds=1))


def test_it_is_made_again_by_another_model_and_where_there_is_none() -> None:
    made = make(drying(), shed(), 6)
    assert stale(made.model_copy(update={"model_version": MODEL_VERSION + "x"}), drying(), shed(), at(6))
    assert stale(None, drying(), shed(), at(6))


def test_a_room_s_first_reading_makes_its_pieces_forecasts_and_till_then_they_rest() -> None:
    unread = make(drying(), {}, 6)
    assert not stale(unread, drying(), {}, at(6.5))
    assert stale(unread, drying(), shed(), at(6.5))
    moved_away = drying(rooms=[("Loft", 0), (SHED, 2)])
    waiting = make(moved_away, shed(), 6)
    assert not stale(waiting, moved_away, shed(), at(6.5))
    assert stale(waiting, moved_away, shed() | {"Loft": air((0, 20.0, 50.0))}, at(6.5))


def test_what_has_settled_is_left_alone_unless_its_facts_are_corrected() -> None:
    passed = dict.fromkeys(MilestoneKind, 5.0)
    facts = {"fingerprint": drying().facts + "air", "data_until": at(5)}
    settled = dates(even=passed, safe=passed).model_copy(update=facts)
    late = {SHED: air(*every(10, 6, 5, 90, start=-2))}
    for hours in (6, 500, 50_000):
        assert not needs_air(settled, drying(), at(hours))
        assert not stale(settled, drying(), late, at(hours))
        assert not stale(settled, drying(), {}, at(hours)), "its air is not even read any more"
    assert stale(settled, drying(recipe=Recipe(name="house mix", solids=0.4)), late, at(500))
    assert needs_air(settled, drying(), at(4)), "not settled yet"
    assumed = settled.model_copy(update={"data_until": at(4.9)})
    assert needs_air(assumed, drying(), at(500)), "its last air was never read, and may yet come in otherwise"


def test_the_fingerprint_is_of_all_the_air_the_piece_has_had() -> None:
    base = every(10, 6, 20, 50, start=-2)
    made = make(drying(), {SHED: air(*base)}, 6)
    bumped = [(h, t + (0.01 if abs(h - 3) < 0.01 else 0), r) for h, t, r in base]
    assert make(drying(), {SHED: air(*bumped)}, 6).fingerprint != made.fingerprint
    earlier = [(h, t + (0.01 if h < -0.5 else 0), r) for h, t, r in base]
    assert make(drying(), {SHED: air(*earlier)}, 6).fingerprint == made.fingerprint
    assert make(drying(), {SHED: air(*base)}, 6, members=5).fingerprint != made.fingerprint
    assert make(drying(), {SHED: air(*base)}, 6, days=61).fingerprint != made.fingerprint
    aged = replace(air(*base), newest_s=at(5.99).timestamp())
    assert make(drying(), {SHED: aged}, 6).fingerprint != made.fingerprint
