"""What the painter's finger and scale teach about a recipe and a place, and what carries over to the next pour.

Each observed piece gives a lesson: its factors, drawn once from members spread as nobody knew anything, by the air up
to the observation. All lessons together give one belief (inference/posterior.py), so it matters neither in which
order they came nor what was believed when: the same facts give the same belief. A recipe carries its solids,
diffusivities, limits and film-forming temperature to the next pour, and how thin its edges run; a place its air speed
and what it tells of the error of its room's readings; how thick a pour came out is the piece's own.

No film is just as the model has it. Where a recipe's observations come to further out than one would expect, the
spreads are too small for it: all that is not known of its pours is then believed to spread as much wider (`Learned`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, AirSeries, Array, Flags
from curewatch.records.facts import Forgetting, Observation, Subject
from curewatch.studio.air.climate import Air
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.inference import observation_model
from curewatch.studio.inference.factors import Factor, Gaussian
from curewatch.studio.inference.observation_model import EDGE_HABIT, EDGE_SPREAD
from curewatch.studio.inference.posterior import JointPosterior, PieceMessage, Posterior, propagate
from curewatch.studio.outlook.gap_uncertainty import conditional_samples, gap_uncertainty_of

MEMBERS = 256
"""Members a lesson is drawn from: 17 for each quantity."""
AT_ONCE = 50
"""Pieces whose members are integrated together: each may have had an air of its own, of thousands of moments."""
AHEAD = 4.0
"""How far a lesson is integrated, in ages at the last observation: members must come out on both sides of it."""
QUESTIONED = 0.05
"""An observation that the members expected less than this is questioned: kept, and hardly counted."""
QUANTITIES = len(ensemble.SPREADS)
MISFIT_DOUBT = 1.0
"""How many quantities, found where they were expected, the trust in the spreads weighs as much as."""
WIDEST = 9.0
"""No variance is believed to be more than so many times what was assumed."""
Name = tuple[str, str | int, int | str]
"""One quantity of a recipe, a place or a piece: which kind, its name, and its number (or a residual's group)."""
EDGE, HABIT = "edge", "edges"
"""How thick the edge of a piece is, and edges of a recipe are: their names among the quantities."""
Taught = tuple[Drying, Sequence[Observation], Air]
"""An observed piece, what was observed, and the air it has had."""
OWN, OF_PLACE, OF_ROOM = (
    [ensemble.SPREADS.index(name) for name in names]
    for names in (("thickness", "h_back"), ("air_speed",), ("air_temp", "air_rh"))
)
"""Quantities that are a piece's own, its place's, and those of what reads its room; all others are its recipe's."""


@dataclass(frozen=True)
class Lesson:
    """What the observations of one piece say."""

    piece_id: int
    recipe: str
    place: str | None
    """None: it was moved while it was observed, so that its air is its own."""
    room: str | None
    """Whose sensor's error bears on it; None: it was moved while it was observed."""
    factors: tuple[Factor, ...]
    questioned: tuple[int, ...] = ()
    """Ids of observations that went against all that was thought possible."""
    silent: tuple[int, ...] = ()
    """Ids of observations that say nothing: a weighing without size or bare weight, one beyond the model."""


@dataclass(frozen=True)
class Learned:
    """Everything that the lessons came to."""

    lessons: tuple[Lesson, ...] = ()
    messages: tuple[PieceMessage, ...] = ()
    """Of each lesson, what it comes to beside all others: once inferred, stored and read."""
    forgotten: Mapping[tuple[Subject, str], float] = field(default_factory=dict)
    """By recipe or place, before when [s since 1970] observations are to teach nothing."""

    @cached_property
    def _joint(self) -> JointPosterior:
        return JointPosterior(self.messages)

    @cached_property
    def _place(self) -> dict[int, int]:
        """By piece, where its lesson stands."""
        return {lesson.piece_id: i for i, lesson in enumerate(self.lessons)}

    def belief(
        self, recipe: str, place: str | None, piece_id: int | None = None, *, room: str | None = None
    ) -> Gaussian | None:
        """Of the quantities of a pour of this recipe at this place; None where nothing bears on it.

        With `piece_id`, what its own observations say of it is in it.
        """
        known = None if piece_id is None else self._place.get(piece_id)
        asked = self._asked(recipe, place, piece_id, room)
        return self._as_wide(self._joint.belief(asked, known), asked)

    def before(self, recipe: str, place: str | None, piece_id: int, *, room: str | None = None) -> Gaussian | None:
        """What the other pieces teach about this one."""
        asked = self._asked(recipe, place, None, room)
        return self._as_wide(self._joint.belief(asked, self._place.get(piece_id), without=True), asked)

    def posterior(self, drying: Drying, observations: Sequence[Observation]) -> Posterior | None:
        """What a forecast of this piece is to go by; None where nothing is known of it beyond what is assumed."""
        named, room = (drying.recipe.name, place_of(drying)), drying.room
        belief = self.belief(*named, drying.piece.id, room=room)
        if belief is None:
            return None
        unknowing = Gaussian(np.zeros(QUANTITIES), np.eye(QUANTITIES))
        before = self.before(*named, drying.piece.id, room=room) or unknowing
        edge = self._edge(named[0], drying.piece.id)
        return Posterior(drying.pour, tuple(observations), before, belief, edge)

    def _edge(self, recipe: str, piece_id: int) -> tuple[float, float]:
        """How thick edges of a recipe are over those in general, by all pieces but this one: the logarithm, its sd."""
        habit = self._joint.belief([(Subject.RECIPE.value, recipe, HABIT)], self._place.get(piece_id), without=True)
        mean, variance = (0.0, 1.0) if habit is None else (float(habit.mean[0]), float(habit.cov[0, 0]))
        return EDGE_HABIT * mean, float(np.hypot(EDGE_SPREAD, EDGE_HABIT * np.sqrt(variance)))

    def _as_wide(self, found: Gaussian | None, asked: Sequence[Name]) -> Gaussian | None:
        """What was inferred, spread by as much wider as the recipe's own quantities lie further out than expected.

        As in a linear regression whose common scale is not known but for an inverse gamma belief (Gelman et al. 2013,
        section 14.2): what is believed of the scale grows by the squares of what was found, over the number of
        quantities that were found at all and half a standard deviation of that, as luck. Narrower than was assumed
        it never gets. A gauge errs as it does.
        """
        own = [q for q, key in enumerate(asked) if key[0] == Subject.RECIPE.value]
        if found is None or not own:
            return found
        off, told = np.square(found.mean[own]).sum(), max(float((1 - np.diag(found.cov)[own]).sum()), 0.0)
        wider = np.clip((MISFIT_DOUBT + off) / (MISFIT_DOUBT + told + np.sqrt(told / 2)), 1.0, WIDEST)
        by = np.full(len(asked), np.sqrt(wider))
        by[OWN[0]] = 1.0
        return Gaussian(found.mean, found.cov * np.outer(by, by))

    def _asked(self, recipe: str, place: str | None, piece_id: int | None, room: str | None) -> list[Name]:
        return _keys(Lesson(-1 if piece_id is None else piece_id, recipe, place, room, ()), np.inf, self.forgotten)

    def taught_by(self, subject: Subject, name: str) -> list[Lesson]:
        """The lessons that still teach about a recipe or place, each with those factors alone."""
        since = self.forgotten.get((subject, name), -np.inf)
        about = [one for one in self.lessons if (one.recipe if subject is Subject.RECIPE else one.place) == name]
        left = [replace(one, factors=tuple(c for c in one.factors if c.observed_s > since)) for one in about]
        return [one for one in left if one.factors]


def _factor_keys(lesson: Lesson, factor: Factor, forgotten: Mapping[tuple[Subject, str], float]) -> list[Name]:
    """Whose each entry of its gradient is."""
    keys = _keys(lesson, factor.observed_s, forgotten)
    if factor.at_edge:
        whose = keys[ensemble.SPREADS.index("solids")]  # the recipe, unless that was forgotten
        keys += [("piece", lesson.piece_id, EDGE), (whose[0], whose[1], HABIT)]
    if factor.residual_group:
        keys.append(("piece", lesson.piece_id, factor.residual_group))
    return keys


def place_of(drying: Drying) -> str:
    """The place whose air a piece is in, in words that name it alone."""
    stay = drying.stays_since_pour[0]
    return stay.room if stay.place is None else f"{stay.room}, {stay.place}"


def learned(lessons: Iterable[Lesson], forgettings: Iterable[Forgetting] = ()) -> Learned:
    """What these lessons come to, inferred anew."""
    some = tuple(sorted(lessons, key=lambda one: one.piece_id))
    forgotten = forgotten_by(forgettings)
    told = [[(c, _factor_keys(one, c, forgotten)) for c in one.factors] for one in some]
    own = [frozenset(key for _, keys in factors for key in keys if key[0] == "piece") for factors in told]
    return Learned(some, tuple(propagate(told, own)), forgotten)


def forgotten_by(forgettings: Iterable[Forgetting]) -> dict[tuple[Subject, str], float]:
    """By recipe or place, when it was forgotten [s since 1970]."""
    return {(one.subject, one.name): one.at.timestamp() for one in forgettings}


def _keys(lesson: Lesson, observed_s: float, forgotten: Mapping[tuple[Subject, str], float]) -> list[Name]:
    """Whose each quantity is, for an observation of that time; what is forgotten is the piece's own."""

    def kept(subject: Subject, name: str | None) -> bool:
        return name is not None and observed_s > forgotten.get((subject, name), -np.inf)

    of_recipe, of_place = kept(Subject.RECIPE, lesson.recipe), kept(Subject.PLACE, lesson.place)

    def owner(q: int) -> Name:
        if q in OF_ROOM and of_place and lesson.room is not None:  # what its place taught of the room goes with it
            return ("room", lesson.room, q)
        if q in OF_PLACE and of_place and lesson.place is not None:
            return (Subject.PLACE.value, lesson.place, q)
        if q in (*OWN, *OF_PLACE, *OF_ROOM) or not of_recipe:
            return ("piece", lesson.piece_id, q)
        return (Subject.RECIPE.value, lesson.recipe, q)

    return [owner(q) for q in range(QUANTITIES)]


def teach(observed: Sequence[Taught], members: int = MEMBERS, *, sure: bool = False) -> list[Lesson]:
    """The lesson of each observed piece, by the air it had up to its last observation (held from there on).

    Where that was not read closely each member has had an air of its own (gap_uncertainty.py), unless it is `sure`.
    Then the dates spread by more than the quantities explain, and an observation of them says less of those.
    """
    parts = [observed[i : i + AT_ONCE] for i in range(0, len(observed), AT_ONCE)]
    return [lesson for part in parts for lesson in _taught(part, members, sure)]


def _taught(observed: Sequence[Taught], members: int, sure: bool) -> list[Lesson]:
    design = ensemble.design(members)
    ages = [max((o.at - d.pour.at).total_seconds() for o in seen) for d, seen, _ in observed]
    until = AHEAD * np.maximum(ages, 6 * 3600.0)
    times = np.array(sorted({t for d, seen, _ in observed for t in observation_model.sample_times(d.pour, seen)}))
    doubting = 1 if sure else members
    airs = [_airs(air, drying, age, doubting) for (drying, _, air), age in zip(observed, ages, strict=True)]
    first = np.cumsum([0, *(len(some) for some in airs[:-1])])
    room = [begin + np.arange(members) % len(some) for begin, some in zip(first.tolist(), airs, strict=True)]
    runs = ensemble.run(
        [drying.pouring for drying, _, _ in observed],
        design,
        AirSeries([air for some in airs for air in some]),
        until,
        room=np.concatenate(room),
        sample_at=times if len(times) else None,
    )
    return [
        _lesson(
            drying, seen, observation_model.predicted_observations(drying.pour, seen, runs, k), design, float(until[k])
        )
        for k, (drying, seen, _) in enumerate(observed)
    ]


def _airs(air: Air, drying: Drying, age_s: float, members: int) -> list[Air]:
    """The air up to an age in the model's terms, for so many members that may each have had another.

    What came after must not change what was learned before.
    """
    poured_s = drying.pour.at.timestamp()
    kept: Flags = air[0] - poured_s <= max(age_s, float(air[0][0]) - poured_s)
    had = air[0][kept], air[1][kept], air[2][kept]
    uncertainty = None if members == 1 else gap_uncertainty_of(had, poured_s + age_s)
    some = [had] if uncertainty is None else conditional_samples(had, uncertainty, members, poured_s)
    return [(time - poured_s, temp + ZERO_C, rh / 100) for time, temp, rh in some]


def _lesson(
    drying: Drying,
    seen: Sequence[Observation],
    predicted_observations: Sequence[observation_model.PredictedObservation],
    design: Array,
    until_s: float,
) -> Lesson:
    factors, questioned, told = [], [], set()
    for predicted in predicted_observations:
        found = observation_model.fit_factor(predicted, design, float(np.log(2 * until_s)))
        if predicted.thinkable < QUESTIONED:
            questioned.append(predicted.observation.id)
        elif found is None:
            continue
        told.add(predicted.observation.id)
        if found is not None:
            factors.append(found)
    first, last = drying.pour.at, max(one.at for one in seen)
    moved = any(first < stay.since <= last for stay in drying.stays_since_pour[1:])
    return Lesson(
        piece_id=drying.piece.id,
        recipe=drying.recipe.name,
        place=None if moved else place_of(drying),
        room=None if moved else drying.stays_since_pour[0].room,
        factors=tuple(factors),
        questioned=tuple(sorted(set(questioned))),
        silent=tuple(one.id for one in seen if one.id not in told),
    )
