"""Which milestone notices are due, and what they say: worth checking at even odds, safe to assume at 90 %."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from curewatch.language import Listed, Message, Value, When, Words, joined, phrase, phrase_n
from curewatch.records import Forecast, Milestone, MilestoneKind, Notice, Piece
from curewatch.studio.air.climate import Climate
from curewatch.studio.care import varnish_air
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.standing import Standing
from curewatch.studio.wording import SAFETY, STAGES, VARNISH_CAUTION, together, where

EXPIRES_AFTER = timedelta(days=14)
"""A notice that could not be delivered for this long says nothing useful any more."""


def key_of(piece_id: int, kind: MilestoneKind, odds: str, not_before: datetime | None = None) -> str:
    """`not_before`: when a finger found it not reached yet; what was told before that says nothing of what comes."""
    since = "" if not_before is None else f"/after-{not_before:%Y%m%dT%H%M%SZ}"
    return f"piece-{piece_id}/{kind}/{odds}{since}"


def refuted_keys(piece_id: int, known: Collection[str], found: Standing) -> list[str]:
    """Of the keys of a piece's notices, those of milestones that a finger has found reached, or not reached yet."""
    begins = tuple(f"piece-{piece_id}/{kind}/" for kind in (*found.by, *found.after))
    return [key for key in known if key.startswith(begins) and "/withdrawn-" not in key]


def holds(told: Notice, forecast: Forecast | None, now: datetime) -> bool:
    """Whether what was told of a piece's milestone is so by this forecast."""
    milestone = next((m for m in (forecast.milestones if forecast else ()) if m.kind == told.data["milestone"]), None)
    if milestone is None:
        return False
    at = milestone.safe_at if told.data["odds"] == "safe" else milestone.worth_checking_at
    return milestone.found_at is not None or (at is not None and at <= now)


def retraction(told: Sequence[Notice], why: Words, now: datetime) -> Notice:
    """One line for what was told of one piece, the oldest first, and is not so."""
    *others, last = told
    too = None
    if others:
        too = phrase("So are: {titles}.", titles=joined(*(_said_of_it(one) for one in others), by="; "))
    piece = last.data["piece"]
    others_of_it = set(last.data.get("pieces", ())) - {piece}
    return Notice(
        key=f"{last.key}/retracted-{now:%Y%m%dT%H%M%S.%fZ}",
        kind="withdrawn",
        created_at=now,
        title=phrase("{title} (withdrawn: {why})", title=_said_of_it(last), why=why),
        text=joined(
            phrase("What you were told is withdrawn: {why}. Its dates follow from what is known now.", why=why), too
        ),
        expires_at=now + EXPIRES_AFTER,
        piece_id=last.piece_id,
        room=last.room,
        data={
            "withdraws": [one.key for one in told],
            "why": str(why),
            "names": [name for name in last.data.get("names", []) if name not in others_of_it],
        },
    )


def _said_of_it(told: Notice) -> Message:
    """What the title of a notice says of its own piece, be others told of in it or not."""
    return _title(told.data["piece"], MilestoneKind(told.data["milestone"]), told.data["odds"])


def _title(who: Value, kind: MilestoneKind, odds: str) -> Message:
    if odds == "safe":
        return phrase("{who}: safe to assume {stage}", who=who, stage=STAGES[kind])
    return phrase("{who}: worth checking, probably {stage}", who=who, stage=STAGES[kind])


def next_due(forecast: Forecast, told: Collection[MilestoneKind], now: datetime) -> datetime | None:
    """The next moment after `now` at which a milestone notice of this forecast falls due."""
    moments = [
        at
        for milestone in forecast.milestones
        if milestone.kind in told
        for at in (milestone.worth_checking_at, milestone.safe_at)
        if at is not None and at > now
    ]
    return min(moments, default=None)


