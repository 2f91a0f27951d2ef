"""Forecasts that go on from kept states are the forecasts made from the facts alone, whatever has happened between."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics.ensemble import SPREADS
from curewatch.physics.solver.monitor import SAMPLED
from curewatch.records import Forecast, Recipe
from curewatch.records.decisions import Checkpoint
from curewatch.records.facts import Finger, Observation, ObservationKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting import batch, forecast
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.forecast import forecasts, moved
from curewatch.studio.forecasting.simulation import simulate
from curewatch.studio.inference.factors import Gaussian
from curewatch.studio.inference.posterior import Posterior
from curewatch.studio.outlook.scenarios import RoomScenarios
from tests.studio_scene import SHED, air, at, drying

MEMBERS, DAYS = 3, 2
SAME_S = 2.0
"""Dates are whole seconds, and the last digits of a time depend on which films were marched beside this one."""
Reading = tuple[float, float, float]
Kept = dict[int, Checkpoint]


def wave(first: float, last: float, minutes: float = 10, warmer: float = 0.0) -> list[Reading]:
    """A sensor's readings [h] of a restless room."""
    hours = np.arange(first, last + 1e-9, minutes / 60)
    swing = np.sin(hours / 24 * 2 * np.pi) + 0.3 * np.sin(hours * 1.7)
    return [(h, 19 + 2.5 * s + warmer, 52 - 7 * s) for h, s in zip(hours.tolist(), swing.tolist(), strict=True)]


def ahead(climate: Climate) -> RoomScenarios:
    """A future that differs from member to member."""
    hours, rows = np.arange(0.0, 24 * 90, 6), np.arange(1 + MEMBERS)[:, None] - MEMBERS / 2
    swing = np.sin((hours + climate.time_s[-1] / 3600) / 24 * 2 * np.pi)
    temp, rh = 19 + 2 * swing + 0.3 * rows, 52 - 6 * swing - rows
    temp[:, 0], rh[:, 0] = climate.temp_c[-1], climate.rh_pct[-1]
    return RoomScenarios(climate.time_s[-1] + hours * 3600, temp, rh)


def look(piece: Drying, climates: dict[str, Climate], hours: float, kept: Kept | None = None) -> Forecast:
    futures = {room: ahead(climate) for room, climate in climates.items()}
    (made,) = forecasts([piece], climates, at(hours), members=MEMBERS, days=DAYS, futures=futures, kept=kept)
    return made


def agree(rolled: Forecast, whole: Forecast) -> None:
    assert rolled.fingerprint == whole.fingerprint
    for one, other in zip(rolled.milestones, whole.milestones, strict=True):
        for name in ("early_at", "worth_checking_at", "safe_at"):
            mine, theirs = getattr(one, name), getattr(other, name)
            assert (mine is None) == (theirs is None)
            if mine is not None:
                assert abs(mine - theirs) <= timedelta(seconds=SAME_S), (one.kind, name)
    assert rolled.skin_gap_h == pytest.approx(whole.skin_gap_h, abs=2e-3)
    assert rolled.film_temp_c == pytest.approx(whole.film_temp_c, abs=2e-3)
    assert rolled.volatile_fraction == pytest.approx(whole.volatile_fraction, abs=2e-5)


def counted(monkeypatch: pytest.MonkeyPatch) -> list[float | None]:
    """From where [h from the pour] each piece that is marched from now on goes on; None: from its pour."""
    begun: list[float | None] = []
    real = batch.make

    def make(tasks: list[batch.Task], now: object) -> list[batch.ForecastResult]:
        begun.extend(
            None if one.kept is None else (one.kept.until - one.poured_at) / timedelta(hours=1) for one in tasks
        )
        return real(tasks, now)  # type: ignore[arg-type]

    monkeypatch.setattr(batch, "make", make)
    return begun


# --- The same by either way -----------------------------------------------------------------------------------------


@settings(max_examples=3, deadline=None)
@given(
    steps=st.lists(st.sampled_from([0.2, 0.7, 1.0, 2.5, 11.0, 30.0]), min_size=2, max_size=4),
    minutes=st.sampled_from([5.0, 10.0, 55.0, 600.0]),
    late=st.booleans(),
    thickness_m=st.sampled_from([0.5e-3, 1.2e-3, 2.5e-3]),
)
def test_whatever_readings_arrive_a_rolling_forecast_is_the_one_from_the_facts(
    steps: list[float], minutes: float, late: bool, thickness_m: float
) -> None:
    piece, kept, now = drying(thickness_m=thickness_m), Kept(), 0.5
    for i, step in enumerate(steps):
        now += step
        readings = wave(-1, now, minutes)
        if late and i % 2:
            readings = sorted([*readings, (now / 2 + 0.013, 24.0, 40.0)])
        climates = {SHED: air(*readings)}
        agree(look(piece, climates, now, kept), look(piece, climates, now))


