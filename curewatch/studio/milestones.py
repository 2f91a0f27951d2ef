"""Which milestone notices are due, and what they say: worth checking at even odds, safe to assume at 90 %."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from curewatch.records import Forecast, Milestone, MilestoneKind, Notice, Piece
from curewatch.studio.air.climate import Climate
from curewatch.studio.care import varnish_air
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.standing import Standing
from curewatch.studio.wording import SAFETY, STAGES, VARNISH_CAUTION, Local, lasting, listed, together, where

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


def retraction(told: Sequence[Notice], why: str, now: datetime) -> Notice:
    """One line for what was told of one piece, the oldest first, and is not so."""
    *others, last = told
    too = f" So are: {'; '.join(_said_of_it(one) for one in others)}." if others else ""
    piece = last.data["piece"]
    others_of_it = set(last.data.get("pieces", ())) - {piece}
    return Notice(
        key=f"{last.key}/retracted-{now:%Y%m%dT%H%M%S.%fZ}",
        kind="withdrawn",
        created_at=now,
        title=f"{_said_of_it(last)} (withdrawn: {why})",
        text=f"What you were told is withdrawn: {why}. Its dates follow from what is known now.{too}",
        expires_at=now + EXPIRES_AFTER,
        piece_id=last.piece_id,
        room=last.room,
        data={
            "withdraws": [one.key for one in told],
            "why": why,
            "names": [name for name in last.data.get("names", []) if name not in others_of_it],
        },
    )


def _said_of_it(told: Notice) -> str:
    """What the title of a notice says of its own piece, be others told of in it or not."""
    return _title(told.data["piece"], MilestoneKind(told.data["milestone"]), told.data["odds"])


def _title(who: str, kind: MilestoneKind, odds: str) -> str:
    return f"{who}: {'safe to assume' if odds == 'safe' else 'worth checking, probably'} {STAGES[kind]}"


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


def notice(
    due: Due, now: datetime, local: Local, climate: Climate | None = None, others: Sequence[str] = (), of: int = 0
) -> Notice:
    """What people read. `local` turns a time into the studio's zone; `climate`: of the room the piece lies in.

    `others`: by name, pieces of its series that are told of too; `of`: how many of it are here.
    """
    drying, milestone = due.drying, due.milestone
    pieces = [drying.piece.name, *others]
    title, text = milestone_text(drying, due.forecast, milestone, due.odds, now, local, _who(drying.piece, pieces, of))
    if milestone.kind is MilestoneKind.VARNISH_READY and climate is not None:
        text += f" {varnish_air.as_read(varnish_air.dew_margin(climate), now, local)}"
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

    title: str
    subject: str
    """With its verb."""


def _who(piece: Piece, pieces: Sequence[str], of: int) -> Who:
    count = len(pieces)
    if count == 1 or piece.series is None:
        return Who(piece.name, f"{piece.name} is")
    which = f"All {count}" if count == of else f"{count} of the {of}"
    named = "" if count == of else f" ({listed(pieces, count)})"
    return Who(together(piece.series, count), f"{which} of {piece.series}{named} are")


LONG_SINCE = timedelta(hours=6)
"""A milestone passed longer ago than this is told with its date."""
_CHECK = {
    MilestoneKind.SET: "The design should no longer move.",
    MilestoneKind.TOUCH_DRY: "Touch an edge nobody will see with a clean finger; if it is tacky, leave it.",
    MilestoneKind.HANDLE: "Press an edge lightly with the thumb; if it gives or prints, leave it lying.",
    MilestoneKind.VARNISH_READY: "Press a fingernail into an edge nobody will see: it should leave no mark.",
}
_SAFE = {
    MilestoneKind.SET: "Nothing flows any more. Keep it lying all the same.",
    MilestoneKind.TOUCH_DRY: "The surface can be touched. The core is still soft: leave it lying, stack nothing on it.",
    MilestoneKind.HANDLE: "It can be moved and stood up, and its place is free. Nothing may press on its face yet.",
    MilestoneKind.VARNISH_READY: "It can be varnished in air that the varnish's label allows; there is no hurry.",
}


def milestone_text(
    drying: Drying, forecast: Forecast, reached: Milestone, odds: str, now: datetime, local: Local, who: Who
) -> tuple[str, str]:
    """Title and text of a milestone notice: which piece, what is now true, what to do, by when."""
    stage = STAGES[reached.kind]
    title = _title(who.title, reached.kind, odds)
    poured = f"Poured {lasting(drying.pour.at, local, now)}, now in {where(drying.room, drying.place)}."
    if odds == "safe":
        at = reached.safe_at or now
        since = f" and has been since {lasting(at, local, now)}" if now - at > LONG_SINCE else ""
        lines = [f"{who.subject} {stage} by now{since}, nine times out of ten.", _SAFE[reached.kind]]
    else:
        lines = [f"{who.subject} probably {stage} by now.", _CHECK[reached.kind]]
        if reached.not_before is not None and reached.kind is not MilestoneKind.VARNISH_READY:
            lines.append(f"A finger found it not so {lasting(reached.not_before, local, now)}.")
        lines.append(_safe(reached, local, now))
    if reached.kind is MilestoneKind.VARNISH_READY:
        if drying.pour.silicone:
            lines.append("It was poured with silicone: wash that off and let it dry first, or the varnish crawls.")
        lines += [VARNISH_CAUTION, SAFETY]
    lines.append(poured)
    if forecast.data_until is not None:
        lines.append(f"Room last read {lasting(forecast.data_until, local, now)}.")
    return title, " ".join(lines)


def _safe(reached: Milestone, local: Local, now: datetime) -> str:
    if reached.safe_at is None:
        return f"No date is foreseen from which that is safe to assume ({reached.reason})."
    return f"Safe to assume from {lasting(reached.safe_at, local, now)}."
