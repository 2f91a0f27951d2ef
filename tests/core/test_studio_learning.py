"""Learning: what a finger and a scale say moves and narrows what is believed, carries over, and is never a crash."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from curewatch.physics import ensemble
from curewatch.physics.air import AirSeries
from curewatch.physics.ensemble import films_at
from curewatch.records import Support
from curewatch.records.facts import Finger, Forgetting, Observation, ObservationKind, Spot, Subject
from curewatch.studio.air.climate import Air
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.inference import observation_model, posterior
from curewatch.studio.learning import learning
from curewatch.studio.outlook.gap_uncertainty import conditional_samples, gap_uncertainty_of
from tests.studio_scene import SHED, at, drying

STEADY_H = 800.0


HERE = learning.place_of(drying())


def steady(poured: float = 0.0, temp: float = 21.0, rh: float = 50.0, every_h: float = 4.0) -> Air:
    times = at(poured).timestamp() + 3600 * np.arange(0.0, STEADY_H + every_h / 2, every_h)
    return times, np.full(len(times), temp), np.full(len(times), rh)


def finger(hours: float, says: Finger, *, piece_id: int = 1, id_: int = 1, spot: Spot = Spot.EDGE) -> Observation:
    return Observation(id=id_, piece_id=piece_id, at=at(hours), kind=ObservationKind.FINGER, finger=says, spot=spot)


def weighing(hours: float, grams: float, *, id_: int = 1, step: float = 1.0) -> Observation:
    kind = ObservationKind.WEIGHING
    return Observation(id=id_, piece_id=1, at=at(hours), kind=kind, grams=grams, resolution_g=step)


def learned(*observations: Observation, piece: Drying | None = None, **others: Any) -> learning.Learned:
    lessons = learning.teach([(piece or drying(), observations, steady())])
    return learning.learned(lessons, **others)


def dates_h(belief: learning.Gaussian | None, milestone: str) -> np.ndarray[Any, Any]:
    """10, 50 and 90 % of a like pour by a belief [h]."""
    z = ensemble.design(64)
    z = z if belief is None else belief.draw(z)
    runs = ensemble.run([drying().pouring], z[None], AirSeries.constant(294.15, 0.5), 3e7)
    return np.array(runs.outcome(0).at(milestone)) / 3600


UNKNOWING = dates_h(None, "touch_dry")


def test_members_at_the_design_are_the_ensemble() -> None:
    pourings = [drying().pouring, drying(thickness_m=2e-3, air=0.3).pouring]
    z = ensemble.design(64)
    ours, theirs = films_at(pourings, np.tile(z, (2, 1, 1))), films_at(pourings, z)
    for name in ("solids_m", "water", "glycol", "side", "air_speed", "h_back", "d0", "g0", "limit_surface", "mfft"):
        # the same formulas, broadcast another way: rounding
        assert getattr(ours, name) == pytest.approx(getattr(theirs, name), rel=1e-12)


def test_tacky_long_after_the_even_date_makes_the_next_pour_later_and_surer() -> None:
    late = learned(finger(float(UNKNOWING[1]) * 1.2, Finger.TACKY)).belief("house mix", HERE, room=SHED)
    taught = dates_h(late, "touch_dry")
    assert taught[0] > 1.1 * UNKNOWING[0]
    assert taught[1] > 1.1 * UNKNOWING[1]
    assert late is not None
    assert np.linalg.slogdet(late.cov)[1] < 0


def test_dry_through_early_makes_the_next_pour_earlier() -> None:
    before = dates_h(None, "handle")
    early = learned(finger(float(before[0]), Finger.DRY_THROUGH, spot=Spot.MIDDLE)).belief("house mix", HERE, room=SHED)
    assert dates_h(early, "handle")[1] < 0.87 * before[1]


def test_an_edge_that_is_dry_tells_less_of_the_piece_than_its_middle() -> None:
    """Edges are thinner and dry first: the same word at the same hour makes the next pour's date less early."""
    before = dates_h(None, "handle")
    edge, middle = (
        dates_h(
            learned(finger(float(before[0]), Finger.DRY_THROUGH, spot=spot)).belief("house mix", HERE, room=SHED),
            "handle",
        )[1]
        for spot in Spot
    )
    assert middle < 0.97 * edge < 0.97 * before[1]


