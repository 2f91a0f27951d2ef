"""What is still to be done to a piece after its pour: steps with their own clocks, the skins, and the step open
today."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np

from curewatch.language import Between, Message, When, Words, joined, phrase
from curewatch.physics import ensemble
from curewatch.physics.air import AirSeries
from curewatch.physics.supports import BACKINGS
from curewatch.records import Forecast, MilestoneKind, Pour
from curewatch.records.workshop import StepDone
from curewatch.studio.air.climate import Climate
from curewatch.studio.care.varnish_air import AirLimits, Window
from curewatch.studio.forecasting.batch import reason_in_words
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.wording import TORCH_CAUTION, VARNISH_CAUTION

LEVEL_FOR, DRIPS_AFTER = timedelta(minutes=45), timedelta(minutes=15)
"""The design does most of its moving in the first three quarters of an hour; drips have gathered by then [cal]."""


class Step(StrEnum):
    LEVEL = "level"
    DRIPS = "drips"
    SKINS = "skins"
    WASH = "wash"
    SIGN = "sign"
    WIRE = "wire"
    ISOLATION = "isolation"
    WRAP = "wrap"


_NAMES = {
    Step.LEVEL: phrase("pop bubbles and check the level"),
    Step.DRIPS: phrase("clear the drips from the edges"),
    Step.SKINS: phrase("peel the skins off the mat"),
    Step.WASH: phrase("wash the silicone off, both sides of the edge too"),
    Step.SIGN: phrase("sign it"),
    Step.WIRE: phrase("fit wire or hangers"),
    Step.ISOLATION: phrase("isolation coat"),
    Step.WRAP: phrase("wrap it"),
}


def step_words(name: str) -> Words:
    """Of a step as it is kept."""
    number = name.removeprefix("varnish-")
    if name != number:
        return phrase("varnish coat {number}", number=number)
    return _NAMES[Step(name)] if name in set(Step) else name


def coat(number: int) -> str:
    """The name of a varnish coat, counted from 1."""
    return f"varnish-{number}"


@dataclass(frozen=True)
class Times:
    """Of one coat of varnish."""

    touch: timedelta
    recoat: timedelta
    cure: timedelta


def _times(touch_h: float, recoat_h: float, cure_d: float) -> Times:
    return Times(timedelta(hours=touch_h), timedelta(hours=recoat_h), timedelta(days=cure_d))


GENERIC: Mapping[tuple[str, str], Times] = {
    ("water", "brushed"): _times(1, 4, 14),
    ("water", "sprayed"): _times(0.5, 2, 14),
    ("solvent", "brushed"): _times(8, 24, 28),
    ("solvent", "sprayed"): _times(0.5, 2, 14),
}
"""By kind and way, touch-dry, next coat and full cure of one coat [cal]."""


@dataclass(frozen=True)
class Care:
    """What a studio does to its pieces."""

    varnish: str | None = "water"
    """What it is thinned with: `water`, `solvent`, or None for no varnish."""
    applied: str = "brushed"
    coats: int = 2
    isolation: bool = True
    times: Times = GENERIC["water", "brushed"]
    wash_dry: timedelta = timedelta(hours=24)
    isolation_dry: timedelta = timedelta(hours=24)
    skins_m: float = 0.8e-3
    """Wet thickness of what ran onto the mat [m], where the film is no thinner."""
    air: AirLimits = field(default_factory=AirLimits)


@dataclass(frozen=True)
class Odds:
    """From when a step may be done: in one case of ten, at even odds, in nine of ten. None: not foreseen."""

    early: datetime | None
    even: datetime | None
    safe: datetime | None
    reason: Words | None = None
    held: bool = False
    """A finger last found the film tacky: there is no date before one finds otherwise."""

    @classmethod
    def at(cls, moment: datetime) -> Odds:
        """A date that is sure."""
        return cls(moment, moment, moment)

    def no_later(self, other: Odds) -> Odds:
        """These dates, or the other's where those come first; and why one is missing, by whichever they were."""
        pairs = ((self.early, other.early), (self.even, other.even), (self.safe, other.safe))
        early, even, safe = (min((at for at in pair if at is not None), default=None) for pair in pairs)
        own = next((mine == at for mine, at in ((self.even, even), (self.early, early)) if at is not None), True)
        return Odds(early, even, safe, None if safe is not None else (self if own else other).reason)

    def later(self, wait: timedelta) -> Odds:
        early, even, safe = (None if at is None else at + wait for at in (self.early, self.even, self.safe))
        return Odds(early, even, safe, self.reason, self.held)


