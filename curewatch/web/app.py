"""While the clock cannot be believed, the page shows no date and takes none: it says so, and what to do."""

from __future__ import annotations

from datetime import datetime

from fastapi import Request

from curewatch.clock import plausible
from curewatch.web.part_web_site import site_of

TITLE = "Clock unconfirmed"


class ClockUnconfirmed(Exception):
    """This machine's clock shows a time that cannot be. A calendar or program that fetches keeps what it had."""

    def __init__(self, shown: datetime) -> None:
        super().__init__(
            f"Clock unconfirmed: this machine's clock shows {shown:%Y-%m-%d %H:%M} UTC, which cannot be. Every "
            "prediction is held until it is set, and nothing can be logged. Readings are kept and get their times then."
        )


def require_clock(request: Request) -> None:
    """For every route: refuse where no date can be told. What has no date in it (styles, scripts) goes on."""
    now = site_of(request).clock.now()
    if not plausible(now) and not request.url.path.startswith("/static/"):
        raise ClockUnconfirmed(now)
