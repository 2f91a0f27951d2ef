"""Alarms, and notices with what became of them, as pages of text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from curewatch.cli.output import Page, text_of, wrapped
from curewatch.language import Joined, Value, Words, joined, phrase, phrase_n, reads
from curewatch.records import AlarmHappening, AlarmKind, DeliveryState
from curewatch.studio import wording
from curewatch.views.alarms import AlarmEventOut, AlarmOut, AlarmsOut, CloseOut, HarmOut, ToldOut
from curewatch.views.notices import DeliveryOut, NoticeOut

KINDS = {
    AlarmKind.COLD: phrase("cold"),
    AlarmKind.FROST: phrase("frost"),
    AlarmKind.DAMP: phrase("damp"),
    AlarmKind.TOO_FAST: phrase("too fast"),
    AlarmKind.NO_FRESH_DATA: phrase("no fresh data"),
}
"""In a word or two, which `acknowledge` and `mute` take as well."""
TOLD_LAST = 5
_HAPPENED = {
    AlarmHappening.RAISED: phrase("raised"),
    AlarmHappening.OVER: phrase("over"),
    AlarmHappening.REMINDED: phrase("not acknowledged, told again"),
    AlarmHappening.MUTE_ENDED: phrase("the mute ended and it was on"),
    AlarmHappening.ASLEEP: phrase("nothing wet there any more"),
    AlarmHappening.ACKNOWLEDGED: phrase("acknowledged"),
    AlarmHappening.MUTED: phrase("muted"),
    AlarmHappening.UNMUTED: phrase("no longer muted"),
}


def text(seen: AlarmsOut, now: datetime, page: Page, *, with_history: bool) -> str:
    """The page, at most `page.width` wide."""
    quiet = phrase("Nothing is wrong.") if seen.well else phrase("No alarm is on.")
    parts = [_active(seen.active, now, page) if seen.active else text_of(quiet)]
    if seen.close:
        parts.append(close_text(seen.close, page))
    if seen.unread:
        said = phrase(
            "Never read, so that no alarm can tell of them: {rooms}. {command}",
            rooms=", ".join(seen.unread),
            command="`curewatch reading --room …`",
        )
        parts.append("\n".join(wrapped(said, page.width)))
    if seen.at_risk:
        parts.append(
            _headed(phrase("Dates at risk"), _under((f"{a.piece}: {a.text}" for a in seen.at_risk), page), page)
        )
    if seen.muted:
        rows = [
            phrase(
                "{alarm} in {room}, until {date}", alarm=_kind(a), room=a.room, date=reads().date(a.muted_until, now)
            )
            for a in seen.muted
            if a.muted_until is not None
        ]
        parts.append(_headed(phrase("Muted, and quiet now"), [f"  {text_of(one)}" for one in rows], page))
    if seen.harm:
        parts.append(_harmed(seen.harm, page))
    if seen.told:
        titles = (f"{reads().date(one.created_at, now)}: {text_of(_title(one))}" for one in seen.told[:TOLD_LAST])
        parts.append(_headed(phrase("Told last (`curewatch notices` has all)"), _under(titles, page), page))
    if with_history:
        lines = [_event(event, now) for event in seen.history] or [f"  {text_of(phrase('nothing yet'))}"]
        parts.append(_headed(phrase("What happened, the newest first"), lines, page))
    if seen.active:
        parts.append("\n".join(wrapped(wording.SAFETY, page.width)))
    return "\n\n".join(parts)


def close_text(close: Sequence[CloseOut], page: Page) -> str:
    return _headed(phrase("Close to an alarm"), _under((one.text for one in close), page), page)


ENDING = phrase("now in range again: over if that lasts")


def _headed(head: Words, rows: Sequence[str], page: Page) -> str:
    return "\n".join([page.bold(text_of(head)), *rows])


def _under(rows: Iterable[str], page: Page) -> list[str]:
    return [line for row in rows for line in wrapped(row, page.width, "  ", "    ")]


def _active(active: Sequence[AlarmOut], now: datetime, page: Page) -> str:
    date, rows = reads().date, []
    for alarm in active:
        notes: list[Value] = [phrase("since {date}", date=date(alarm.raised_at or alarm.judged_at, now))]
        notes += [ENDING] if alarm.is_ending else []
        if alarm.acknowledged_at is not None:
            notes.append(phrase("acknowledged {date}", date=date(alarm.acknowledged_at, now)))
        if alarm.muted_until is not None and now < alarm.muted_until:
            notes.append(phrase("muted until {date}", date=date(alarm.muted_until, now)))
        rows += alarm_said(alarm, notes, page)
    return _headed(phrase("Alarms"), rows, page)


def alarm_said(alarm: AlarmOut, notes: Sequence[Value], page: Page) -> list[str]:
    """What and where, and how it stands; below, its text."""
    head = phrase("{alarm} in {room}, {notes}", alarm=_kind(alarm), room=alarm.room, notes=Joined(tuple(notes), ", "))
    return [*wrapped(head, page.width, "! "), *wrapped(alarm.text, page.width, "    ")]


def _harmed(harmed: Sequence[HarmOut], page: Page) -> str:
    rows = _under((f"{one.piece}: {one.text}" for one in harmed), page)
    return _headed(phrase("Harmed, until you say `curewatch cleared PIECE`"), rows, page)


def _event(event: AlarmEventOut, now: datetime) -> str:
    happened: Words = _HAPPENED[event.happening]
    if event.muted_until:
        happened = phrase("{what} until {date}", what=happened, date=reads().date(event.muted_until, now))
    said = f"{event.room}: {text_of(KINDS[event.alarm])}, {text_of(happened)}"
    return f"  {reads().date(event.at, now):<18} {said}"


def _kind(alarm: AlarmOut) -> Words:
    return KINDS[AlarmKind(alarm.alarm)]


_STATES = {
    DeliveryState.WAITING: phrase("waits"),
    DeliveryState.DELIVERED: phrase("arrived"),
    DeliveryState.EXPIRED: phrase("expired"),
    DeliveryState.DEAD: phrase("given up"),
}


def notices_text(found: Sequence[NoticeOut], now: datetime, page: Page, *, undelivered: bool) -> str:
    """Each notice with its channels; where it was given up, with its key, to send it again by."""
    if not found:
        return text_of(phrase("Everything arrived.") if undelivered else phrase("No notices yet."))
    titles = {(_bare(one.key), one.created_at): one.title for one in found}
    rows: list[str] = []
    for sent in found:
        first = f"{'!' if sent.urgent else ' '} {reads().short(sent.created_at, now):<16} "
        rows += map(page.bold, wrapped(_title(sent), page.width, first))
        rows += [f"    {text_of(_became(delivery, sent, titles, now))}" for delivery in sent.deliveries]
        if not sent.deliveries:
            told = _told_in(sent.told_in, sent, titles) if sent.told_in else phrase("written down, told to nobody")
            rows.append(f"    {text_of(told)}")
        if any(delivery.state is DeliveryState.DEAD for delivery in sent.deliveries):
            rows.append(f"    curewatch resend {sent.key}")
    return "\n".join(rows)


def _title(sent: NoticeOut | ToldOut) -> Words:
    return phrase("{title} (withdrawn)", title=sent.title) if sent.withdrawn else sent.title


Titles = Mapping[tuple[str, datetime], str]
"""Of notices, by key and the moment at which they came about: of those withdrawn, by the key that they had."""


def _bare(key: str) -> str:
    return re.sub(r"/withdrawn-\d+$", "", key)


def _told_in(key: str, sent: NoticeOut, titles: Titles) -> Words:
    title = titles.get((_bare(key), sent.created_at))
    return phrase("told with others") if title is None else phrase("told with: {title}", title=title)


def _became(delivery: DeliveryOut, sent: NoticeOut, titles: Titles, now: datetime) -> Words:
    def said(state: Words) -> Words:
        return phrase("{channel}: {state}", channel=delivery.channel, state=state)

    if delivery.told_in is not None:
        return said(_told_in(delivery.told_in, sent, titles))
    state: Words = _STATES[delivery.state]
    if delivery.delivered_at is not None:
        return said(phrase("{state} {date}", state=state, date=reads().short(delivery.delivered_at, now)))
    if delivery.next_try_at is not None:
        state = phrase("waits to be sent")
        if delivery.next_try_at > now:
            state = phrase("waits until {date}", date=reads().short(delivery.next_try_at, now))
    tries = phrase_n("{n} try", "{n} tries", delivery.attempts) if delivery.attempts else None
    return said(joined(joined(state, tries, by=", "), delivery.last_error, by=": "))
