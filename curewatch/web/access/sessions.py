"""Who a browser is: a signed cookie, and the token that its forms must bring back.

The cookie says until when it holds and what it may do, and is signed (HMAC-SHA-256, RFC 2104) with a key that the
store keeps, so nobody is logged out by a restart. The key is mixed with the password's hash: a new password ends
every session. A form's token is made from the cookie with the same key: another site can send the cookie, not that.
When a cookie ends stands in it, and not in the signer's own timestamp, which would be of another clock than ours.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum

from itsdangerous import BadData, Signer, URLSafeSerializer

from curewatch.store import Store

COOKIE = "curewatch"
LASTS = timedelta(days=30)
_KEY = "page_key"


class Scope(IntEnum):
    """What somebody may do; each includes the ones before."""

    NOBODY = 0
    READ = 1
    RECORD = 2
    ADMIN = 3


@dataclass(frozen=True)
class Session:
    """One browser's, for as long as `until`."""

    cookie: str
    scope: Scope
    until: datetime
    by: str = ""
    """Mark of the link that opened it; empty for one that a password did. It ends when that link is taken back."""


class Sessions:
    """Makes cookies, and knows its own again."""

    def __init__(self, store: Store, password_hash: str | None) -> None:
        kept = _kept_key(store)
        key = hashlib.sha256((kept + (password_hash or "")).encode()).digest()
        signed = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
        self._cookies = URLSafeSerializer(key, salt="cookie", signer_kwargs=signed)
        self._forms = Signer(key, salt="form", key_derivation="hmac", digest_method=hashlib.sha256)
        self._lasting = hashlib.sha256(f"labels {kept}".encode()).digest()

    def begin(self, scope: Scope, now: datetime, lasts: timedelta = LASTS, by: str = "") -> Session:
        until = (now + lasts).replace(microsecond=0)
        cookie = self._cookies.dumps([int(until.timestamp()), int(scope), secrets.token_urlsafe(12), by])
        return Session(str(cookie), scope, until, by)

    def known(self, cookie: str | None, now: datetime) -> Session | None:
        """The session of this cookie, None if it is not ours or has ended."""
        try:
            until_s, scope, _, by = self._cookies.loads(cookie or "")
        except BadData:
            return None
        found = Session(cookie or "", Scope(scope), datetime.fromtimestamp(until_s, UTC), by)
        return found if now < found.until <= now + LASTS else None

    def form_token(self, session: Session) -> str:
        return self._forms.get_signature(session.cookie).decode()

    def is_form_token(self, token: str, session: Session | None) -> bool:
        return session is not None and self._forms.verify_signature(session.cookie, token)

    def label_code(self, piece_id: int) -> str:
        """A short code of a piece for its label, always the same; it says nothing of the piece."""
        made = hmac.new(self._lasting, str(piece_id).encode(), hashlib.sha256).digest()
        return base64.b32encode(made)[:12].decode().lower()


def _kept_key(store: Store) -> str:
    with store.read() as tx:
        kept = tx.get_meta(_KEY)
    if kept is not None:
        return kept
    with store.write() as tx:
        kept = tx.get_meta(_KEY)  # another process may have been faster
        if kept is None:
            kept = secrets.token_hex(32)
            tx.set_meta(_KEY, kept)
    return kept
