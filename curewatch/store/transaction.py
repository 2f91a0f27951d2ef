"""One transaction: everything that can be read and written, in records."""

from __future__ import annotations

from curewatch.store.queries.access import Access
from curewatch.store.queries.corrections import Corrections
from curewatch.store.queries.decisions import AlarmHistory, Checkpoints, Decisions
from curewatch.store.queries.facts import Facts
from curewatch.store.queries.importing import Import
from curewatch.store.queries.observations import Observations, Workshop
from curewatch.store.queries.outbox import Outbox
from curewatch.store.queries.readings import PendingMessages, Readings
from curewatch.store.queries.undo import Undo


class Transaction(
    Facts,
    Corrections,
    Observations,
    Readings,
    Decisions,
    Checkpoints,
    AlarmHistory,
    Outbox,
    Undo,
    Import,
    Workshop,
    PendingMessages,
    Access,
):
    """Made by `Store.read` and `Store.write`, and of use only inside their `with` block."""
