"""Column types and rules the tables share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import StrEnum

from sqlalchemy import BigInteger, Dialect, Enum, String
from sqlalchemy.types import TypeDecorator

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_micros(at: datetime) -> int:
    """Microseconds since the epoch, exactly (no float in between). `at` must be aware."""
    return (at - EPOCH) // _MICROSECOND


def from_micros(micros: int) -> datetime:
    """The instant as aware UTC; the inverse of `to_micros`."""
    return EPOCH + timedelta(microseconds=micros)


class Instant(TypeDecorator[datetime]):
    """An instant as integer microseconds since the epoch (UTC).

    Integers, because order and equality must be exact: "the same time" decides what a duplicate is. As text,
    12:00:00 and 12:00:00.000000 differ and offsets sort wrongly; as floats, two databases may round apart;
    and SQLite has no type for time at all. An integer means the same everywhere.
    """

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:
        return None if value is None else to_micros(value)

    def process_result_value(self, value: int | None, dialect: Dialect) -> datetime | None:
        return None if value is None else from_micros(value)


def one_of(kind: type[StrEnum], name: str) -> Enum:
    """Text that must be one of the enum's values; `name` names the CHECK.

    Not the database's own enum type: SQLite has none, and PostgreSQL's cannot be changed inside a transaction.
    """
    return Enum(
        kind,
        name=name,
        native_enum=False,
        create_constraint=True,
        length=20,
        values_callable=lambda members: [member.value for member in members],
    )


NAME = String(80)
"""A name people gave. Compared exactly, byte for byte: 'Rack' and 'rack' are two names."""
