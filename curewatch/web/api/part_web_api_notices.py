"""The API of what was told and what was learned: notices with what became of them, sending again, and forgetting."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query
from pydantic import Field

from curewatch.desk.commands import notice_care, observing
from curewatch.desk.commands.notice_care import SentNotice
from curewatch.records import Delivery, DeliveryState, Name
from curewatch.views.board import LoggedOut, RequestModel, View, local
from curewatch.web.api.answers import BASE, REFUSALS, logged
from curewatch.web.part_web_site import Here

router = APIRouter(prefix=BASE, responses=REFUSALS)


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
    deliveries: list[DeliveryOut]

    @classmethod
    def of(cls, sent: SentNotice, tz: ZoneInfo) -> NoticeOut:
        one = sent.notice
        return cls(
            key=one.key,
            kind=one.kind,
            created_at=one.created_at.astimezone(tz),
            title=one.title,
            text=one.text,
            urgent=one.urgent,
            expires_at=local(one.expires_at, tz),
            deliveries=[DeliveryOut.of(delivery, tz) for delivery in sent.deliveries],
        )


class ResendIn(RequestModel):
    key: Annotated[str, Field(min_length=1, max_length=1000)] | None = Field(
        None, description="Of one that was given up; null: all of them"
    )


class AgainOut(View):
    key: str
    channel: str


class ForgetIn(RequestModel):
    name: Name = Field(description="Of a recipe or a place, as what was learned names it")


@router.get("/notices")
def notices(
    site: Here,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    dead: Annotated[bool, Query(description="Only those that were given up")] = False,
) -> list[NoticeOut]:
    """What people were told, the newest first, and whether it arrived."""
    desk = site.desk
    found = notice_care.dead(desk)[:limit] if dead else notice_care.newest_notices(desk, limit=limit)
    return [NoticeOut.of(one, desk.settings.tz) for one in found]


@router.post("/notices/resend")
def resend(site: Here, which: ResendIn) -> list[AgainOut]:
    """Send again what was given up: it waits for its channels once more. Nothing is told twice that arrived."""
    again = notice_care.send_again(site.desk, which.key, site.clock.now())
    site.logged()
    return [AgainOut(key=one.notice.key, channel=one.channel) for one in again]


@router.post("/learned/forget")
def forget(site: Here, what: ForgetIn) -> LoggedOut:
    """What was observed of this recipe or place so far is to teach nothing more. It cannot be taken back."""
    now = site.clock.now()
    return logged(site, now, None, observing.forget(site.desk, what.name, now).notes)
