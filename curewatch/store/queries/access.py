"""Who gets into the page: tokens that were given out, and the browsers that are in; and what those sent by number."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Column,
    ForeignKey,
    Integer,
    String,
    Table,
    and_,
    delete,
    insert,
    or_,
    select,
    update,
)

from curewatch.records.access import PageSession, PageToken, TokenKind
from curewatch.store.engine import NAME, Instant, one_of
from curewatch.store.queries.base import Rows
from curewatch.store.tables import metadata

page_tokens = Table(
    "page_tokens",
    metadata,
    # Of the word itself nothing is kept: who reads the store does not get in by it.
    Column("hash", String(64), primary_key=True),
    Column("name", NAME, nullable=False, unique=True),
    Column("kind", one_of(TokenKind, "kind"), nullable=False),
    Column("made_at", Instant, nullable=False),
    Column("until", Instant),
    Column("used_at", Instant),
)
page_sessions = Table(
    "page_sessions",
    metadata,
    Column("hash", String(64), primary_key=True),
    Column("scope", Integer, nullable=False),
    Column("begun_at", Instant, nullable=False),
    Column("seen_at", Instant, nullable=False),
    Column("until", Instant, nullable=False),
    # This prevents a visit from outlasting the link that opened it.
    Column("by", ForeignKey("page_tokens.hash", ondelete="CASCADE"), index=True),
    Column("password", String(64), nullable=False),
    Column("address", String(80), nullable=False),
    Column("browser", String(80), nullable=False),
    # This prevents a session that could do nothing, or more than everything.
    CheckConstraint("scope BETWEEN 1 AND 3", name="scope"),
)
sent = Table(
    "sent",
    metadata,
    # This prevents what a device sends twice, not knowing whether it arrived, from being two facts.
    Column("number", String(64), primary_key=True),
    Column("at", Instant, nullable=False),
    # What came of it: as it is called where it can be taken back.
    Column("kind", String(20), nullable=False),
    Column("of", JSON, nullable=False),
)
_TOKENS, _SESSIONS = page_tokens.c, page_sessions.c
SENT_KEPT = timedelta(days=90)
"""A device that was out of reach for longer than that may be told of a piece that is here already."""


class Access(Rows):
    """Nothing here is a fact of the studio: it is not exported, and what has ended is deleted."""

    def page_tokens(self) -> list[PageToken]:
        """In the order they were made."""
        return self._records(PageToken, select(page_tokens).order_by(_TOKENS.made_at, _TOKENS.name))

    def page_token(self, hash: str) -> PageToken | None:
        return self._record(PageToken, select(page_tokens).where(_TOKENS.hash == hash))

    def add_page_token(self, token: PageToken) -> None:
        """FactRefused where its name is taken."""
        self._execute(insert(page_tokens), token.model_dump(), given=token.name)

    def page_token_used(self, hash: str, at: datetime) -> None:
        self._execute(update(page_tokens).where(_TOKENS.hash == hash).values(used_at=at), given=hash)

    def delete_page_token(self, name: str) -> None:
        """With the sessions that it opened."""
        self._execute(delete(page_tokens).where(_TOKENS.name == name), given=name)

    def page_sessions(self) -> list[PageSession]:
        """The one seen last first."""
        return self._records(PageSession, select(page_sessions).order_by(_SESSIONS.seen_at.desc(), _SESSIONS.hash))

    def page_session(self, hash: str) -> PageSession | None:
        return self._record(PageSession, select(page_sessions).where(_SESSIONS.hash == hash))

    def add_page_session(self, session: PageSession, *, of_its_kind: int) -> None:
        """At most `of_its_kind` that came the same way from the same address are kept, those seen last."""
        by = _SESSIONS.by.is_(None) if session.by is None else _SESSIONS.by == session.by
        same_way = and_(by, _SESSIONS.address == session.address)
        newest = select(_SESSIONS.hash).where(same_way).order_by(_SESSIONS.seen_at.desc()).limit(of_its_kind - 1)
        self._execute(delete(page_sessions).where(same_way, _SESSIONS.hash.not_in(newest)), given=session.hash)
        self._execute(insert(page_sessions), session.model_dump(), given=session.hash)

    def page_session_seen(self, hash: str, at: datetime) -> None:
        self._execute(update(page_sessions).where(_SESSIONS.hash == hash).values(seen_at=at), given=hash)

    def end_page_session(self, hash: str) -> None:
        self._execute(delete(page_sessions).where(_SESSIONS.hash == hash), given=hash)

    def end_page_sessions(
        self, *, over_at: datetime | None = None, idle_since: datetime | None = None, password: str | None = None
    ) -> None:
        """Those that are over, not seen since then, or begun under another password; all where none is said."""
        ended = []
        if over_at is not None:
            ended.append(_SESSIONS.until <= over_at)
        if idle_since is not None:
            ended.append(_SESSIONS.seen_at < idle_since)
        if password is not None:
            ended.append(_SESSIONS.password != password)
        self._execute(delete(page_sessions).where(or_(*ended)) if ended else delete(page_sessions), given="sessions")

    def came_of(self, number: str) -> tuple[str, list[str]] | None:
        """What was logged when this number was sent; None: it was not."""
        row = self._connection.execute(select(sent.c.kind, sent.c.of).where(sent.c.number == number)).one_or_none()
        return None if row is None else (row.kind, row.of)

    def note_sent(self, number: str, at: datetime, kind: str, of: list[str]) -> None:
        """Beside the fact itself, in its transaction. FactRefused where the number was sent before."""
        self._execute(delete(sent).where(sent.c.at < at - SENT_KEPT), given=number)
        self._execute(insert(sent), {"number": number, "at": at, "kind": kind, "of": of}, given=number)
