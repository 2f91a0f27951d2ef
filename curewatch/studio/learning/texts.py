"""What was learned, in plain words: how much faster or slower than assumed, by which observations of which pieces."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from curewatch.language import Listed, Mass, Message, Number, Temperature, Value, phrase, phrase_n
from curewatch.physics import ensemble
from curewatch.physics.air import USUAL_AIR
from curewatch.physics.milestones import MILESTONES
from curewatch.records import Recipe
from curewatch.records.facts import Finger, Observation, ObservationKind, Subject
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.studio.inference.factors import Gaussian
from curewatch.studio.learning.learning import OF_PLACE, OF_ROOM, OWN, Learned, Lesson
from curewatch.studio.standing import FAR_OUT

USUAL = ensemble.Pouring(1.5e-3)
"""The film that recipes are compared on, in still air at 21 °C, 50 %."""
COMPARED = ("touch_dry", "handle", "varnish_ready")
SAME = 1.05
"""A factor closer to 1 than this is none."""
_DAYS = 365


@dataclass(frozen=True)
class LearnedEffect:
    """What is believed of a recipe or place."""

    subject: Subject
    name: str
    factors: Mapping[str, tuple[float, float, float]]
    """By milestone (of a place: `air`), times over what was assumed: 10, 50 and 90 %."""
    observations: Mapping[ObservationKind, int]
    pieces: int
    questioned: int

    @property
    def sentence(self) -> Message:
        """Such as: this recipe dries 1.3 times slower than assumed: 4 finger tests on 3 pieces."""
        values: dict[str, Value] = {"name": self.name, "by": self._by()}
        if self.subject is Subject.PLACE:
            moves = self._compared(
                "air",
                phrase("the air moves no faster or slower than assumed"),
                phrase("the air moves {times} times faster than assumed"),
                phrase("the air moves {times} times slower than assumed"),
            )
            return phrase(
                "{name}: {said} ({low} to {high} times what was assumed, in four cases of five): {by}",
                **values,
                **moves,
            )
        if "handle" not in self.factors:
            return phrase("{name}: this recipe may never be dry through as usual: {by}", **values)
        dries = self._compared(
            "handle",
            phrase("this recipe dries no faster or slower than assumed"),
            phrase("this recipe dries {times} times slower than assumed"),
            phrase("this recipe dries {times} times faster than assumed"),
        )
        return phrase(
            "{name}: {said} (takes {low} to {high} times as long, in four cases of five): {by}", **values, **dries
        )

    def _compared(self, factor: str, same: Message, more: Message, less: Message) -> dict[str, Value]:
        """A factor in words, and its range."""
        low, even, high = self.factors[factor]
        said = more if even >= SAME else less if even <= 1 / SAME else same
        if said is not same:
            said = replace(said, values=(("times", Number(max(even, 1 / even), 1)),))
        return {"said": said, "low": Number(low, figures=2), "high": Number(high, figures=2)}

    def _by(self) -> Message:
        """`4 finger tests and 1 weighing on 3 pieces, 1 of them questioned`"""
        counts = Listed(tuple(_COUNTED[kind](n) for kind, n in self.observations.items()))
        by = phrase_n("{tests} on {n} piece", "{tests} on {n} pieces", self.pieces, tests=counts)
        if not self.questioned:
            return by
        return phrase("{tests}, {questioned} of them questioned", tests=by, questioned=self.questioned)


_COUNTED: Mapping[ObservationKind, Callable[[int], Message]] = {
    ObservationKind.FINGER: lambda n: phrase_n("{n} finger test", "{n} finger tests", n),
    ObservationKind.WEIGHING: lambda n: phrase_n("{n} weighing", "{n} weighings", n),
    ObservationKind.SURFACE: lambda n: phrase_n("{n} surface temperature", "{n} surface temperatures", n),
}


def beliefs(learned: Learned, seen: Mapping[int, Observation], recipes: Mapping[str, Recipe]) -> list[LearnedEffect]:
    """Of every recipe and place that something was learned about, recipes first."""
    found = []
    for subject in (Subject.RECIPE, Subject.PLACE):
        names = {one.recipe if subject is Subject.RECIPE else one.place for one in learned.lessons}
        for name in sorted(one for one in names if one is not None):
            lessons = learned.taught_by(subject, name)
            if lessons:
                found.append(_belief(learned, subject, name, lessons, seen, recipes))
    return found


def _belief(
    learned: Learned, subject: Subject, name: str, lessons: list[Lesson], seen: Mapping[int, Observation],
    recipes: Mapping[str, Recipe],
) -> LearnedEffect:  # fmt: skip
    pieces = {lesson.piece_id for lesson in lessons}
    times = {(lesson.piece_id, factor.observed_s) for lesson in lessons for factor in lesson.factors}
    used = [one for one in seen.values() if (one.piece_id, one.at.timestamp()) in times]
    if subject is Subject.PLACE:
        belief = learned.belief("", name)
        assert belief is not None  # there are lessons
        factors = {"air": _spread(belief, OF_PLACE[0], ensemble.AIR_SPREAD)}
    else:
        belief = learned.belief(name, None)
        assert belief is not None
        factors = _factors(belief, recipes.get(name, Recipe(name=name)))
    return LearnedEffect(
        subject=subject,
        name=name,
        factors=factors,
        observations=Counter(one.kind for one in used),
        pieces=len(pieces),
        questioned=sum(len(lesson.questioned) for lesson in lessons),
    )


def _spread(belief: Gaussian, quantity: int, sd: float) -> tuple[float, float, float]:
    mean, own = belief.mean[quantity], float(np.sqrt(belief.cov[quantity, quantity]))
    low, even, high = (float(np.exp(sd * (mean + step * own))) for step in (-1.2816, 0.0, 1.2816))
    return low, even, high


def _factors(belief: Gaussian, recipe: Recipe) -> dict[str, tuple[float, float, float]]:
    """By milestone, times over those of the recipe as assumed: members of the belief beside as many of no belief, so
    that whoever learned nothing is told of no change."""
    z = np.concatenate([ensemble.design(64), belief.draw(ensemble.design(64))])
    z[:, [*OWN, *OF_PLACE, *OF_ROOM]] = 0.0  # the piece's, the place's and the room's own
    pouring = replace(USUAL, solids=recipe.solids, glycol=recipe.glycol, coalescent=recipe.coalescent)
    runs = ensemble.run([pouring], z, USUAL_AIR, _DAYS * 86400.0)
    found = {}
    for name in COMPARED:
        assumed, believed = np.split(runs.reached_s[MILESTONES.index(name), 0], 2)
        low, even, high = ensemble.quantiles(believed)
        (usual,) = ensemble.quantiles(assumed, at=(0.5,))
        if np.isfinite(usual) and np.isfinite(high):
            found[name] = (low / usual, even / usual, high / usual)
    return found


def remarks_of(
    observation: Observation, lesson: Lesson | None, contradicted: Collection[int] = ()
) -> tuple[Remark, ...]:
    """What came of an observation; nothing where it teaches as it should. `contradicted`: the ids of tests that a later
    one speaks against."""
    if observation.finger is not None and observation.id in contradicted:
        return (Remark(RemarkKind.CONTRADICTED),)
    if observation.finger is not None and observation.odds is not None and observation.odds < FAR_OUT:
        return (Remark(RemarkKind.UNLIKELY),)
    if lesson is None:
        return ()
    if observation.finger is not None and observation.id in lesson.questioned:
        return (Remark(RemarkKind.HARDLY_LIKELY),)
    if observation.id in lesson.questioned:
        return (Remark(RemarkKind.QUESTIONED),)
    if observation.id in lesson.silent:
        weighed = observation.kind is ObservationKind.WEIGHING
        return (Remark(RemarkKind.ONE_WEIGHING if weighed else RemarkKind.TEACHES_NOTHING),)
    return ()


SAYS = {
    Finger.TACKY: phrase("still tacky"),
    Finger.TOUCH_DRY: phrase("touch-dry"),
    Finger.DRY_THROUGH: phrase("dry through"),
}


def finding(one: Observation) -> Message:
    """What a finger, a scale or a thermometer found: `touch-dry`, `512 g, to 1 g`, `surface 17.5 °C`."""
    if one.finger is not None:
        return SAYS[one.finger]
    if one.grams is not None:
        return phrase("{mass}, to {step}", mass=Mass(one.grams, 6), step=Mass(one.resolution_g or 0.0))
    return phrase("surface {temp}", temp=Temperature(one.surface_c or 0.0, 1))
