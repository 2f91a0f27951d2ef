"""Alarms, and notices with what became of them, as pages of text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from curewatch.cli.output import Page
from curewatch.cli.texts.dates import date, short_date
from curewatch.records import AlarmHappening, DeliveryState
from curewatch.studio import wording
from curewatch.views.alarms import AlarmEventOut, AlarmOut, AlarmsOut, CloseOut, HarmOut
from curewatch.views.notices import DeliveryOut, NoticeOut

TOLD_LAST = 5
_HAPPENED = {
    AlarmHappening.RAISED: "raised",
    AlarmHappening.OVER: "over",
    AlarmHappening.REMINDED: "not acknowledged, told again",
    AlarmHappening.MUTE_ENDED: "the mute ended and it was on",
    AlarmHappening.ASLEEP: "nothing wet there any more",
    AlarmHappening.ACKNOWLEDGED: "acknowledged",
    AlarmHappening.MUTED: "muted",
    AlarmHappening.UNMUTED: "no longer muted",
}


def text(seen: AlarmsOut, now: datetime, page: Page, *, with_history: bool) -> str:
    """The page, at most `page.width` wide."""
    parts = [
        _active(seen.active, now, page) if seen.active else "Nothing is wrong." if seen.well else "No alarm is on."
    ]
    if seen.close:
        parts.append(close_text(seen.close, page))
    if seen.unread:
        said = f"Never read, so that no alarm can tell of them: {', '.join(seen.unread)}. `curewatch reading --room …`"
        parts.append(textwrap.fill(said, page.width))
    if seen.at_risk:
        rows = [page.bold("Dates at risk"), *(f"{one.piece}: {one.text}" for one in seen.at_risk)]
        parts.append("\n".join(_indented(rows, page)))
    if seen.muted:
        rows = [f"  {_kind(a)} in {a.room}, until {date(a.muted_until, now)}" for a in seen.muted]
        parts.append("\n".join([page.bold("Muted, and quiet now"), *rows]))
    if seen.harm:
        parts.append(_harmed(seen.harm, page))
    if seen.told:
        last = seen.told[:TOLD_LAST]
        rows = [f"{date(one.created_at, now)}: {one.title}{' (withdrawn)' * one.withdrawn}" for one in last]
        head = "Told last (`curewatch notices` has all)"
        parts.append("\n".join(_indented([page.bold(head), *rows], page)))
    if with_history:
        rows = [_event(event, now) for event in seen.history] or ["  nothing yet"]
        parts.append("\n".join([page.bold("What happened, the newest first"), *rows]))
    if seen.active:
        parts.append(textwrap.fill(str(wording.SAFETY), page.width))
    return "\n\n".join(parts)


def close_text(close: Sequence[CloseOut], page: Page) -> str:
    return "\n".join(_indented([page.bold("Close to an alarm"), *(one.text for one in close)], page))


def _indented(rows: Sequence[str], page: Page) -> Iterator[str]:
    """A heading, and what stands under it."""
    yield rows[0]
    for row in rows[1:]:
        yield from textwrap.wrap(row, page.width, initial_indent="  ", subsequent_indent="    ")


ENDING = "now in range again: over if that lasts"


def _active(active: Sequence[AlarmOut], now: datetime, page: Page) -> str:
    rows = [page.bold("Alarms")]
    for alarm in active:
        notes = [f"since {date(alarm.raised_at or alarm.judged_at, now)}", *([ENDING] if alarm.is_ending else [])]
        if alarm.acknowledged_at is not None:
            notes.append(f"acknowledged {date(alarm.acknowledged_at, now)}")
        if alarm.muted_until is not None and now < alarm.muted_until:
            notes.append(f"muted until {date(alarm.muted_until, now)}")
        rows += textwrap.wrap(
            f"! {_kind(alarm)} in {alarm.room}, {', '.join(notes)}", page.width, subsequent_indent="  "
        )
        rows += textwrap.wrap(alarm.text, page.width, initial_indent="    ", subsequent_indent="    ")
    return "\n".join(rows)


def _harmed(harmed: Sequence[HarmOut], page: Page) -> str:
    rows = [
        page.bold("Harmed, until you say `curewatch cleared PIECE`"),
        *(f"{one.piece}: {one.text}" for one in harmed),
    ]
    return "\n".join(_indented(rows, page))


def _event(event: AlarmEventOut, now: datetime) -> str:
    until = f" until {date(event.muted_until, now)}" if event.muted_until else ""
    kind = event.alarm.value.replace("_", " ")
    return f"  {date(event.at, now):<18} {event.room}: {kind}, {_HAPPENED[event.happening]}{until}"


def _kind(alarm: AlarmOut) -> str:
    return alarm.alarm.replace("_", " ")


_STATES = {
    DeliveryState.WAITING: "waits",
    DeliveryState.DELIVERED: "arrived",
    DeliveryState.EXPIRED: "expired",
    DeliveryState.DEAD: "given up",
}


def notices_text(found: Sequence[NoticeOut], now: datetime, page: Page, *, undelivered: bool) -> str:
    """Each notice with its channels; where it was given up, with its key, to send it again by."""
    if not found:
        return "Everything arrived." if undelivered else "No notices yet."
    titles = {(_bare(one.key), one.created_at): one.title for one in found}
    rows: list[str] = []
    for sent in found:
        mark = "!" if sent.urgent else " "
        withdrawn = " (withdrawn)" if sent.withdrawn else ""
        title = f"{mark} {short_date(sent.created_at, now):<16} {sent.title}{withdrawn}"
        rows += map(page.bold, textwrap.wrap(title, page.width, subsequent_indent=" " * 19))
        rows += [f"    {_became(delivery, sent, titles, now)}" for delivery in sent.deliveries]
        if not sent.deliveries:
            rows.append(
                f"    {_told_in(sent.told_in, sent, titles)}" if sent.told_in else "    written down, told to nobody"
            )
        if any(delivery.state is DeliveryState.DEAD for delivery in sent.deliveries):
            rows.append(f"    curewatch resend {sent.key}")
    return "\n".join(rows)


Titles = Mapping[tuple[str, datetime], str]
"""Of notices, by key and the moment at which they came about: of those withdrawn, by the key that they had."""


def _bare(key: str) -> str:
    return re.sub(r"/withdrawn-\d+$", "", key)


def _told_in(key: str, sent: NoticeOut, titles: Titles) -> str:
    title = titles.get((_bare(key), sent.created_at))
    return "told with others" if title is None else f"told with: {title}"


def _became(delivery: DeliveryOut, sent: NoticeOut, titles: Titles, now: datetime) -> str:
    state = _STATES[delivery.state]
    if delivery.told_in is not None:
        return f"{delivery.channel}: {_told_in(delivery.told_in, sent, titles)}"
    if delivery.delivered_at is not None:
        return f"{delivery.channel}: {state} {short_date(delivery.delivered_at, now)}"
    if delivery.next_try_at is not None:
        state += f" until {short_date(delivery.next_try_at, now)}" if delivery.next_try_at > now else " to be sent"
    tries = f", {delivery.attempts} tries" if delivery.attempts else ""
    error = f": {delivery.last_error}" if delivery.last_error else ""
    return f"{delivery.channel}: {state}{tries}{error}"