def latest(odds: Sequence[Odds]) -> Odds:
    """When all of these have come; not foreseen where one of them is not."""
    reason = next((one.reason for one in odds if one.safe is None and one.reason), None)

    def last(dates: list[datetime | None]) -> datetime | None:
        known = [at for at in dates if at is not None]
        return max(known) if len(known) == len(dates) else None

    early, even, safe = ([getattr(one, odd) for one in odds] for odd in ("early", "even", "safe"))
    return Odds(last(early), last(even), last(safe), reason, any(one.held for one in odds))


@dataclass(frozen=True)
class CareStep:
    """One step of one piece."""

    step: str
    title: Message
    odds: Odds
    done: StepDone | None
    after: tuple[str, ...]
    """The steps that must have been done, and are not."""
    advised: tuple[str, ...]
    """The steps that are better done first, and are not."""
    caution: Words
    film: Odds
    """From when the film is ready for it, whatever else has to be done first."""
    needs_air: bool = False
    """Whether it wants the air of the varnish's label."""
    over_at: datetime | None = None
    """When it is too late for it."""

    @property
    def by_the_clock(self) -> bool:
        """Whether no finger can tell that a film is ready for it: coats and the wrapping."""
        return self.needs_air or self.step == Step.WRAP

    @property
    def ready_from(self) -> datetime | None:
        """Before then it is not to be done: even odds; where a finger can tell, when one film in ten is ready."""
        return self.film.even if self.by_the_clock else self.film.early

    def ready(self, now: datetime) -> str:
        """`done`, `over` (too late), `safe`, `worth checking` (even odds), `not yet`, or `waits` for another step."""
        if self.done is not None:
            return "done"
        if self.over_at is not None and self.over_at <= now:
            return "over"
        if self.after:
            return "waits"
        if self.odds.safe is not None and self.odds.safe <= now:
            return "safe"
        return "worth checking" if self.odds.even is not None and self.odds.even <= now else "not yet"


@dataclass(frozen=True)
class _Rule:
    step: str
    rests_on: tuple[Odds, ...]
    caution: Words
    after: tuple[tuple[str, timedelta], ...] = ()
    """Steps that must be done first, and how long to wait after each."""
    advised: tuple[tuple[str, timedelta], ...] = ()
    needs_air: bool = False
    over_at: datetime | None = None
    title: Message | None = None
    """Where it says more than the step's own."""


def plan(pour: Pour, forecast: Forecast | None, skins: Odds, done: Sequence[StepDone], care: Care) -> list[CareStep]:
    """Every step of a piece, in the order they are usually done. What is known of the piece holds for its skins, the
    same paint in the same air, no thicker: not dry while it is found tacky, and no later than it."""
    handle = None if forecast is None else forecast.milestone(MilestoneKind.HANDLE)
    if handle is not None and handle.held:
        skins = milestone(forecast, MilestoneKind.HANDLE)
    elif handle is not None:
        skins = skins.no_later(milestone(forecast, MilestoneKind.HANDLE))
    standing = {one.step: one for one in done if one.undone_at is None}
    lines: dict[str, CareStep] = {}
    for rule in _rules(pour, forecast, skins, care):
        rests = list(rule.rests_on)
        for step, wait in (*rule.after, *rule.advised):
            before = standing.get(step)
            rests.append((Odds.at(before.done_at) if before else lines[step].odds).later(wait))
        lines[rule.step] = CareStep(
            rule.step,
            rule.title or _NAMES[Step(rule.step)],
            latest(rests),
            standing.get(rule.step),
            tuple(step for step, _ in rule.after if step not in standing),
            tuple(step for step, _ in rule.advised if step not in standing),
            rule.caution,
            latest(rule.rests_on),
            rule.needs_air,
            rule.over_at,
        )
    return list(lines.values())


