"""What learning is worth: studios whose hidden truth is known, observed sparsely and honestly, then forecast.

Each studio pours three pieces of one recipe at one place and tests them with a finger now and then; the fourth piece
is forecast with and without what those taught. Truths are drawn from what is believed, or break the model (truths.py).
All members of all studios are integrated together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from curewatch.backtest.truths import Truth, drawn, dried
from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, AirSeries, Array
from curewatch.physics.film import RHO_DRY, RHO_WATER
from curewatch.physics.milestones import MILESTONES
from curewatch.records import Piece, Pour, Recipe, Stay, ThicknessSource
from curewatch.records.facts import Finger, Observation, ObservationKind
from curewatch.studio.air.climate import Air
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.inference.observation_model import FINGER_NOISE, NOT_PRESSED, SUPPORT_G_M2
from curewatch.studio.learning import learning

OBSERVED = 3
"""Pieces of the recipe that are observed before the one that is judged."""
APART_DAYS, DAYS, HOURLY_DAYS = 7, 200, 10
VISITS_H, TESTED_DAYS = (8.0, 12.0, 16.0, 20.0), 8
"""When somebody may look in, for so many days."""
WEIGHED_H = (1.0, 8.0, 24.0, 96.0, 336.0, 672.0)
"""With a kitchen scale of 1 g: how long after the pour the piece is weighed, beside its bare weight."""
WEEKLY_H = (1.0, 8.0, 24.0, 72.0, *(168.0 * week for week in range(1, 9)))
"""The same for somebody who goes on weighing once a week until it is varnished."""
HEEDED = 0.75
"""Who heeds the dates looks in from this share of the even-odds date of touch-dry on, at every visit."""
MEMBERS = 64
JUDGED = ("touch_dry", "handle", "varnish_ready")
ROOM, PLACE = "studio", "rack"


@dataclass(frozen=True)
class Plan:
    """What is simulated."""

    studios: int
    source: ThicknessSource
    tests_a_day: float = 2.0
    weighed: bool = False
    heeds: bool = False
    """Tests at every visit once it may be touch-dry, instead of now and then; weighs weekly, if at all."""
    truth: Truth = Truth.OWN
    seed: int = 1
    lesson_members: int = learning.MEMBERS
    """Films that a lesson is drawn from."""

    @property
    def weighed_h(self) -> tuple[float, ...]:
        """When the scale is used [h from the pour]."""
        return () if not self.weighed else WEEKLY_H if self.heeds else WEIGHED_H


@dataclass(frozen=True)
class Scores:
    """Forecasts of the last piece of each studio before and after learning. Arrays are (milestones, studios)."""

    early: Array
    even: Array
    late: Array
    """[s], each (2, milestones, studios): before, after."""
    truth: Array
    """[s]"""
    rank: Array
    """Share of the members earlier than the truth (2, milestones, studios)."""
    tests: int
    questioned: int

    def coverage(self, when: int, m: int) -> float:
        """Share of truths within 10-90 %; a "never" counts as covered where 90 % says never."""
        truth, low, high = self.truth[m], self.early[when, m], self.late[when, m]
        return float(np.mean((truth >= low) & (truth <= high)))

    def width_ratio(self, m: int) -> float:
        """Median of the widths of log time after over before."""
        with np.errstate(invalid="ignore"):
            width = np.log(self.late[:, m] / self.early[:, m])
        ok = np.isfinite(width).all(0)
        return float(np.median(width[1, ok] / width[0, ok])) if ok.any() else float("nan")

    def error(self, when: int, m: int) -> float:
        """Median of |log(even date / truth)|."""
        with np.errstate(invalid="ignore", divide="ignore"):
            off = np.abs(np.log(self.even[when, m] / self.truth[m]))
        return float(np.median(off[np.isfinite(off)])) if np.isfinite(off).any() else float("nan")

    def reliability(self, when: int, m: int) -> list[int]:
        """Truths by tenth of the forecast distribution they fell in; even is right."""
        ok = np.isfinite(self.truth[m])
        return [int(x) for x in np.histogram(self.rank[when, m, ok], bins=10, range=(0, 1))[0]]


def run(rooms: Sequence[Air], plan: Plan) -> Scores:
    """Simulate the studios of `plan` in `rooms`, recorded air."""
    studios = plan.studios
    rng = np.random.default_rng(plan.seed)
    z = drawn(plan.truth, studios, OBSERVED + 1, rng)
    pieces = [_piece(i, k, rooms, plan.source, rng) for i in range(studios) for k in range(OBSERVED + 1)]
    series = AirSeries([_of_pour(drying, air) for drying, air in pieces])
    every = np.arange(len(pieces))
    pourings = [drying.pouring for drying, _ in pieces]
    times = np.array(plan.weighed_h) * 3600 if plan.weighed else None
    films = dried(plan.truth, pourings, z, series, DAYS * 86400.0, rng, times)
    true = films.pieces
    from_s = _heeded(pourings, series) if plan.heeds else np.zeros(len(pieces))
    observed = []
    for j, (drying, air) in enumerate(pieces):
        if j % (OBSERVED + 1) < OBSERVED:  # the last is the one that is judged
            tests_a_day = len(VISITS_H) if plan.heeds else plan.tests_a_day
            seen = _finger_tests(drying, films.edges_s[:, j], tests_a_day, float(from_s[j]), rng)
            if plan.weighed:
                phi = true.samples["volatile_fraction"][:, j, 0]
                seen += _weighings(drying, float(true.solids_m(j)[0]), phi / (1 - phi), plan.weighed_h, rng)
            if seen:
                observed.append((drying, seen, air))
    # the record is thinned out to go faster, not unread
    lessons = learning.teach(observed, plan.lesson_members, sure=True)
    last = every.reshape(studios, -1)[:, -1]
    design = _designs(lessons, studios)
    return _scores(design, pourings, series, last, true.reached_s[:, last, 0], observed, lessons)


def _heeded(pourings: list[ensemble.Pouring], series: AirSeries) -> Array:
    """From when somebody who heeds the dates looks in [s from each pour]: by the central film, in the air to come."""
    every = np.arange(len(pourings))
    central = ensemble.run(pourings, ensemble.design(1), series, TESTED_DAYS * 86400.0, room=every)
    return np.asarray(HEEDED * central.reached_s[MILESTONES.index("touch_dry"), :, 0])


def _designs(lessons: Sequence[learning.Lesson], studios: int) -> Array:
    """The members of each studio's last piece before and after learning (2, studios, members, quantities)."""
    plain = ensemble.design(MEMBERS)
    design = np.tile(plain, (2, studios, 1, 1))
    by_studio: dict[str, list[learning.Lesson]] = {}
    for lesson in lessons:
        by_studio.setdefault(lesson.recipe, []).append(lesson)
    for i in range(studios):
        belief = learning.learned(by_studio.get(f"{i}", ())).belief(f"{i}", f"{ROOM}, {PLACE}", room=ROOM)
        if belief is not None:
            design[1, i] = belief.draw(plain)
    return design