def test_two_tests_that_bracket_narrow_most_and_more_in_the_middle_than_at_an_edge() -> None:
    """How thick edges are is not known: what they tell of the piece is softer, however close the tests."""

    def width(spot: Spot) -> float:
        around = learned(
            finger(float(UNKNOWING[1]) * 0.95, Finger.TACKY, spot=spot),
            finger(float(UNKNOWING[1]) * 1.1, Finger.TOUCH_DRY, id_=2, spot=spot),
        )
        taught = dates_h(around.belief("house mix", HERE, room=SHED), "touch_dry")
        return float(np.log(taught[2] / taught[0]) / np.log(UNKNOWING[2] / UNKNOWING[0]))

    assert width(Spot.MIDDLE) < 0.6
    assert width(Spot.MIDDLE) < 0.9 * width(Spot.EDGE) < 0.65


def test_the_middle_teaches_how_thin_edges_are() -> None:
    """Dry at the edge long before the middle, on two pieces: the next edge that is dry says less of its piece."""
    early, late = float(UNKNOWING[1]) * 0.5, float(UNKNOWING[1]) * 0.95
    seen = [
        [finger(early, Finger.TOUCH_DRY, piece_id=i), finger(late, Finger.TACKY, piece_id=i, id_=2, spot=Spot.MIDDLE)]
        for i in (1, 2)
    ]
    lessons = learning.teach([(drying(piece_id=i), some, steady()) for i, some in zip((1, 2), seen, strict=True)])
    habit = learning.learned(lessons).posterior(drying(piece_id=3), [])
    assert habit is not None
    thickness, unsure = habit.edge
    assert thickness < -0.1
    assert unsure < np.hypot(observation_model.EDGE_SPREAD, observation_model.EDGE_HABIT)


def test_a_recipe_found_far_out_is_less_sure_in_all_that_nobody_tested() -> None:
    """Three pieces that took three times as long as likely: the spreads that were assumed are too small for it."""

    def unsure(times: float) -> float:
        """Of its glycol's diffusivity, which no finger tells of."""
        pieces = [drying(piece_id=i) for i in (1, 2, 3)]
        seen = [
            [
                finger(float(UNKNOWING[1]) * times * at_, says, piece_id=one.piece.id, id_=k, spot=Spot.MIDDLE)
                for k, (at_, says) in enumerate(((0.95, Finger.TACKY), (1.1, Finger.TOUCH_DRY)))
            ]
            for one in pieces
        ]
        lessons = learning.teach([(p, some, steady()) for p, some in zip(pieces, seen, strict=True)])
        belief = learning.learned(lessons).belief("house mix", HERE, room=SHED)
        assert belief is not None
        return float(np.sqrt(belief.cov[ensemble.SPREADS.index("g0"), ensemble.SPREADS.index("g0")]))

    assert unsure(1.0) <= 1.0
    assert unsure(3.0) > 1.1


def test_a_recipe_and_a_place_carry_over_a_thickness_does_not() -> None:
    rough = drying()
    rough = replace(rough, pour=rough.pour.model_copy(update={"thickness_source": "layer"}))
    slow = learned(finger(float(UNKNOWING[2]) * 1.4, Finger.TACKY, spot=Spot.MIDDLE), piece=rough)
    here = learning.place_of(rough)
    own = slow.belief("house mix", here, 1)
    other = slow.belief("house mix", here, room=SHED)
    assert own is not None
    assert other is not None
    assert own.mean[learning.OWN[0]] > 0.5
    assert other.mean[learning.OWN[0]] == 0
    elsewhere, another = slow.belief("house mix", "Loft"), slow.belief("slow mix", here)
    assert elsewhere is not None
    assert elsewhere.mean[learning.OF_PLACE[0]] == 0
    assert another is not None
    assert another.mean[learning.OF_PLACE[0]] < 0
    assert np.count_nonzero(another.mean) == 1
    assert slow.belief("slow mix", "Loft") is None


