"""One message as it came off the network."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple


class ReceivedMessage(NamedTuple):
    """One message as it came off the network. `topic` is None where it is not UTF-8.

    A tuple: one is made for every message on the thread that reads from the network, which must not fall behind.
    """

    topic: str | None
    payload: bytes
    mid: int
    qos: int
    retained: bool
    received_at: datetime
    monotonic: float
    connection: int
    """Which connection it came through: its message id means nothing on another."""
    late: timedelta | None
    """How long the broker may have kept it; None: since the last contact of an earlier run."""
    boottime: float = 0.0
    """When it came, on the clock that nobody sets [s since the machine started]."""