@dataclass(frozen=True)
class Due:
    """A milestone of a piece that people should hear of."""

    drying: Drying
    forecast: Forecast
    milestone: Milestone
    odds: str
    """`worth_checking` or `safe`."""

    @property
    def key(self) -> str:
        return key_of(self.drying.piece.id, self.milestone.kind, self.odds, self.milestone.not_before)

    @property
    def covering_keys(self) -> tuple[str, str]:
        """The keys of the notices after any of which this one says nothing new: itself, and the stronger one."""
        return self.key, key_of(self.drying.piece.id, self.milestone.kind, "safe", self.milestone.not_before)


def due(drying: Drying, forecast: Forecast, told: Collection[MilestoneKind], now: datetime) -> list[Due]:
    """The notices of `drying` that are due at `now`, told before or not. Where both have passed, the stronger.

    What a person has found is no news.
    """
    found = []
    for milestone in forecast.milestones:
        if milestone.kind not in told or milestone.found_at is not None:
            continue
        if milestone.safe_at is not None and milestone.safe_at <= now:
            found.append(Due(drying, forecast, milestone, "safe"))
        elif milestone.worth_checking_at is not None and milestone.worth_checking_at <= now:
            found.append(Due(drying, forecast, milestone, "worth_checking"))
    return found


def alike(due: Sequence[Due]) -> list[list[Due]]:
    """What is due of one series alike, together; each of what is of none by itself."""
    found: dict[tuple[object, ...], list[Due]] = {}
    for one in due:
        piece = one.drying.piece
        series = (None, piece.id) if piece.series is None else (piece.series, one.milestone.kind, one.odds)
        found.setdefault((*series, one.key if piece.series is None else ""), []).append(one)
    return list(found.values())


def is_told_by_a_later_one(due: Due, others: Sequence[Due]) -> bool:
    """Whether another one, due at the same look, says more of the same piece: of a pour that was logged late, or of
    readings that came late, people are told how far it is, not what is behind it."""
    kinds = list(MilestoneKind)
    return any(
        other.drying.piece.id == due.drying.piece.id
        and kinds.index(other.milestone.kind) > kinds.index(due.milestone.kind)
        and (other.odds == "safe" or due.odds != "safe")
        for other in others
    )


def superseded_keys(due: Due) -> list[str]:
    """The keys of notices that say nothing new any more once this one is told: worth checking, after safe."""
    weaker = key_of(due.drying.piece.id, due.milestone.kind, "worth_checking", due.milestone.not_before)
    return [weaker] if due.odds == "safe" else []


def notice(due: Due, now: datetime, climate: Climate | None = None, others: Sequence[str] = (), of: int = 0) -> Notice:
    """What people read. `climate`: of the room the piece lies in.

    `others`: by name, pieces of its series that are told of too; `of`: how many of it are here.
    """
    drying, milestone = due.drying, due.milestone
    pieces = [drying.piece.name, *others]
    title, text = milestone_text(drying, due.forecast, milestone, due.odds, now, _who(drying.piece, pieces, of))
    if milestone.kind is MilestoneKind.VARNISH_READY and climate is not None:
        text = joined(text, varnish_air.as_read(varnish_air.dew_margin(climate), now))
    stay = drying.stays[-1]
    at = milestone.safe_at if due.odds == "safe" else milestone.worth_checking_at
    # worth a check until it is safe to assume anyway
    outlived = milestone.safe_at if due.odds != "safe" else None
    return Notice(
        key=due.key,
        kind="milestone",
        created_at=now,
        title=title,
        text=text,
        expires_at=min(now + EXPIRES_AFTER, outlived or now + EXPIRES_AFTER),
        piece_id=drying.piece.id,
        room=stay.room,
        data={
            "piece": drying.piece.name,
            "pieces": pieces,
            "series": drying.piece.series,
            "place": stay.place,
            "milestone": milestone.kind.value,
            "odds": due.odds,
            "worth_checking_at": _iso(milestone.worth_checking_at),
            "safe_at": _iso(milestone.safe_at),
            "at": _iso(at),
            "names": [name for name in (*pieces, stay.place, stay.room, drying.piece.series) if name],
        },
    )


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


class Who(NamedTuple):
    """Whom a notice is about."""

    title: Value
    subject: Value
    number: int = 1


