"""Who a browser is: its cookie, and the token that its forms must bring back.

Whoever was let in has a cookie of chance (256 bits), and the store keeps its hash with what it may do, from when, under
which password and by which link: so leaving, being logged out from elsewhere, a new password and a link taken back end
it here and not only in the browser. Whoever was not let in has a signed cookie that says nothing, so that the form of
the password has its token too, and nothing of it is stored. A form's token is made from the cookie with a key that the
store keeps (HMAC-SHA-256, RFC 2104): another site can send the cookie, not that.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from itsdangerous import BadSignature, Signer

from curewatch.records.access import PageSession, PageToken, Scope
from curewatch.store import Store, StoreError
from curewatch.web.access.passwords import Password

LASTS, IDLE = timedelta(days=30), timedelta(days=7)
"""A session ends so long after it began, and so long after it was last seen."""
SEEN_EVERY = timedelta(minutes=10)
"""How closely it is written down when a browser or a token was last seen."""
FROM_ADDRESS_MOST = 80
"""Sessions that the password, or one link, opened from one address; of more, the one not seen for longest ends."""
_KEY = "page_key"


@dataclass(frozen=True)
class Session:
    """One browser's."""

    cookie: str
    scope: Scope
    until: datetime | None = None
    """None: kept nowhere, so it ends with the browser."""
    name: str | None = None
    """Of the link that opened it."""


class Sessions:
    """Makes cookies, and knows its own again."""

    def __init__(self, store: Store, password: Password) -> None:
        self._store, self._password = store, password
        kept = _kept_key(store)
        self._strangers, self._forms, self._browsers = (
            Signer(hashlib.sha256(kept.encode()).digest(), salt, key_derivation="hmac", digest_method=hashlib.sha256)
            for salt in ("stranger", "form", "browser")
        )
        self._lasting = hashlib.sha256(f"labels {kept}".encode()).digest()

    def stranger(self) -> Session:
        """One that was not let in, or on a page that lets everybody in."""
        cookie = self._strangers.sign(secrets.token_urlsafe(16)).decode()
        return Session(cookie, Scope.NOBODY if self._password.is_set else Scope.ADMIN)

    def begin(
        self, scope: Scope, now: datetime, lasts: timedelta = LASTS,
        *, by: PageToken | None = None, come: tuple[str, str] = ("", ""),
    ) -> Session:  # fmt: skip
        """Let a browser in; `come`: its address and what it is called. What has ended meanwhile is forgotten."""
        cookie, mark = secrets.token_urlsafe(32), self._password.mark()
        until = min(now + lasts, by.until) if by is not None and by.until is not None else now + lasts
        kept = PageSession(
            hash=_hashed(cookie), scope=scope, begun_at=now, seen_at=now, until=until,
            by=None if by is None else by.hash, password=mark, address=come[0][:80], browser=come[1][:80],
        )  # fmt: skip
        with self._store.write() as tx:
            tx.end_page_sessions(over_at=now, idle_since=now - IDLE, password=mark)
            tx.add_page_session(kept, of_its_kind=FROM_ADDRESS_MOST)
        return Session(cookie, scope, until)

    def known(self, cookie: str | None, now: datetime) -> Session | None:
        """The session of this cookie, None if it is not ours or has ended."""
        if not cookie:
            return None
        if "." in cookie:  # which chance never has
            signed = self._strangers.validate(cookie)
            return Session(cookie, Scope.NOBODY if self._password.is_set else Scope.ADMIN) if signed else None
        with self._store.read() as tx:
            kept = tx.page_session(_hashed(cookie))
            link = tx.page_token(kept.by) if kept is not None and kept.by is not None else None
        if kept is None or kept.password != self._password.mark() or not now - IDLE <= kept.seen_at:
            return None
        if not now < kept.until <= now + LASTS:
            return None
        if not timedelta() <= now - kept.seen_at < SEEN_EVERY:
            with suppress(StoreError), self._store.write() as tx:  # a disk that is full locks nobody out
                tx.page_session_seen(kept.hash, now)
        return Session(cookie, kept.scope, kept.until, link.name if link else None)

    def all(self, now: datetime) -> list[PageSession]:
        """Those that are in, the one seen last first."""
        with self._store.read() as tx:
            found, mark = tx.page_sessions(), self._password.mark()
        return [one for one in found if one.password == mark and one.until > now and one.seen_at >= now - IDLE]

    def end(self, hash: str) -> None:
        """Whoever holds that cookie is let in no more."""
        with self._store.write() as tx:
            tx.end_page_session(hash)

    def end_all(self) -> None:
        with self._store.write() as tx:
            tx.end_page_sessions()

    def hash_of(self, session: Session) -> str:
        return _hashed(session.cookie)

    def known_browser(self, cookie: str | None) -> str | None:
        """The mark of a browser that was let in before, whatever has become of its session."""
        try:
            return self._browsers.unsign(cookie or "").decode()
        except BadSignature:
            return None

    def browser_mark(self) -> str:
        return self._browsers.sign(secrets.token_urlsafe(16)).decode()

    def form_token(self, session: Session) -> str:
        return self._forms.get_signature(session.cookie).decode()

    def is_form_token(self, token: str, session: Session | None) -> bool:
        return session is not None and self._forms.verify_signature(session.cookie, token)

    def label_code(self, piece_id: int) -> str:
        """A short code of a piece for its label, always the same; it says nothing of the piece."""
        made = hmac.new(self._lasting, str(piece_id).encode(), hashlib.sha256).digest()
        return base64.b32encode(made)[:12].decode().lower()


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()


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