def _scores(
    design: Array, pourings: list[ensemble.Pouring], series: AirSeries, last: NDArray[np.intp], truth: Array,
    observed: Sequence[tuple[Drying, Sequence[Observation], Air]], lessons: Sequence[learning.Lesson],
) -> Scores:  # fmt: skip
    rows = [MILESTONES.index(name) for name in JUDGED]
    studios = design.shape[1]
    both = np.concatenate([last, last])
    flat = design.reshape(2 * studios, MEMBERS, learning.QUANTITIES)
    runs = ensemble.run([pourings[j] for j in both], flat, series, DAYS * 86400.0, room=both)
    dates = np.array([[runs.outcome(k).at(name) for k in range(2 * studios)] for name in JUDGED])
    early, even, late = dates.reshape(len(JUDGED), 2, studios, 3).transpose(3, 1, 0, 2)
    reached = runs.reached_s[rows].reshape(len(JUDGED), 2, studios, MEMBERS).transpose(1, 0, 2, 3)
    return Scores(
        early=early,
        even=even,
        late=late,
        truth=truth[rows],
        rank=(reached < truth[rows][None, :, :, None]).mean(-1),
        tests=sum(one.kind is ObservationKind.FINGER for _, seen, _ in observed for one in seen),
        questioned=sum(len(lesson.questioned) for lesson in lessons),
    )