def _who(piece: Piece, pieces: Sequence[str], of: int) -> Who:
    count = len(pieces)
    if count == 1 or piece.series is None:
        return Who(piece.name, piece.name)
    which = phrase("All {n} of {series}", n=count, series=piece.series)
    if count != of:
        names = Listed(tuple(pieces), count)
        which = phrase("{n} of the {all} of {series} ({pieces})", n=count, all=of, series=piece.series, pieces=names)
    return Who(together(piece.series, count), which, count)


LONG_SINCE = timedelta(hours=6)
"""A milestone passed longer ago than this is told with its date."""
_CHECK = {
    MilestoneKind.SET: phrase("The design should no longer move."),
    MilestoneKind.TOUCH_DRY: phrase("Touch an edge nobody will see with a clean finger; if it is tacky, leave it."),
    MilestoneKind.HANDLE: phrase("Press an edge lightly with the thumb; if it gives or prints, leave it lying."),
    MilestoneKind.VARNISH_READY: phrase("Press a fingernail into an edge nobody will see: it should leave no mark."),
}
_SAFE = {
    MilestoneKind.SET: phrase("Nothing flows any more. Keep it lying all the same."),
    MilestoneKind.TOUCH_DRY: phrase(
        "The surface can be touched. The core is still soft: leave it lying, stack nothing on it."
    ),
    MilestoneKind.HANDLE: phrase(
        "It can be moved and stood up, and its place is free. Nothing may press on its face yet."
    ),
    MilestoneKind.VARNISH_READY: phrase(
        "It can be varnished in air that the varnish's label allows; there is no hurry."
    ),
}


def milestone_text(
    drying: Drying, forecast: Forecast, reached: Milestone, odds: str, now: datetime, who: Who
) -> tuple[Words, Words]:
    """Title and text of a milestone notice: which piece, what is now true, what to do, by when."""
    title = _title(who.title, reached.kind, odds)
    values: dict[str, Value] = {"who": who.subject, "stage": STAGES[reached.kind]}
    lines: list[Words]
    if odds == "safe":
        at = reached.safe_at or now
        lines = [_safely(who.number, values, at, now), _SAFE[reached.kind]]
    else:
        even = phrase_n("{who} is probably {stage} by now.", "{who} are probably {stage} by now.", who.number, **values)
        lines = [even, _CHECK[reached.kind]]
        if reached.not_before is not None and reached.kind is not MilestoneKind.VARNISH_READY:
            lines.append(phrase("A finger found it not so {at}.", at=When(reached.not_before, now)))
        lines.append(_safe(reached, now))
    if reached.kind is MilestoneKind.VARNISH_READY:
        if drying.pour.silicone:
            lines.append(
                phrase("It was poured with silicone: wash that off and let it dry first, or the varnish crawls.")
            )
        lines += [VARNISH_CAUTION, SAFETY]
    place = where(drying.room, drying.place)
    lines.append(phrase("Poured {at}, now in {place}.", at=When(drying.pour.at, now), place=place))
    if forecast.data_until is not None:
        lines.append(phrase("Room last read {at}.", at=When(forecast.data_until, now)))
    return title, joined(*lines)


def _safely(count: int, values: dict[str, Value], at: datetime, now: datetime) -> Message:
    if now - at > LONG_SINCE:
        return phrase_n(
            "{who} is {stage} by now and has been since {since}, nine times out of ten.",
            "{who} are {stage} by now and have been since {since}, nine times out of ten.",
            count,
            since=When(at, now),
            **values,
        )
    return phrase_n(
        "{who} is {stage} by now, nine times out of ten.",
        "{who} are {stage} by now, nine times out of ten.",
        count,
        **values,
    )


def _safe(reached: Milestone, now: datetime) -> Message:
    if reached.safe_at is None:
        return phrase("No date is foreseen from which that is safe to assume ({why}).", why=reached.reason or "")
    return phrase("Safe to assume from {at}.", at=When(reached.safe_at, now))
