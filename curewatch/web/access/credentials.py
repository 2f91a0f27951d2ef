"""How somebody is known: by the page's one password, by a browser's session, by a token.

The password is kept as argon2id (RFC 9106), with a brake on guessing that stops the guesser and not the owner. Whoever
was let in has a cookie of chance (256 bits), and the store keeps its hash with what it may do, from when, under which
password and by which link: so leaving, being logged out from elsewhere, a new password and a link taken back end it
here and not only in the browser. Whoever was not let in has a signed cookie that says nothing, so that the form of the
password has its token too, and nothing of it is stored. A form's token is made from the cookie with a key that the
store keeps (HMAC-SHA-256, RFC 2104): another site can send the cookie, not that. Tokens for programs, classes and
calendars are long random words; nobody guesses 256 bits of chance, so a plain SHA-256 keeps them, as it keeps cookies.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import secrets
import threading
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import unquote

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY
from itsdangerous import BadSignature, Signer

from curewatch.clock import Clock
from curewatch.intake.typed.names import named
from curewatch.records.access import PageSession, PageToken, Scope, TokenKind
from curewatch.records.errors import Field, InputError
from curewatch.settings import WebSettings
from curewatch.store import Store, StoreError

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
        """Another one each time: from the lengths of pages that are sent packed nobody can guess it piece by piece."""
        salt = secrets.token_hex(8)
        return f"{salt}.{self._forms.get_signature(f'{salt}.{session.cookie}').decode()}"

    def is_form_token(self, token: str, session: Session | None) -> bool:
        salt, _, signature = token.partition(".")
        return session is not None and self._forms.verify_signature(f"{salt}.{session.cookie}", signature)

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


SHORTEST, LONGEST = 8, 200
TRIES, WITHIN_S = 5, 300.0
"""Wrong passwords from one address within so many seconds, until it has to wait; and so of one browser known here."""
TRIES_OF_ALL = 40
"""The same for all addresses together, against guessing from many. A browser that was let in before is not of these:
it bears a mark (OWASP, "Slow down online guessing attacks with device cookies") and is counted by itself."""
ADDRESSES = 1000
"""Addresses and browsers remembered at most."""
_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


def hash_of(password: str) -> str:
    """What a password file holds. ValueError for one that is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ValueError(f"a password of {SHORTEST} to {LONGEST} characters")
    return _hasher.hash(password)


class Password:
    """What the password file holds now: it is read again whenever it has become another."""

    def __init__(self, settings: WebSettings) -> None:
        """Raises SettingsError where a password is needed and there is none."""
        self._settings, self._lock = settings, threading.Lock()
        self._seen: object = None
        self._held: str | None = None
        self.hash()

    @property
    def is_set(self) -> bool:
        return self._settings.password_file is not None

    def hash(self) -> str | None:
        """None where there is none. SettingsError where the file can no longer be read: then nobody is let in."""
        seen = _state(self._settings.password_file)
        with self._lock:
            if seen is None or seen != self._seen:
                held = self._settings.password_hash()
                self._held, self._seen = None if held is None else held.get_secret_value(), seen
            return self._held

    def mark(self) -> str:
        """Says which password it is, and is of no use to find it."""
        return hashlib.sha256(f"mark {self.hash()}".encode()).hexdigest()[:32] if self.is_set else ""


def _state(path: Path | None) -> object:
    """What is another once the file is; None where that cannot be told."""
    try:
        found = None if path is None else path.stat()
    except (OSError, ValueError):
        return None
    return None if found is None else (found.st_mtime_ns, found.st_size, found.st_ino)


class TooManyAttempts(Exception):
    """Too many wrong passwords came from there; the next is tried in `seconds`."""

    def __init__(self, seconds: float) -> None:
        super().__init__(seconds)
        self.seconds = seconds


class PasswordCheck:
    """Tries passwords, one at a time: each try costs 64 MiB and a moment, by design."""

    def __init__(self, password: Password, clock: Clock) -> None:
        self._password, self._clock, self._lock = password, clock, threading.Lock()
        self._failed: dict[str, deque[float]] = {}
        self._failed_by_all: deque[float] = deque()

    def verify(self, address: str, password: str, known_browser: str | None = None) -> bool:
        """Whether it is the password; remembers a wrong one. Raises TooManyAttempts, the password untried.

        `known_browser` is the mark of one that was let in before.
        """
        who = f"browser {known_browser}" if known_browser else _network(address)
        with self._lock:  # asked and tried in one: else many that come at once would all find no need to wait
            counted = [(self._failed.get(who, deque()), TRIES)]
            if not known_browser:
                counted.append((self._failed_by_all, TRIES_OF_ALL))
            now = self._clock.monotonic()
            if (wait_s := max(_left_s(failed, most, now) for failed, most in counted)) > 0:
                raise TooManyAttempts(wait_s)
            if len(password) <= LONGEST and self._verifies(password):
                self._failed.pop(who, None)
                return True
            if who not in self._failed and len(self._failed) >= ADDRESSES:
                self._failed.pop(next(iter(self._failed)))
            counted[0] = (self._failed.setdefault(who, deque()), TRIES)
            for failed, most in counted:
                failed.append(self._clock.monotonic())
                while len(failed) > most:
                    failed.popleft()
            return False

    def _verifies(self, password: str) -> bool:
        try:
            return _hasher.verify(self._password.hash() or "", password)
        except (VerificationError, InvalidHashError):
            return False


def _left_s(failed: deque[float], tries: int, now: float) -> float:
    return 0.0 if len(failed) < tries else max(0.0, failed[0] + WITHIN_S - now)


def _network(address: str) -> str:
    """An IPv6 address as the /64 it is of: who has one has all of it."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is None:
        return str(ipaddress.ip_network((found, 64), strict=False))
    return address


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


OWN_NAME = "curewatch_name"
"""The cookie of what somebody calls themselves on this device: it says who logged something, and opens nothing."""


def own_name(said: str | None) -> str | None:
    """The name that this cookie holds, as `quote` wrote it; None where it is none."""
    try:
        return named(unquote(said), Field.BY) if said else None
    except InputError:
        return None