def _piece(
    studio: int, number: int, rooms: Sequence[Air], source: ThicknessSource, rng: np.random.Generator
) -> tuple[Drying, Air]:
    """The next pour of a studio, and the air it will have."""
    air = rooms[studio % len(rooms)]
    own = np.random.default_rng((studio, 7))  # the studio's first pour falls anywhere in the first half of the record
    start = air[0][0] + own.uniform(0, 0.5) * (air[0][-1] - air[0][0])
    at = datetime.fromtimestamp(start, UTC).replace(minute=0, second=0, microsecond=0)
    at += timedelta(days=APART_DAYS * number, hours=float(rng.uniform(0, 10)))
    piece_id = studio * (OBSERVED + 1) + number
    side = float(rng.uniform(0.2, 0.5))
    pour = Pour(
        piece_id=piece_id,
        at=at,
        wet_thickness_m=float(np.exp(rng.uniform(np.log(0.8e-3), np.log(2.5e-3)))),
        thickness_source=source,
        width_m=side,
        height_m=side,
        recipe=f"{studio}",
    )
    stay = Stay(piece_id=piece_id, room=ROOM, place=PLACE, since=at)
    drying = Drying(Piece(id=piece_id, name=f"{piece_id}", created_at=at), pour, Recipe(name=f"{studio}"), (stay,))
    return drying, _from(air, at.timestamp())


def _from(air: Air, start_s: float) -> Air:
    """The record from `start_s` on: by the hour while the piece is tested, then by the day, then its last day held."""
    times, temp, rh = air
    hours = start_s + 3600.0 * np.arange(24 * HOURLY_DAYS)
    days = hours[-1] + 86400.0 * np.arange(1, DAYS - HOURLY_DAYS)
    own = np.concatenate([hours[hours < times[-1]], days[days < times[-1]]])
    means = []
    for values in (temp, rh):
        area = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(times) * (values[1:] + values[:-1]))])
        width = np.where(own <= hours[-1], 3600.0, 86400.0)
        begin, end = np.maximum(own - width / 2, times[0]), np.minimum(own + width / 2, times[-1])
        means.append((np.interp(end, times, area) - np.interp(begin, times, area)) / (end - begin))
    return np.asarray(own, dtype=float), np.asarray(means[0]), np.asarray(means[1])


def _of_pour(drying: Drying, air: Air) -> tuple[Array, Array, Array]:
    return air[0] - drying.pour.at.timestamp(), air[1] + ZERO_C, air[2] / 100


def _finger_tests(
    drying: Drying, reached_s: Array, tests_a_day: float, from_s: float, rng: np.random.Generator
) -> list[Observation]:
    """Now and then somebody tests, judges with the noise of a person, and stops when it is dry through."""
    touch_dry, handle = (reached_s[MILESTONES.index(name)] for name in ("touch_dry", "handle"))
    pour = drying.pour
    found: list[Observation] = []
    midnight = pour.at.replace(hour=0)
    for day in range(TESTED_DAYS):
        for hour in VISITS_H:
            at = midnight + timedelta(days=day, hours=hour)
            age_s = (at - pour.at).total_seconds()
            if age_s < max(4 * 3600, from_s) or rng.uniform() > tests_a_day / len(VISITS_H):
                continue
            felt = age_s * np.exp(rng.logistic(0, FINGER_NOISE * np.sqrt(3) / np.pi, 2))
            says = Finger.TOUCH_DRY if felt[0] >= touch_dry else Finger.TACKY
            if says is Finger.TOUCH_DRY and felt[1] >= handle and rng.uniform() > NOT_PRESSED:
                says = Finger.DRY_THROUGH
            kind = ObservationKind.FINGER
            found.append(Observation(id=len(found) + 1, piece_id=pour.piece_id, at=at, kind=kind, finger=says))
            if says is Finger.DRY_THROUGH:
                return found
    return found


def _weighings(
    drying: Drying, solids_m: float, liquid: Array, weighed_h: Sequence[float], rng: np.random.Generator
) -> list[Observation]:
    pour = drying.pour
    assert pour.width_m is not None
    assert pour.height_m is not None
    area, bare = pour.width_m * pour.height_m, 800 * pour.width_m
    grams = [bare, *(bare + 1e3 * area * solids_m * (RHO_DRY + RHO_WATER * liquid))]
    damp = rng.normal(0, SUPPORT_G_M2 * area / np.sqrt(2), len(grams))
    return [
        Observation(
            id=100 + n,
            piece_id=pour.piece_id,
            at=pour.at + timedelta(hours=hours),
            kind=ObservationKind.WEIGHING,
            grams=float(round(g + d)),
            resolution_g=1.0,
        )
        for n, (hours, g, d) in enumerate(zip((-0.1, *weighed_h), grams, damp, strict=True))
    ]
