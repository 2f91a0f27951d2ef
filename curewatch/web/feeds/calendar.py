"""The dates as a calendar that subscribes itself (RFC 5545 iCalendar, RFC 7986 for what a feed says of itself).

A date that moves is the same event moved: its UID stays, its SEQUENCE counts up, and an event whose piece is gone is
cancelled rather than left out, since calendars keep what merely vanishes. An event is tentative until its date is
safe to assume. What each event last was is kept in the store, so that SEQUENCE means something after a restart.
"""

from __future__ import annotations

import json
import secrets
import uuid
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from icalendar import Calendar, Event, vCalAddress

from curewatch.desk.reports.board import CachedBoard
from curewatch.language import Reader, When, joined, phrase
from curewatch.language import Words as Sentences
from curewatch.records import Milestone, MilestoneKind, visible
from curewatch.settings.page import ALONE
from curewatch.store import Store
from curewatch.studio import wording
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.planning.promises import Promised, promised
from curewatch.web.texts import Words

LASTS = timedelta(minutes=30)
KEPT_AFTER = timedelta(days=30)
"""How long an event is still told after its date."""
ROUNDED, ROUNDED_FAR, FAR = timedelta(minutes=15), timedelta(hours=6), timedelta(days=3)
"""Dates are told in steps, coarse ones where they are far off: else every new forecast would move every event."""
_STATE, _FEED = "calendar_events", "calendar_feed"


@dataclass(frozen=True)
class Entry:
    """One event as it was last told."""

    start: str
    summary: str
    status: str
    where: str
    text: str = ""
    sequence: int = 0
    changed: str = ""
    foreseen: str = ""
    """When it was worked out, to the hour: a calendar that is old says so by itself. It moves on without the event."""

    @property
    def told(self) -> tuple[str, ...]:
        return self.start, self.summary, self.status, self.where, self.text


def feed(
    store: Store,
    kept: CachedBoard,
    kinds: tuple[MilestoneKind, ...],
    address: str | None,
    words: Words,
    sender: str | None = None,
) -> bytes:
    """The calendar as of `words.now`. `sender`: the mail address that the studio writes from."""
    now = words.now
    wanted: dict[str, Entry] = {}
    for drying in kept.snapshot.dryings:
        forecast = kept.snapshot.forecasts.get(drying.piece.id)
        for milestone in forecast.milestones if forecast else ():
            if milestone.kind in kinds and (entry := _entry(drying, milestone, words)) is not None:
                made = words.local(forecast.made_at).replace(minute=0) if forecast else now
                wanted[f"piece-{drying.piece.id}-{milestone.kind.value.replace('_', '-')}"] = replace(
                    entry, foreseen=words.reader.lasting(made)
                )
    wanted |= _promises(kept, words)
    entries, name = _remembered(store, wanted, now)
    head = _head(name, address, max((entry.changed for entry in entries.values()), default=None), words.reader)
    begin, end = head.to_ical().split(b"END:VCALENDAR")
    # RFC 5546, section 3.2.1: what is published names who publishes it; who has no mail address has another URI
    organizer = f"mailto:{sender}" if sender else f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_DNS, name)}"
    events = [
        _event(f"{uid}@{name}", entry, address, organizer, words.reader) for uid, entry in sorted(entries.items())
    ]
    return b"".join([begin, *events, b"END:VCALENDAR", end])


def _entry(drying: Drying, milestone: Milestone, words: Words) -> Entry | None:
    """The event of one milestone; None where it has no date, or one long past."""
    at = milestone.safe_at
    if at is None:
        return None
    step = ROUNDED_FAR if at - words.now > FAR else ROUNDED
    start = _rounded(at, step)
    if start < words.now - KEPT_AFTER:
        return None
    return Entry(
        start=start.isoformat(),
        summary=words.reader.phrase("{piece}: {stage}", piece=drying.piece.name, stage=wording.STAGES[milestone.kind]),
        status="CONFIRMED" if at <= words.now else "TENTATIVE",
        where=wording.where(drying.room, drying.place),
        text=_description(drying, milestone, step, words),
    )


_RISK = phrase("It may not be, by what is foreseen: its page says what would help.")


def _promises(kept: CachedBoard, words: Words) -> dict[str, Entry]:
    """One for each date that a piece, or a whole series, is promised for."""
    together: dict[tuple[object, ...], list[tuple[Drying, Promised]]] = {}
    for drying in sorted(kept.snapshot.dryings, key=lambda drying: drying.piece.id):
        stands = promised(drying, kept.snapshot.forecasts.get(drying.piece.id))
        if stands is not None and stands.due_at >= words.now - KEPT_AFTER:
            told = stands.promise
            key = drying.piece.series or drying.piece.id, told.due_at, told.ready, told.occasion
            together.setdefault(key, []).append((drying, stands))
    found = {}
    for some in together.values():
        (drying, stands), risk = some[0], any(one.at_risk for _, one in some)
        who = wording.together(drying.piece.series or "", len(some)) if len(some) > 1 else drying.piece.name
        said, what = words.reader.phrase, stands.promise.occasion
        due = said("{who}: due for {occasion}", who=who, occasion=what) if what else said("{who}: due", who=who)
        found[f"piece-{drying.piece.id}-due"] = Entry(
            start=stands.due_at.isoformat(),
            summary=said("{due}, at risk", due=due) if risk else due,
            status="CONFIRMED",
            where=wording.where(drying.room, drying.place),
            text=words.reader.read(
                joined(
                    phrase("Promised to be {stage} by then.", stage=wording.STAGES[stands.promise.ready]),
                    _RISK if risk else "",
                )
            ),
        )
    return found