def _rules(pour: Pour, forecast: Forecast | None, skins: Odds, care: Care) -> list[_Rule]:
    poured, (packed, touch, handle, ready) = Odds.at(pour.at), (milestone(forecast, kind) for kind in MilestoneKind)
    set_at = min(pour.at + LEVEL_FOR, touch.safe or datetime.max.replace(tzinfo=UTC))
    washed = ((Step.WASH.value, care.wash_dry),) if pour.silicone else ()
    rules = [
        _Rule(Step.LEVEL, (poured,), TORCH, over_at=set_at),
        _Rule(Step.DRIPS, (poured.later(DRIPS_AFTER),), GLOVES, over_at=packed.even),
        _Rule(Step.SKINS, (skins,), NO_DRAIN),
    ]
    if pour.silicone:
        rules.append(_Rule(Step.WASH, (handle,), WASHING))
    rules.append(_Rule(Step.SIGN, (handle,), GENTLY, washed))
    rules.append(_Rule(Step.WIRE, (handle,), WIRE))
    if care.isolation and care.varnish:
        rules.append(_Rule(Step.ISOLATION, (ready,), COAT, washed, needs_air=True))
    rules += _coats(ready, care, washed)
    cured = ((coat(care.coats), care.times.cure),) if care.varnish else ()
    rules.append(_Rule(Step.WRAP, (ready,), WRAPPING, cured))
    return rules


def _coats(ready: Odds, care: Care, washed: tuple[tuple[str, timedelta], ...]) -> list[_Rule]:
    if care.varnish is None:
        return []
    isolated = ((Step.ISOLATION.value, care.isolation_dry),) if care.isolation else ()
    spray, solvent = care.applied == "sprayed", care.varnish == "solvent"
    caution = joined(SPRAY if spray else None, SOLVENT if solvent else None, VARNISH_CAUTION)
    found = []
    for number in range(1, care.coats + 1):
        before = ((coat(number - 1), care.times.recoat),) if number > 1 else ()
        title = phrase(
            "varnish coat {number} of {coats}, {kind}, {way}",
            number=number,
            coats=care.coats,
            kind=phrase("solvent-borne") if solvent else phrase("water-borne"),
            way=phrase("sprayed") if spray else phrase("brushed"),
        )
        advised = isolated if number == 1 else ()
        found.append(_Rule(coat(number), (ready,), caution, washed + before, advised, needs_air=True, title=title))
    return found


def milestone(forecast: Forecast | None, kind: MilestoneKind) -> Odds:
    """The dates of one milestone, from which steps may be done: none while a finger last found the piece tacky."""
    one = forecast.milestone(kind) if forecast else None
    if one is not None and one.held:
        return Odds(None, None, None, one.reason, held=True)
    if one is not None:
        return Odds(one.early_at, one.worth_checking_at, one.safe_at, one.reason)
    return Odds(None, None, None, (forecast.reason if forecast else None) or phrase("not forecast yet"))


TORCH = phrase(
    "{torch} After {minutes} minutes the design hardly moves.",
    torch=TORCH_CAUTION,
    minutes=round(LEVEL_FOR.total_seconds() / 60),
)
GLOVES = phrase("Gloves on; catch the drips with a stick from below, without lifting the piece.")
NO_DRAIN = phrase("Dry skins are waste for the bin: no paint down the drain.")
WASHING = phrase(
    "Soapy water or cleaning alcohol on a soft cloth, tried on an edge first. Alcohol burns: ventilate, gloves on, no "
    "flames or sparks, cloths to dry outdoors. Silicone left on makes varnish crawl."
)
GENTLY = phrase("Nothing may press on the face.")
WIRE = phrase(
    "Stand it up or hold it: never lay it on its face. Cut wire springs back: goggles and gloves on. Hangers, wire and "
    "wall must bear several times its weight, and nobody sleeps below."
)
COAT = phrase(
    "Ventilate and keep dust down; sand an edge wet or with a particle filter on, and wipe it before the coat. It "
    "cannot be taken off again: try it on a skin first."
)
SPRAY = phrase(
    "Spray outdoors or under extraction, in a respirator with organic-vapour and particle filters: a dust mask holds "
    "back no vapour."
)
SOLVENT = phrase("Its vapour burns and harms: no flames or sparks in the house, rags to dry outdoors.")
WRAPPING = phrase(
    "Not against the face before its full cure, and then only smooth release paper: other wraps print and stick. Keep "
    "film and foam away from children."
)
SHUT_IN = phrase(
    "the water and solvent left in the film are shut in: it clouds, stays soft, and the coat may crack or lift"
)
RISKS = {
    Step.DRIPS: phrase("paint still flows after what is taken away, and pulls the design along"),
    Step.SKINS: phrase("they tear, and are wet underneath"),
    Step.WASH: phrase("rubbing dulls and moves a soft film"),
    Step.SIGN: phrase("a pen cuts into a soft film"),
    Step.WIRE: phrase("a soft film prints where it is held, and slumps where it is stood up"),
    Step.ISOLATION: SHUT_IN,
    Step.WRAP: phrase("the wrapping sticks and leaves its print"),
}
"""Of a step that is done before the film is ready for it (common practice, no source)."""


