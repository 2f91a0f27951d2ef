"""Notices as HTTP POST by the Standard Webhooks specification (standardwebhooks.com, version 1.0.0)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import string
from urllib.parse import urlsplit

import requests

from curewatch import __version__
from curewatch.clock import Clock
from curewatch.language import PLAIN, Reader, words_of
from curewatch.notify.channel import Flights, GiveUp, TryLater
from curewatch.notify.http_reply import failure_in_words, refuse_unless_taken
from curewatch.records import Notice

SECRET_PREFIX = "whsec_"
SECRET_BYTES = (24, 64)
"""The specification's range for a symmetric secret."""
PATIENCE_FACTOR, PATIENCE_MOST_S = 12, 120.0
"""Connecting has `timeout_s`, and so long a first wait is; an answer has this many times that [s]: a receiver that
takes its time would else get the same notice with every try."""


class Signer:
    """HMAC-SHA256 over `id.timestamp.body`. Holds the secret and shows it nowhere."""

    def __init__(self, secret: str) -> None:
        low, high = SECRET_BYTES
        allowed = f"a webhook secret is {SECRET_PREFIX!r} followed by base64 of {low} to {high} bytes"
        encoded = secret.strip()
        if not encoded.startswith(SECRET_PREFIX):
            raise ValueError(f"the secret given does not begin with {SECRET_PREFIX!r}; {allowed}")
        encoded = encoded.removeprefix(SECRET_PREFIX).rstrip("=")
        try:
            key = base64.b64decode(encoded + "=" * (-len(encoded) % 4), validate=True)
        except (binascii.Error, ValueError):
            raise ValueError(f"the secret given is not base64; {allowed}") from None
        if not low <= len(key) <= high:
            raise ValueError(f"the secret given holds {len(key)} bytes; {allowed}")
        self._key = key

    def __repr__(self) -> str:
        return "Signer(…)"

    def sign(self, message_id: str, timestamp: int, body: bytes) -> str:
        signed = f"{message_id}.{timestamp}.".encode() + body
        return "v1," + base64.b64encode(hmac.digest(self._key, signed, hashlib.sha256)).decode()


class Webhook:
    """The webhook channel. Without a signer the receiver cannot tell who sent a notice."""

    def __init__(
        self,
        url: str,
        clock: Clock,
        *,
        signer: Signer | None = None,
        timeout_s: float = 10.0,
        name: str = "webhook",
        reader: Reader = PLAIN,
    ) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError(f"the webhook's address has the scheme {parts.scheme!r}; allowed is http(s)://host/…")
        self._name, self._reader = name, reader
        self._url = url
        self._place = parts.hostname + (f":{parts.port}" if parts.port else "")
        self._clock = clock
        self._signer = signer
        self._timeout_s = timeout_s
        self._session = requests.Session()
        self._patience_s = max(timeout_s, min(timeout_s * PATIENCE_FACTOR, PATIENCE_MOST_S))
        self._flights = Flights(self._place, name, clock, timeout_s, self._patience_s)

    @property
    def name(self) -> str:
        return self._name

    def close(self) -> None:
        self._session.close()

    def send(self, notice: Notice) -> None:
        """POST the notice. Comes back within the timeout: InFlight where the answer is still to come."""
        body = body_of(notice, self._reader)
        headers = self._headers(id_of(notice.key), body)
        # No timeout of requests bounds name look-up, or an answer that drips in bytewise.
        self._flights.run(notice.key, lambda: self._post(headers, body))

    def _headers(self, message_id: str, body: bytes) -> dict[str, str]:
        timestamp = int(self._clock.now().timestamp())
        headers = {
            "content-type": "application/json",
            "user-agent": f"curewatch/{__version__}",
            "connection": "close",  # a notice or two a day: a kept connection would only go stale
            "webhook-id": message_id,
            "webhook-timestamp": str(timestamp),
        }
        if self._signer is not None:
            headers["webhook-signature"] = self._signer.sign(message_id, timestamp, body)
        return headers

    def _post(self, headers: dict[str, str], body: bytes) -> None:
        try:
            with self._session.post(
                self._url,
                data=body,
                headers=headers,
                timeout=(self._timeout_s, self._patience_s),
                allow_redirects=False,
                stream=True,  # the status is the answer; what the receiver writes under it is not waited for
            ) as response:
                retry_after = response.headers.get("retry-after")
        except requests.RequestException as error:
            within_s = self._timeout_s if isinstance(error, requests.ConnectTimeout) else self._patience_s
            raise TryLater(failure_in_words(error, self._place, within_s)) from None
        refuse_unless_taken(response.status_code, retry_after, self._clock.now())


def id_of(key: str) -> str:
    """A notice's key as the message's id, one for each: letters, digits, `-` and `_` as they are, else ~ and its bytes.

    A room's name may be in a key, and who names a room must not choose where the id ends: no full stop is in one, for
    those part what is signed (the specification, Signature scheme). Without a / it is one segment of a path, too.
    """
    return "".join(c if c in _AS_IT_IS else "".join(f"~{byte:02X}" for byte in c.encode()) for c in key)


_AS_IT_IS = frozenset(string.ascii_letters + string.digits + "-_")


def body_of(notice: Notice, reader: Reader = PLAIN) -> bytes:
    """The JSON that is sent and signed: the same bytes on every try. `reader`: the studio's."""
    told = [
        one | {name: reader.read(words_of(one[name])) for name in ("title", "text")}
        for one in notice.data.get("notices", ())
    ]
    data = {
        **notice.data,
        **({"notices": told} if told else {}),
        "key": notice.key,
        "kind": notice.kind,
        "title": reader.read(notice.title),
        "text": reader.read(notice.text),
        "urgent": notice.urgent,
        "piece_id": notice.piece_id,
        "room": notice.room,
        "expires_at": notice.expires_at.isoformat() if notice.expires_at else None,
    }
    message = {"type": f"curewatch.{notice.kind}", "timestamp": notice.created_at.isoformat(), "data": data}
    try:
        text = json.dumps(message, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        return text.encode("utf-8")
    except (TypeError, ValueError) as error:
        raise GiveUp(f"the notice cannot be written as JSON ({type(error).__name__})") from None
