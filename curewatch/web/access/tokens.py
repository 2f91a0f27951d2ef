"""Tokens for programs, classes and calendars: long random words, of which only a hash is kept.

They are not guessed (256 bits of chance), so a plain SHA-256 keeps them; a slow hash is for passwords.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from curewatch.records import Name
from curewatch.store import Store, Transaction
from curewatch.web.access.sessions import Scope

_KEPT = "page_tokens"
MOST = 50


class TokenKind(StrEnum):
    """What a token is good for."""

    READ = "read"
    RECORD = "record"
    ADMIN = "admin"
    CLASS = "class"
    """A link that opens the page for looking only."""
    CALENDAR = "calendar"
    """The private link of the calendar feed, and nothing else."""

    @property
    def scope(self) -> Scope:
        """What a program that brings it may do."""
        return {"read": Scope.READ, "record": Scope.RECORD, "admin": Scope.ADMIN}.get(self.value, Scope.NOBODY)


@dataclass(frozen=True)
class Token:
    name: Name
    kind: TokenKind
    made_at: str
    hash: str

    @property
    def mark(self) -> str:
        """What a session that this token opened carries: says which token, and is of no use to get in."""
        return self.hash[:16]


class Tokens:
    """The tokens of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def all(self) -> list[Token]:
        with self._store.read() as tx:
            return _read(tx)

    def make(self, name: str, kind: TokenKind, now: datetime) -> str:
        """A new token, told once. ValueError where the name is taken or there are too many."""
        secret = secrets.token_urlsafe(32)
        with self._store.write() as tx:
            known = _read(tx)
            if any(token.name == name for token in known):
                raise ValueError("a name that no other token bears")
            if len(known) >= MOST:
                raise ValueError(f"at most {MOST} tokens; take one back first")
            _write(tx, [*known, Token(name, kind, now.isoformat(timespec="seconds"), _hashed(secret))])
        return secret

    def take_back(self, name: str) -> None:
        """Whoever holds the token of that name is let in no more."""
        with self._store.write() as tx:
            _write(tx, [token for token in _read(tx) if token.name != name])

    def known(self, secret: str) -> Token | None:
        hashed = _hashed(secret)
        return next((token for token in self.all() if hmac.compare_digest(token.hash, hashed)), None)

    def holds(self, mark: str) -> bool:
        """Whether the token of that mark is still given out."""
        return any(token.mark == mark for token in self.all())


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _read(tx: Transaction) -> list[Token]:
    kept = json.loads(tx.get_meta(_KEPT) or "[]")
    return [Token(one["name"], TokenKind(one["kind"]), one["made_at"], one["hash"]) for one in kept]


def _write(tx: Transaction, tokens: list[Token]) -> None:
    rows = [{"name": t.name, "kind": t.kind.value, "made_at": t.made_at, "hash": t.hash} for t in tokens]
    tx.set_meta(_KEPT, json.dumps(rows))