def _rounded(at: datetime, step: timedelta) -> datetime:
    """The next whole step."""
    seconds = step.total_seconds()
    return datetime.fromtimestamp(-(-at.timestamp() // seconds) * seconds, UTC)


def _description(drying: Drying, milestone: Milestone, step: timedelta, words: Words) -> str:
    """In absolute dates: a calendar is read on other days than it is written."""
    lines: list[Sentences] = [phrase("Safe to assume from then on.")]
    if milestone.found_at is not None:
        lines = [phrase("A finger found it so.")]
    elif milestone.not_before is not None:
        date = When(milestone.not_before, words.now)
        lines.append(phrase("A finger found it not so yet on {date}; touch it first.", date=date))
    if milestone.found_at is None and milestone.worth_checking_at is not None:
        even = When(_rounded(milestone.worth_checking_at, step), words.now)
        lines.append(phrase("Worth checking from {date}.", date=even))
    if milestone.kind is MilestoneKind.VARNISH_READY:
        if drying.pour.silicone:
            lines.append(phrase("Wash the silicone off before any varnish."))
        lines += (wording.VARNISH_CAUTION, wording.SAFETY)
    return words.reader.read(joined(*lines))


def _remembered(store: Store, wanted: dict[str, Entry], now: datetime) -> tuple[dict[str, Entry], str]:
    """What to tell, with its sequence; and the feed's own name. Writes only where something has changed."""
    with store.read() as tx:
        before, name = _kept(tx.get_meta(_STATE)), tx.get_meta(_FEED)
    if name is not None and _merged(before, wanted, now) == before:
        return before, name
    with store.write() as tx:
        before, name = _kept(tx.get_meta(_STATE)), tx.get_meta(_FEED) or f"{secrets.token_hex(6)}.curewatch"
        after = _merged(before, wanted, now)
        tx.set_meta(_FEED, name)
        tx.set_meta(_STATE, json.dumps({uid: asdict(entry) for uid, entry in after.items()}))
    return after, name


def _merged(before: dict[str, Entry], wanted: dict[str, Entry], now: datetime) -> dict[str, Entry]:
    """Old entries brought up to date: changed ones counted up, missing ones cancelled, long past ones forgotten."""
    after = {}
    cancelled = {uid: replace(entry, status="CANCELLED") for uid, entry in before.items() if uid not in wanted}
    for uid, entry in (wanted | cancelled).items():
        if datetime.fromisoformat(entry.start) < now - KEPT_AFTER:
            continue  # not wanted for its age alone: it came true, and is not told as cancelled
        old = before.get(uid)
        if old is not None and old.told == entry.told:
            after[uid] = replace(old, foreseen=entry.foreseen)
        else:
            sequence = 0 if old is None else old.sequence + 1
            after[uid] = replace(entry, sequence=sequence, changed=now.replace(microsecond=0).isoformat())
    return after


def _kept(text: str | None) -> dict[str, Entry]:
    return {uid: Entry(**values) for uid, values in json.loads(text or "{}").items()}


def _head(name: str, address: str | None, changed: str | None, reader: Reader) -> Calendar:
    calendar, called = Calendar(), reader.phrase("What dries when")
    told = reader.phrase("When each piece is safe to touch, to handle and to varnish, as far as can be foreseen.")
    if not address:
        told = reader.phrase("{told} Its dates link to nothing: {why}.", told=told, why=ALONE)
    for key, value in (
        ("prodid", f"-//curewatch//drying dates//{reader.language.upper()}"),
        ("version", "2.0"),
        ("method", "PUBLISH"),
        ("uid", name),
        ("name", called),
        ("x-wr-calname", called),
        ("description", told),
        ("url", address),
    ):
        if value is not None:
            calendar.add(key, value)
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    if changed is not None:
        calendar.add("last-modified", datetime.fromisoformat(changed))
    return calendar


@lru_cache(maxsize=10_000)
def _event(uid: str, entry: Entry, address: str | None, organizer: str, reader: Reader) -> bytes:
    """One event. Kept, since hardly any differs from the last fetch and each takes a third of a millisecond."""
    start, changed = datetime.fromisoformat(entry.start), datetime.fromisoformat(entry.changed)
    said = entry.foreseen and reader.phrase(
        "As foreseen on {date}. If that is days ago, curewatch has not been heard from since.", date=entry.foreseen
    )
    event = Event()
    event.add("uid", uid)
    event.add("dtstamp", changed)
    event.add("organizer", vCalAddress(organizer), parameters={"CN": "curewatch"})
    event.add("last-modified", changed)
    event.add("dtstart", start)
    event.add("dtend", start + LASTS)
    event.add("summary", visible(entry.summary))
    event.add("status", entry.status)
    event.add("sequence", entry.sequence)
    event.add("location", visible(entry.where))
    event.add("transp", "TRANSPARENT")
    if address is not None:
        event.add("url", address)
    event.add("description", visible("\n\n".join(filter(None, (entry.text, said)))))
    made: bytes = event.to_ical()
    return made
