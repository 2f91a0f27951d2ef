"""Notices with what became of them, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.session import Values, iso
from curewatch.cli.texts.board_text import short_date
from curewatch.desk.commands.notice_care import SentNotice
from curewatch.records import Delivery, DeliveryState

_STATES = {
    DeliveryState.WAITING: "waits",
    DeliveryState.DELIVERED: "arrived",
    DeliveryState.EXPIRED: "expired",
    DeliveryState.DEAD: "given up",
}


def values(tz: ZoneInfo, sent: SentNotice) -> Values:
    """What --json prints of a notice."""
    notice = sent.notice
    return {
        "key": notice.key,
        "kind": notice.kind,
        "written_at": iso(notice.created_at, tz),
        "title": notice.title,
        "text": notice.text,
        "urgent": notice.urgent,
        "expires_at": iso(notice.expires_at, tz),
        "deliveries": [
            {
                "channel": delivery.channel,
                "state": delivery.state.value,
                "attempts": delivery.attempts,
                "next_try_at": iso(delivery.next_try_at, tz) if delivery.state is DeliveryState.WAITING else None,
                "delivered_at": iso(delivery.delivered_at, tz),
                "told_in": delivery.told_in,
                "last_error": delivery.last_error,
            }
            for delivery in sent.deliveries
        ],
    }


def text(tz: ZoneInfo, found: Sequence[SentNotice], now: datetime, page: Page, *, dead: bool) -> str:
    """Each notice with its channels; where it was given up, with its key, to send it again by."""
    if not found:
        return "Nothing was given up." if dead else "No notices yet."
    rows = []
    for sent in found:
        mark = "!" if sent.notice.urgent else " "
        rows.append(page.bold(f"{mark} {short_date(sent.notice.created_at, tz, now):<16} {sent.notice.title}"))
        rows += [f"    {_became(tz, delivery, now)}" for delivery in sent.deliveries]
        if not sent.deliveries:
            joint = sent.notice.data.get("told_in")
            rows.append(f"    told in {joint}" if joint else "    written down, told to nobody")
        if any(delivery.state is DeliveryState.DEAD for delivery in sent.deliveries):
            rows.append(f"    curewatch resend {sent.notice.key}")
    return "\n".join(rows)


def _became(tz: ZoneInfo, delivery: Delivery, now: datetime) -> str:
    state = _STATES[delivery.state]
    if delivery.told_in is not None:
        return f"{delivery.channel}: told in {delivery.told_in}"
    if delivery.delivered_at is not None:
        return f"{delivery.channel}: {state} {short_date(delivery.delivered_at, tz, now)}"
    if delivery.state is DeliveryState.WAITING:
        state += f" until {short_date(delivery.next_try_at, tz, now)}" if delivery.next_try_at > now else " to be sent"
    tries = f", {delivery.attempts} tries" if delivery.attempts else ""
    error = f": {delivery.last_error}" if delivery.last_error else ""
    return f"{delivery.channel}: {state}{tries}{error}"