def test_what_is_forgotten_teaches_the_next_pour_nothing_but_still_the_piece_itself() -> None:
    forget = [Forgetting(subject=s, name=n, at=at(99)) for s, n in ((Subject.RECIPE, "house mix"),)]
    told = learned(finger(30, Finger.TACKY), forgettings=forget)
    here = learning.place_of(drying())
    after = told.belief("house mix", here, room=SHED)
    assert after is not None
    assert set(np.flatnonzero(after.mean)) <= {*learning.OF_PLACE, *learning.OF_ROOM}
    assert told.taught_by(Subject.RECIPE, "house mix") == []
    assert len(told.taught_by(Subject.PLACE, here)) == 1


def test_a_place_that_is_forgotten_takes_along_what_it_taught_of_its_room_but_not_what_another_did() -> None:
    forget = [
        Forgetting(subject=Subject.RECIPE, name="house mix", at=at(99)),
        Forgetting(subject=Subject.PLACE, name=learning.place_of(drying()), at=at(99)),
    ]
    assert learned(finger(30, Finger.TACKY), forgettings=forget).belief("house mix", "Loft", room=SHED) is None
    rack = replace(drying(), stays=tuple(stay.model_copy(update={"place": "rack"}) for stay in drying().stays))
    after = learned(finger(30, Finger.TACKY), piece=rack, forgettings=forget).belief("house mix", "Loft", room=SHED)
    assert after is not None
    assert set(np.flatnonzero(after.mean)) == set(learning.OF_ROOM)


def test_the_order_of_lessons_does_not_matter() -> None:
    pieces = [drying(piece_id=i, poured=0.0) for i in (1, 2, 3)]
    seen = [[finger(h, says, piece_id=i)] for i, h, says in ((1, 14, "tacky"), (2, 20, "touch-dry"), (3, 30, "tacky"))]
    data = [(piece, some, steady()) for piece, some in zip(pieces, seen, strict=True)]
    one, other = learning.learned(learning.teach(data)), learning.learned(learning.teach(data[::-1]))
    a, b = (taught.belief("house mix", learning.place_of(pieces[0]), room=SHED) for taught in (one, other))
    assert a is not None
    assert b is not None
    # each is settled to 0.001: a round in which nothing moved by more is the last
    assert a.mean == pytest.approx(b.mean, abs=1e-3)
    assert a.cov == pytest.approx(b.cov, abs=1e-3)


def test_an_observation_of_a_film_whose_air_was_not_read_teaches_less() -> None:
    """Read every ten hours, or once: more of a date is nobody's quantity, and the belief stays wider."""
    found = ((14, Finger.TACKY), (19, Finger.TOUCH_DRY), (30, Finger.DRY_THROUGH))
    seen = [finger(when, says, id_=i, spot=Spot.MIDDLE) for i, (when, says) in enumerate(found, 1)]  # no edge's spread

    def taught(every_h: float, sure: bool = False) -> tuple[float, float]:
        """What a fit of touch-dry misses, and how wide the belief is (the logarithm of its volume)."""
        (lesson,) = learning.teach([(drying(), seen, steady(every_h=every_h))], sure=sure)
        belief = learning.learned([lesson]).belief("house mix", HERE, room=SHED)
        assert belief is not None
        return lesson.factors[0].gradient[-1], float(np.linalg.slogdet(belief.cov)[1])

    read, now_and_then, once = (taught(hours) for hours in (4, 10, STEADY_H))
    assert read == taught(4, sure=True) == taught(STEADY_H, sure=True), "what was read leaves nothing to doubt"
    assert now_and_then > read
    # as much as the air alone makes of a film of which all is known, beside what a fit of 256 films misses anyway
    assert once[0] == pytest.approx(np.hypot(read[0], by_the_air_alone(STEADY_H, 3 * 30)), rel=0.15)
    assert once[0] > 1.3 * read[0]
    assert once[1] > now_and_then[1] > read[1]


