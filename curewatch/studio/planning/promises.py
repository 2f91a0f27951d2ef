"""Pieces promised for a date: the odds of being ready in time, what would help, and when people are told."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.language import Message, Value, When, Words, joined, phrase
from curewatch.records import Forecast, Milestone, Notice
from curewatch.records.workshop import Promise
from curewatch.studio import wording
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning.advice import Advice, cautions, risks
from curewatch.studio.standing import reached_by

AT_RISK, RECOVERED = 0.7, 0.8
"""Below the first odds of being in time a piece is at risk; told so, it is until they are above the second. No setting:
the odds themselves stand beside the date, and who wants to hear sooner promises an earlier one."""
HELPS = 0.05
"""A change that adds less to the odds is no help."""


@dataclass(frozen=True)
class Promised:
    """A piece's promise, and how it stands."""

    promise: Promise
    odds: float | None
    """Of being ready in time; None: not foreseen."""
    at_most: bool = False
    """The odds are no more than that; by how much less is not known."""

    @property
    def due_at(self) -> datetime:
        assert self.promise.due_at is not None  # else it is none
        return self.promise.due_at

    @property
    def at_risk(self) -> bool:
        return self.odds is not None and self.odds < AT_RISK

    @property
    def odds_in_words(self) -> Message:
        """`in time in 41 % of cases`"""
        if self.odds is None:
            return phrase("odds not known yet")
        if self.odds in (0.0, 1.0):
            return phrase("in time") if self.odds else phrase("not in time")
        odds = wording.percent(self.odds)
        if self.at_most:
            return phrase("in time in less than {odds} of cases", odds=odds)
        return phrase("in time in {odds} of cases", odds=odds)

    def in_words(self) -> Message:
        """`due Sat 12 Dec 2026 18:00 for fair, dry to handle: in time in 41 % of cases, at risk`"""
        if self.at_risk:
            return phrase("due {what}: {odds}, at risk", what=what(self.promise), odds=self.odds_in_words)
        return phrase("due {what}: {odds}", what=what(self.promise), odds=self.odds_in_words)


def what(promise: Promise) -> Message:
    """`Sat 12 Dec 2026 18:00 for fair, dry to handle`: read on any day."""
    assert promise.due_at is not None
    due, ready = When(promise.due_at), wording.STAGES[promise.ready]
    if promise.occasion is None:
        return phrase("{due}, {stage}", due=due, stage=ready)
    return phrase("{due} for {occasion}, {stage}", due=due, occasion=promise.occasion, stage=ready)


def promised(drying: Drying, forecast: Forecast | None) -> Promised | None:
    """None where nothing is promised."""
    if drying.promise is None:
        return None
    milestone = forecast.milestone(drying.promise.ready) if forecast else None
    return _judged(drying.promise, milestone, drying.pour.at)


def _judged(promise: Promise, milestone: Milestone | None, poured_at: datetime) -> Promised:
    due = promise.due_at
    if milestone is None or due is None:
        return Promised(promise, None)
    if milestone.found_at is not None:
        return Promised(promise, float(milestone.found_at <= due))
    if milestone.not_before is not None and due <= milestone.not_before:
        return Promised(promise, 0.0)  # it was looked at then or later, and was not there yet
    odds = reached_by(milestone, due, poured_at)
    if odds is not None:
        return Promised(promise, odds)
    if milestone.reason is None and milestone.early_at is None:
        return Promised(promise, None)
    early = milestone.early_at is not None and milestone.early_at <= due
    return Promised(
        promise, 0.5 if early else 0.1, at_most=True
    )  # no even odds are foreseen; nor, it may be, one in ten


