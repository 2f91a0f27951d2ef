"""Tokens for programs, classes and calendars: long random words, of which only a hash is kept.

They are not guessed (256 bits of chance), so a plain SHA-256 keeps them; a slow hash is for passwords.
"""

from __future__ import annotations

import hashlib
import secrets
from contextlib import suppress
from datetime import datetime, timedelta

from curewatch.records.access import PageToken, TokenKind
from curewatch.store import Store, StoreError
from curewatch.web.access.sessions import SEEN_EVERY

MOST = 50
DAYS_MOST = 3650


class Tokens:
    """The tokens of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def all(self) -> list[PageToken]:
        with self._store.read() as tx:
            return tx.page_tokens()

    def make(self, name: str, kind: TokenKind, now: datetime, days: int | None = None) -> str:
        """A new token for so many days, told once. ValueError where the name is taken or there are too many."""
        secret = secrets.token_urlsafe(32)
        until = None if days is None else now + timedelta(days=days)
        with self._store.write() as tx:
            known = tx.page_tokens()
            if any(token.name == name for token in known):
                raise ValueError("a name that no other token bears")
            if len(known) >= MOST:
                raise ValueError(f"at most {MOST} tokens; take one back first")
            tx.add_page_token(PageToken(hash=_hashed(secret), name=name, kind=kind, made_at=now, until=until))
        return secret

    def take_back(self, name: str) -> None:
        """Whoever holds the token of that name is let in no more, nor whoever came by it."""
        with self._store.write() as tx:
            tx.delete_page_token(name)

    def known(self, secret: str, now: datetime) -> PageToken | None:
        """The token of that word, unless it is over. That it was used is written down."""
        with self._store.read() as tx:
            token = tx.page_token(_hashed(secret))
        if token is None or (token.until is not None and token.until <= now):
            return None
        if token.used_at is None or not timedelta() <= now - token.used_at < SEEN_EVERY:
            with suppress(StoreError), self._store.write() as tx:
                tx.page_token_used(token.hash, now)
        return token


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()