def by_the_air_alone(every_h: float, until_h: float) -> float:
    """The spread of the logarithm of touch-dry of one film in every air that the room may have had."""
    found, poured_s = steady(every_h=every_h), at(0).timestamp()
    first = tuple(column[:1] for column in found)
    doubt = gap_uncertainty_of(first, poured_s + 30 * 3600)
    assert doubt is not None
    airs = conditional_samples(first, doubt, learning.MEMBERS, poured_s)
    run = ensemble.run(
        [drying().pouring],
        np.zeros((learning.MEMBERS, len(ensemble.SPREADS))),
        AirSeries.from_celsius(airs, poured_s),
        until_h * 3600,
        room=np.arange(learning.MEMBERS),
    )
    return float(np.std(np.log(run.reached_s[1, 0])))


def test_air_after_the_last_observation_changes_nothing() -> None:
    times, temp, rh = (
        np.append(column, x) for column, x in zip(steady(), (at(900).timestamp(), 5.0, 90.0), strict=True)
    )
    seen = [finger(20, Finger.TACKY)]
    assert learning.teach([(drying(), seen, (times, temp, rh))]) == learning.teach([(drying(), seen, steady())])


def test_an_observation_that_no_member_allows_is_questioned_and_moves_little() -> None:
    wrong = learned(finger(0.5, Finger.DRY_THROUGH, id_=7))
    assert wrong.lessons[0].questioned == (7,)
    belief = wrong.belief("house mix", HERE, room=SHED)
    assert belief is None or np.abs(belief.mean).max() < 0.3


def test_contradicting_observations_are_no_crash() -> None:
    both = learned(finger(10, Finger.DRY_THROUGH), finger(60, Finger.TACKY, id_=2))
    belief = both.belief("house mix", HERE, room=SHED)
    assert belief is not None
    assert np.isfinite(belief.mean).all()
    assert np.linalg.eigvalsh(belief.cov).min() > 0


def test_a_bare_and_a_fresh_weight_tell_how_thick_it_came_out() -> None:
    """0.3 x 0.3 m of 1.2 mm is 108 ml: some 123 g. Half as much again was poured."""
    rough = drying()
    rough = replace(rough, pour=rough.pour.model_copy(update={"thickness_source": "volume"}))
    told = learned(weighing(-0.1, 400), weighing(0.05, 585, id_=2), piece=rough)
    own = told.belief("house mix", "x", 1)
    assert own is not None
    assert np.exp(0.2 * own.mean[learning.OWN[0]]) == pytest.approx(1.5, abs=0.12)
    assert own.cov[learning.OWN[0], learning.OWN[0]] < 0.4


def test_weighings_along_the_way_tell_how_fast_it_dries() -> None:
    """Between 3 and 9 hours in it lost a third less than expected."""
    hours = np.array([3.0, 9.0])
    runs = ensemble.run(
        [drying().pouring], ensemble.design(1), AirSeries.constant(294.15, 0.5), 1e5, sample_at=hours * 3600,
    )  # fmt: skip
    phi = [float(runs.sample("volatile_fraction", 0, h * 3600.0)[0]) for h in hours]
    lost = 90 * float(runs.solids_m(0)[0]) * 998 * (phi[0] / (1 - phi[0]) - phi[1] / (1 - phi[1]))
    told = learned(weighing(3, 500), weighing(9, 500 - lost / 1.5, id_=2))
    belief = told.belief("house mix", HERE, room=SHED)
    after = dates_h(belief, "touch_dry")
    assert after[1] > 1.2 * UNKNOWING[1]
    assert belief is not None
    assert np.linalg.slogdet(belief.cov)[1] < 0