def risk(line: CareStep) -> Message | None:
    return RISKS.get(Step(line.step)) if line.step in set(Step) else SHUT_IN


MEMBERS, DAYS = 16, 30


def skins(drying: Drying, climates: Mapping[str, Climate], wet_m: float) -> Odds:
    """From when the skins of a pour can be peeled: `wet_m` [m] of its paint, known as roughly as a word would tell, or
    as much as lies on the piece where that is less."""
    known = drying.air(climates)
    if known is None:
        return Odds(
            None, None, None, phrase("no temperature and humidity of {rooms} yet", rooms=drying.unread(climates) or "")
        )
    series = AirSeries.from_celsius([known], drying.pour.at.timestamp())
    spread = ensemble.THICKNESS_SPREAD["layer"]
    film = replace(
        drying.pouring,
        wet_thickness=min(wet_m, drying.pour.wet_thickness_m),
        thickness_spread=spread,
        **vars(BACKINGS["board"]),
    )
    outcome = ensemble.run([film], ensemble.design(MEMBERS), series, DAYS * 86_400.0).outcome(0)
    early, even, safe = (
        drying.pour.at + timedelta(seconds=round(s)) if np.isfinite(s) else None for s in outcome.at("handle")
    )
    return Odds(early, even, safe, reason_in_words(outcome, "handle", DAYS) if safe is None else None)


@dataclass(frozen=True)
class OpenStep:
    """A step that may safely be done now, and nothing stands before it."""

    line: CareStep
    window: Window | None
    """The next spell of air that is good for it, where it wants such air; None: none is foreseen."""

    @property
    def kind(self) -> str:
        """`wash`, `varnish` (any coat) or `wrap`."""
        return "varnish" if self.line.needs_air else self.line.step


def open_line(lines: Sequence[CareStep], now: datetime) -> CareStep | None:
    """The first of wash, coats and wrap that is safe to do now; None where nothing is.

    Signing and wiring go beside them at any time, and are not told. A coat that was left out before a later one is
    past; silicone never is.
    """
    told = [line for line in lines if line.step in (Step.WASH, Step.WRAP) or line.needs_air]
    done = [at for at, line in enumerate(told) if line.done is not None]
    past = max(done, default=-1)
    for at, line in enumerate(told):
        if (at > past or line.step == Step.WASH) and line.ready(now) == "safe":
            return line
    return None


def open_step_text(step: OpenStep, now: datetime) -> Words:
    """A sentence or two: what, in what air, with what care."""
    said = phrase("{step}.", step=step.line.title)
    return joined(said, _air_for(step.window, now) if step.line.needs_air else None, step.line.caution)


def _air_for(window: Window | None, now: datetime) -> Message:
    if window is None:
        return phrase("No good air for it is foreseen in the next two days.")
    if window.begins_at <= now:
        return phrase("The air is good for it until {end}.", end=When(window.ends_at, now, "date"))
    times = Between(window.begins_at, window.ends_at, now)
    if window.sure:
        return phrase("Good air for it {times}.", times=times)
    return phrase("Good air for it {times}, probably.", times=times)
