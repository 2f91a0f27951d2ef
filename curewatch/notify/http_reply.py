"""What an HTTP answer, or the lack of one, means for a delivery. In plain words, and never quoting the address:
its path, query and user part may be secrets."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http import HTTPStatus

import requests

from curewatch.notify.channel import GiveUp, TryLater

_AFTER_MAX = timedelta(days=365)


def refuse_unless_taken(status: int, retry_after: str | None, now: datetime) -> None:
    """Return for 2xx. 410 raises GiveUp; every other status TryLater, with Retry-After where it is defined."""
    if 200 <= status < 300:
        return
    answer = f"answered {status} {_phrase(status)}".rstrip()
    if status == HTTPStatus.GONE:
        raise GiveUp(f"{answer}: the receiver no longer wants notices")
    if 300 <= status < 400:
        raise TryLater(f"{answer}: redirects are not followed; put the new address in the settings, [webhook] url")
    if status in (HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE):
        raise TryLater(answer, after=read_retry_after(retry_after, now))
    if status in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN):
        raise TryLater(f"{answer}: check the address and the secret in the settings, [webhook]")
    raise TryLater(answer)


def read_retry_after(value: str | None, now: datetime) -> timedelta | None:
    """RFC 9110 section 10.2.3: seconds or an HTTP date. None for anything else, or a date that has passed."""
    if value is None:
        return None
    value = value.strip()
    if value.isascii() and value.isdigit():
        return min(_AFTER_MAX, timedelta(seconds=int(value))) if len(value) <= 9 else _AFTER_MAX
    try:
        at = parsedate_to_datetime(value)
    except (ValueError, OverflowError):
        return None
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at
    return at - now if at > now else None


def failure_in_words(error: requests.RequestException, place: str, timeout_s: float) -> str:
    """Why there was no answer from `place` (host and port)."""
    for cause in _causes(error):
        if (why := unreached(cause, place)) is not None:
            return why
    if isinstance(error, requests.exceptions.ProxyError):
        return f"the proxy on the way to {place} does not let the request through"
    if isinstance(error, requests.ConnectTimeout):
        return f"{place} cannot be reached within {timeout_s:g} s"
    if isinstance(error, requests.Timeout):
        return f"{place} did not answer within {timeout_s:g} s"
    if isinstance(error, requests.ConnectionError):
        return f"the connection with {place} broke off, or could not be made"
    return f"the request to {place} failed ({type(error).__name__})"


def unreached(error: BaseException, place: str) -> str | None:
    """Why there is no connection with `place`; None for what says nothing of that."""
    match error:
        case ssl.SSLCertVerificationError():
            return f"the certificate of {place} is not trusted: {error.verify_message}"
        case ssl.SSLError():
            return f"no secure connection with {place}: {error.reason or 'TLS failed'}"
        case socket.gaierror():
            return f"the name of {place} cannot be looked up (is the network there?)"
        case ConnectionRefusedError():
            return f"{place} refuses connections"
    return None


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Everything an error carries inside: causes, contexts, arguments and urllib3's `reason`."""
    seen: set[int] = set()
    waiting: list[object] = [error]
    while waiting:
        item = waiting.pop()
        if not isinstance(item, BaseException) or id(item) in seen:
            continue
        seen.add(id(item))
        yield item
        waiting += [item.__cause__, item.__context__, getattr(item, "reason", None), *item.args]


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return ""