def test_weighings_once_a_week_narrow_varnish_ready_which_no_finger_can() -> None:
    """A pair of them does not: what the support takes up of a damp day is more than what is left to lose."""
    hours = np.array([60.0 + 168 * week for week in range(9)])
    runs = ensemble.run(
        [drying().pouring], ensemble.design(1), AirSeries.constant(294.15, 0.5), 3e7, sample_at=hours * 3600,
    )  # fmt: skip
    phi = [float(runs.sample("volatile_fraction", 0, h * 3600.0)[0]) for h in hours]
    grams = [400 + 0.09 * float(runs.solids_m(0)[0]) * 1e3 * (1350 + 998 * f / (1 - f)) for f in phi]
    told = learned(*(weighing(h, g, id_=i, step=0.1) for i, (h, g) in enumerate(zip(hours, grams, strict=True))))
    assert told.lessons[0].silent == (0,), "of the first the others tell how much has left"
    before, after = dates_h(None, "varnish_ready"), dates_h(told.belief("house mix", "x"), "varnish_ready")
    assert np.log(after[2] / after[0]) < 0.75 * np.log(before[2] / before[0])


def test_a_weighing_of_a_piece_of_unknown_size_says_nothing() -> None:
    piece = drying()
    piece = replace(piece, pour=piece.pour.model_copy(update={"width_m": None, "height_m": None}))
    told = learned(weighing(5, 500), weighing(30, 450, id_=2), piece=piece)
    assert told.lessons[0].silent == (1, 2)


@pytest.mark.parametrize("soaks", [Support.RAW_PANEL, Support.HARDBOARD, Support.PAPER])
def test_what_soaks_up_water_keeps_it_on_the_scale_and_only_the_poured_mass_tells(soaks: Support) -> None:
    canvas = drying(support=Support.CANVAS)
    raw = drying(support=soaks)
    row = [weighing(-0.1, 400), weighing(0.1, 520, id_=2), weighing(20, 505, id_=3), weighing(90, 500, id_=4)]
    assert {one.observed_s for one in learned(*row, piece=raw).lessons[0].factors} == {row[1].at.timestamp()}
    assert len(learned(*row, piece=canvas).lessons[0].factors) == 3


def test_a_row_of_weighings_tells_of_the_tail_what_single_differences_would_not() -> None:
    """Each weighing against the mean of all later ones: their errors are independent, and shrink with the row."""
    hours = np.array([200.0, 400.0, 600.0, 800.0])
    runs = ensemble.run(
        [drying().pouring], ensemble.design(16)[None], AirSeries.constant(294.15, 0.5), 3e6, sample_at=hours * 3600,
    )  # fmt: skip
    row = [weighing(h, 500.0 - i, id_=i, step=1e-9) for i, h in enumerate(hours)]
    found = observation_model.predicted_observations(drying().pour, row, runs, 0)
    errors = np.array([[1, -1 / 3, -1 / 3, -1 / 3], [0, 1, -1 / 2, -1 / 2], [0, 0, 1, -1]])
    assert errors @ errors.T == pytest.approx(np.diag((errors**2).sum(1)), abs=1e-12)
    one = observation_model.SUPPORT_G_M2 * 0.09 / np.sqrt(2)
    lost = np.array([2.0, 1.5, 1.0])
    assert [s.observed for s in found] == pytest.approx(lost)
    noise = np.hypot(one * np.sqrt((errors**2).sum(1)), observation_model.LOST_SPREAD * lost)
    assert [s.noise for s in found] == pytest.approx(noise)


def test_a_film_cooler_than_expected_is_wetter() -> None:
    cool = Observation(id=1, piece_id=1, at=at(25), kind=ObservationKind.SURFACE, surface_c=17.6)
    warm = cool.model_copy(update={"surface_c": 21.0})
    here = learning.place_of(drying())
    slow, fast = (dates_h(learned(one).belief("house mix", here, room=SHED), "touch_dry")[1] for one in (cool, warm))
    assert slow > fast


def test_weights_never_rest_on_too_few_members() -> None:
    z = ensemble.design(64)
    plain = learning.Gaussian(np.zeros(learning.QUANTITIES), np.eye(learning.QUANTITIES))
    runs = ensemble.run([drying().pouring], z[None], AirSeries.constant(294.15, 0.5), 3e6)
    many = [finger(float(UNKNOWING[2]), Finger.TACKY, id_=i) for i in range(8)]
    w = posterior.weights(observation_model.predicted_observations(drying().pour, many, runs, 0), z, plain, plain)
    assert w.sum() == pytest.approx(1)
    assert 1 / (w**2).sum() >= 31.9
