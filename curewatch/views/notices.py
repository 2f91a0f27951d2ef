"""Notices as they are shown, with what became of each on its channels."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.notice_care import SentNotice
from curewatch.records import Delivery, DeliveryState
from curewatch.views.base import View, local, said


class DeliveryOut(View):
    """One notice on its way through one channel."""

    channel: str
    state: DeliveryState
    attempts: int
    next_try_at: datetime | None = Field(description="Of one that waits")
    delivered_at: datetime | None
    told_in: str | None = Field(description="The key of the notice that told this one too")
    last_error: str | None

    @classmethod
    def of(cls, one: Delivery, tz: ZoneInfo) -> DeliveryOut:
        return cls(
            channel=one.channel,
            state=one.state,
            attempts=one.attempts,
            next_try_at=local(one.next_try_at, tz) if one.state is DeliveryState.WAITING else None,
            delivered_at=local(one.delivered_at, tz),
            told_in=one.told_in,
            last_error=one.last_error,
        )


class NoticeOut(View):
    key: str
    kind: str
    created_at: datetime
    title: str
    text: str
    urgent: bool
    expires_at: datetime | None
    told_in: str | None = Field(description="The key of the notice that told this one too")
    withdrawn: bool = Field(description="It was not so, or is not so any more")
    deliveries: list[DeliveryOut]

    @classmethod
    def of(cls, sent: SentNotice, tz: ZoneInfo) -> NoticeOut:
        one = sent.notice
        return cls(
            key=one.key,
            kind=one.kind,
            created_at=local(one.created_at, tz),
            title=said(one.title, tz),
            text=said(one.text, tz),
            urgent=one.urgent,
            expires_at=local(one.expires_at, tz),
            told_in=one.data.get("told_in"),
            withdrawn=one.is_withdrawn,
            deliveries=[DeliveryOut.of(delivery, tz) for delivery in sent.deliveries],
        )


class AgainOut(View):
    key: str
    channel: str