def test_a_past_with_a_gap_rolls_as_it_is_marched_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the gap, while it is open, when it has ended, and later on from a state kept behind it."""
    begun, kept = counted(monkeypatch), Kept()
    for now in (4.5, 5.5, 25.5, 40.5, 41.5):
        readings = [one for one in wave(-30, now) if not 6 < one[0] < 25]
        climates = {SHED: air(*readings)}
        rolled = look(drying(thickness_m=2.5e-3), climates, now, kept)
        agree(rolled, look(drying(thickness_m=2.5e-3), climates, now))
    assert begun[::2][3:] == [25.0, 40.0]


def test_only_the_last_hour_is_marched_again(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, kept = counted(monkeypatch), Kept()
    for now in (0.5, 5.0, 6.0, 6.9, 30.0):
        look(drying(), {SHED: air(*wave(-1, now))}, now, kept)
    assert begun == [None, None, 4.0, 5.0, 6.0]
    assert kept[1].until == at(29)


def test_company_in_a_batch_makes_no_difference() -> None:
    pieces = [drying(piece_id=i, poured=-i, thickness_m=(0.4 + 0.3 * i) * 1e-3) for i in range(1, 4)]
    kept: Kept = {}
    for now in (3.0, 5.5):
        climates = {SHED: air(*wave(-20, now))}
        futures = {SHED: ahead(climates[SHED])}
        together = forecasts(pieces, climates, at(now), members=MEMBERS, days=DAYS, futures=futures, kept=kept)
        for piece, made in zip(pieces, together, strict=True):
            agree(made, look(piece, climates, now))


def observed(piece: Drying, *hours: float, weighed: bool = False) -> Drying:
    """The piece with finger tests at these times, which found it tacky, or weighed then."""
    tacky = {"kind": ObservationKind.FINGER, "finger": Finger.TACKY}
    seen = tuple(
        Observation.model_validate(
            {"piece_id": 1, "at": at(h)}
            | ({"kind": ObservationKind.WEIGHING, "grams": 500 - h, "resolution_g": 1.0} if weighed else tacky)
        )
        for h in hours
    )
    before = Gaussian(np.zeros(len(SPREADS)), np.eye(len(SPREADS)))
    belief = Gaussian(np.full(len(SPREADS), 0.1), 0.8 * np.eye(len(SPREADS)))
    return replace(piece, posterior=Posterior(piece.pour, seen, before, belief))


def test_what_is_believed_otherwise_has_another_fingerprint_and_what_hardly_differs_the_same() -> None:
    """By it a forecast is made again: what other pieces taught, how surely, and how thick the edges run."""
    known = observed(drying(), 3.0).posterior
    assert known is not None
    mean, cov = known.prior.mean, known.prior.cov
    marks = [
        replace(known, **{name: value}).fingerprint
        for name, value in (
            ("prior", Gaussian(mean + 1e-6, cov)), ("prior", Gaussian(mean + 0.01, cov)),
            ("prior", Gaussian(mean, 0.9 * cov)), ("belief", Gaussian(mean + 0.11, known.belief.cov)),
            ("edge", (0.1, 0.0)), ("observations", ()),
        )
    ]  # fmt: skip
    assert marks[0] == known.fingerprint
    assert len({known.fingerprint, *marks[1:]}) == 6


@pytest.mark.parametrize("weighed", [False, True])
def test_what_members_saw_before_they_were_kept_still_weighs(weighed: bool) -> None:
    piece, kept = observed(drying(), 2.0, 6.5, 20.0, weighed=weighed), Kept()
    for now in (4.0, 7.2, 21.0):
        climates = {SHED: air(*wave(-1, now))}
        agree(look(piece, climates, now, kept), look(piece, climates, now))
    assert len(kept[1].members) > 100


def test_members_count_by_how_they_were_each_time_that_the_piece_was_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three times on the scale, three looks: each finds less left in the film than the one before."""
    tasks: list[batch.Task] = []
    real = batch.make
    monkeypatch.setattr(batch, "make", lambda some, now: tasks.extend(some) or real(some, now))
    look(observed(drying(), 2.0, 6.5, 20.0, weighed=True), {SHED: air(*wave(-1, 21))}, 21.0)
    found = simulate([tasks[0].problem], MEMBERS).seen(0)[SAMPLED.index("volatile_fraction")]
    assert found.shape == (3, MEMBERS)
    assert (np.diff(found, axis=0) < 0).all()


# --- Facts that change what was ------------------------------------------------------------------------------------


def bumped(readings: list[Reading], hour: float) -> list[Reading]:
    return [(h, t + (0.01 if abs(h - hour) < 0.01 else 0), r) for h, t, r in readings]


