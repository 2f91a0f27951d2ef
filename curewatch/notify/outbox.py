"""When to try a delivery again. Pure: the decision is returned, the outbox writes it down.

Exponential back-off with full jitter: a wait is drawn uniformly from zero to the doubling ceiling, so that many
deliveries that failed together do not come back together.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.records import Delivery

BASE = timedelta(seconds=2)
CAP = timedelta(hours=1)
AFTER_CAP = timedelta(hours=24)
"""The longest wait another side may ask for."""
MIN_ATTEMPTS = 10
"""Age alone gives nothing up: after a weekend switched off, the network may be seconds from being there (ten
tries spread over about a quarter of an hour)."""
ERROR_CHARS = 200


@dataclass(frozen=True)
class Retry:
    at: datetime


@dataclass(frozen=True)
class Dead:
    pass


def is_due(delivery: Delivery, now: datetime) -> bool:
    """Its time has come, or lies further ahead than any wait we ever set: then the clock was wrong when it was set."""
    return delivery.next_try_at <= now or delivery.next_try_at > now + AFTER_CAP


def is_expired(delivery: Delivery, now: datetime) -> bool:
    return delivery.notice.expires_at is not None and delivery.notice.expires_at <= now


def backoff(failures: int, rng: random.Random, after: timedelta | None = None) -> timedelta:
    """The wait after the `failures`-th failure in a row; the other side's own wish counts when it is longer."""
    doublings = min(failures - 1, 30)  # the cap is long reached, and the number still an ordinary one
    ceiling = min(CAP, BASE * (1 << doublings))
    wait = ceiling * rng.random()
    return max(wait, min(after, AFTER_CAP)) if after is not None else wait


def after_failure(
    delivery: Delivery, now: datetime, rng: random.Random, *, after: timedelta | None, give_up_after: timedelta
) -> Retry | Dead:
    """What becomes of a delivery whose try at `now` failed (`delivery` as it was before that try)."""
    failures = delivery.attempts + 1
    if now - delivery.notice.created_at >= give_up_after and failures >= MIN_ATTEMPTS:
        return Dead()
    return Retry(now + backoff(failures, rng, after))


def short(reason: str) -> str:
    """One line of at most 200 characters."""
    line = " ".join(reason.split())
    return line if len(line) <= ERROR_CHARS else f"{line[: ERROR_CHARS - 1]}…"
