"""Who gets into the page: what was given out to get in by, and the browsers that are in."""

from __future__ import annotations

from datetime import datetime
from enum import IntEnum, StrEnum

from curewatch.records.facts import Name, Record


class Scope(IntEnum):
    """What somebody may do; each includes the ones before."""

    NOBODY = 0
    READ = 1
    RECORD = 2
    ADMIN = 3


class TokenKind(StrEnum):
    """What a token is good for."""

    READ = "read"
    RECORD = "record"
    """A program's, or as a link that opens the page: its name stands beside what is logged."""
    ADMIN = "admin"
    CLASS = "class"
    """A link that opens the page for looking only."""
    CALENDAR = "calendar"
    """The private link of the calendar feed, and nothing else."""

    @property
    def scope(self) -> Scope:
        """What a program that brings it may do."""
        return {"read": Scope.READ, "record": Scope.RECORD, "admin": Scope.ADMIN}.get(self.value, Scope.NOBODY)

    @property
    def opens(self) -> Scope:
        """What somebody may do who opens the page by it."""
        return {"class": Scope.READ, "record": Scope.RECORD}.get(self.value, Scope.NOBODY)


class PageToken(Record):
    """A long random word that was given out; only its hash is known."""

    hash: str
    name: Name
    kind: TokenKind
    made_at: datetime
    until: datetime | None = None
    """None: for good."""
    used_at: datetime | None = None
    """To the few minutes; None: never."""


class PageSession(Record):
    """A browser that was let in; only the hash of its cookie is known."""

    hash: str
    scope: Scope
    begun_at: datetime
    seen_at: datetime
    """To the few minutes."""
    until: datetime
    by: str | None = None
    """Hash of the token whose link it came by; None: by the password."""
    password: str = ""
    """Mark of the password it was begun under."""
    address: str = ""
    browser: str = ""