def helped(drying: Drying, forecast: Forecast | None, could: Iterable[Advice]) -> list[tuple[Advice, Promised]]:
    """The changes from now on that would better the odds, the best first, with what they would be."""
    stands = promised(drying, forecast)
    if stands is None or stands.odds is None:
        return []
    found = []
    for one in could:
        then = _judged(stands.promise, one.milestone(stands.promise.ready), drying.pour.at)
        if then.odds is not None and not then.at_most and then.odds > stands.odds + HELPS:
            found.append((one, then))
    return sorted(found, key=lambda pair: -(pair[1].odds or 0.0))


def help_in_words(found: Sequence[tuple[Advice, Promised]]) -> Words:
    """What would help, with its risks and cautions; that nothing would."""
    if not found:
        return phrase("No change of its room would help much: think of another date, or of another piece.")
    said = [
        joined(
            phrase("{change}, {odds}", change=one.change.name, odds=then.odds_in_words), *risks(one.at_once), by=". "
        )
        for one, then in found
    ]
    care = cautions(one.change for one, _ in found)
    return joined(phrase("What would help: {changes}.", changes=joined(*said, by="; ")), *care)


@dataclass(frozen=True)
class News:
    """That a piece has come to be at risk, or is no longer."""

    drying: Drying
    forecast: Forecast
    stands: Promised
    key: str

    @property
    def alike(self) -> tuple[object, ...]:
        """What pieces of one series have in common that are told of together."""
        piece, promise = self.drying.piece, self.stands.promise
        return piece.series or piece.id, promise.due_at, promise.ready, promise.occasion, self.stands.at_risk


def news(
    dryings: Iterable[Drying], forecasts: Mapping[int, Forecast], told: Collection[str], now: datetime
) -> list[News]:
    """What people should hear of promises, by the keys of what they were `told`; once each way."""
    found = []
    for drying in dryings:
        forecast = forecasts.get(drying.piece.id)
        stands = promised(drying, forecast)
        if forecast is None or stands is None or stands.odds is None or stands.due_at <= now:
            continue
        begin = f"piece-{drying.piece.id}/promise-{stands.promise.ready}-{stands.due_at:%Y%m%dT%H%MZ}"
        risks, over = (sum(key.startswith(f"{begin}/{way}-") for key in told) for way in ("risk", "recovered"))
        if stands.at_risk and risks == over:
            found.append(News(drying, forecast, stands, f"{begin}/risk-{risks + 1}"))
        elif stands.odds >= RECOVERED and risks > over:
            found.append(News(drying, forecast, stands, f"{begin}/recovered-{over + 1}"))
    return found


def notice(some: Sequence[News], help_: Words, now: datetime) -> Notice:
    """Of one piece, or of several of one series."""
    first = some[0]
    drying, stands = first.drying, first.stands
    pieces = [one.drying.piece.name for one in some]
    who: Value = wording.together(drying.piece.series or "", len(some)) if len(some) > 1 else drying.piece.name
    date = what(stands.promise)
    where = wording.where(drying.room, drying.place)
    if stands.at_risk:
        title, ending = phrase("{who}: at risk for {what}", who=who, what=date), help_
    else:
        title = phrase("{who}: likely in time again for {what}", who=who, what=date)
        ending = phrase("Nothing needs doing.")
    by_model = phrase("By the model {who}, in {place}, is {odds}.", who=who, place=where, odds=stands.odds_in_words)
    return Notice(
        key=first.key,
        kind="promise",
        created_at=now,
        title=title,
        text=joined(by_model, ending),
        expires_at=stands.due_at,
        piece_id=drying.piece.id,
        room=drying.room,
        data={
            "piece": drying.piece.name,
            "pieces": pieces,
            "series": drying.piece.series,
            "due_at": stands.due_at.isoformat(),
            "occasion": stands.promise.occasion,
            "ready": stands.promise.ready.value,
            "odds": round(stands.odds or 0.0, 3),
            "at_risk": stands.at_risk,
            "at": now.isoformat(),
            "names": [name for name in (*pieces, drying.place, drying.room, drying.piece.series) if name],
        },
    )