@pytest.mark.parametrize(
    ("piece", "readings"),
    [
        (drying(), sorted([*wave(-1, 12), (3.4, 25.0, 40.0)])),
        (drying(), bumped(wave(-1, 12), 5.0)),
        (drying(rooms=[(SHED, 0), ("Loft", 4)]), wave(-1, 12)),
        (drying(recipe=Recipe(name="house mix", solids=0.4)), wave(-1, 12)),
        (observed(drying(), 3.0), wave(-1, 12)),
        (drying(poured=-0.5), wave(-1, 12)),
    ],
    ids=["late reading", "other reading", "moved", "recipe", "learned", "poured earlier"],
)
def test_a_fact_that_changes_what_was_has_the_piece_marched_from_its_pour(
    piece: Drying, readings: list[Reading], monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: Kept = {}
    before = {SHED: air(*wave(-1, 10))}
    look(drying(), before, 10, kept)
    begun = counted(monkeypatch)
    climates = {SHED: air(*readings), "Loft": air(*wave(-1, 12, warmer=-4))}
    made = look(piece, climates, 12, kept)
    assert begun == [None]
    agree(made, look(piece, climates, 12))


def test_a_move_after_the_kept_moment_comes_to_what_the_facts_alone_come_to() -> None:
    kept: Kept = {}
    look(drying(), {SHED: air(*wave(-1, 10))}, 10, kept)
    climates = {SHED: air(*wave(-1, 12)), "Loft": air(*wave(-1, 12, warmer=-4))}
    piece = drying(rooms=[(SHED, 0), ("Loft", 11)])
    made = look(piece, climates, 12, kept)
    agree(made, look(piece, climates, 12))
    assert made.milestones != look(drying(), climates, 12).milestones


def damaged(one: Checkpoint) -> list[Checkpoint]:
    return [
        one.model_copy(update={"members": one.members[:-7]}),
        one.model_copy(update={"centre": b"\x00" * 40}),
        one.model_copy(update={"until": one.until + timedelta(days=3)}),
    ]


def test_states_that_are_gone_damaged_or_another_model_s_are_made_again(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: Kept = {}
    look(drying(), {SHED: air(*wave(-1, 10))}, 10, kept)
    climates = {SHED: air(*wave(-1, 12))}
    whole = look(drying(), climates, 12)
    for one in damaged(kept[1]):
        agree(look(drying(), climates, 12, {1: one}), whole)
    agree(look(drying(), climates, 12, {}), whole)
    monkeypatch.setattr(forecast, "MODEL_VERSION", "another")
    begun = counted(monkeypatch)
    look(drying(), climates, 12, dict(kept))
    assert begun == [None]


def test_nothing_is_kept_of_what_has_not_settled() -> None:
    readings = np.array([at(h).timestamp() for h, _, _ in wave(0, 5)])
    columns = (readings, readings * 0 + 20, readings * 0 + 50)
    hour = at(0).timestamp()
    assert batch.checkpoint_time(columns, hour, readings[-1]) == at(4).timestamp()
    assert batch.checkpoint_time(columns, at(4.2).timestamp(), readings[-1]) is None, "poured since"
    assert batch.checkpoint_time(columns, hour, at(2.5).timestamp()) == at(2).timestamp(), "one quantity fell silent"
    one = tuple(column[:1] for column in columns)
    assert batch.checkpoint_time(one, hour - 7200, readings[0]) is None, "read once"  # type: ignore[arg-type]


# --- When it is worth marching the future again -----------------------------------------------------------------------


def would_move(shift_c: float, shift_rh: float, hours: float = 0.5) -> set[int]:
    """Whether half an hour of air that is so much warmer and damper than before would move a date."""
    kept: Kept = {}
    piece, before = drying(), wave(-1, 10)
    steady = [(h, 20.0, 50.0) for h, _, _ in before]

    def flat(climate: Climate) -> RoomScenarios:
        time = climate.time_s[-1] + np.array([0.0, 3600.0])
        values = [np.repeat(v[-1], 2)[None].repeat(1 + MEMBERS, 0) for v in (climate.temp_c, climate.rh_pct)]
        return RoomScenarios(time, *values)

    first = {SHED: air(*steady)}
    forecasts([piece], first, at(10), members=MEMBERS, days=DAYS, futures={SHED: flat(first[SHED])}, kept=kept)
    later = [(10 + i / 6, 20.0 + shift_c, 50.0 + shift_rh) for i in range(1, 1 + int(hours * 6))]
    now = {SHED: air(*steady, *later)}
    return moved([piece], now, at(10.5), members=MEMBERS, days=DAYS, futures={SHED: flat(now[SHED])}, kept=kept)


@pytest.mark.parametrize(
    ("shift_c", "shift_rh", "expected"), [(0, 0, set()), (0.1, 0, set()), (2, 0, {1}), (0, 6, {1})]
)
def test_air_that_moves_a_date_by_two_hundredths_is_worth_a_new_forecast(
    shift_c: float, shift_rh: float, expected: set[int]
) -> None:
    assert would_move(shift_c, shift_rh) == expected


def test_a_date_that_comes_or_goes_counts_as_moved() -> None:
    assert would_move(-17, 0) == {1}, "too cold: the film does not fuse"


def test_a_piece_of_which_nothing_is_kept_is_forecast_to_be_safe() -> None:
    climates = {SHED: air(*wave(-1, 10))}
    futures = {SHED: ahead(climates[SHED])}
    assert moved([drying()], climates, at(10), members=MEMBERS, days=DAYS, futures=futures, kept={}) == {1}
