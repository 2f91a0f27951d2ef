"""The low batteries that the store remembers: a deadband needs to know which were low before."""

from __future__ import annotations

import json
from collections.abc import Sequence

from pydantic import ValidationError

from curewatch.store import Transaction
from curewatch.studio.air.batteries import LowBattery

LOW = "batteries_low"
"""The store's mark of them, as JSON."""


def known(tx: Transaction) -> tuple[LowBattery, ...]:
    """What was stored last; none where that is of another curewatch and not understood: they are judged anew."""
    try:
        return tuple(LowBattery.model_validate(one) for one in json.loads(tx.get_meta(LOW) or "[]"))
    except (ValidationError, ValueError, TypeError):
        return ()


def keep(tx: Transaction, low: Sequence[LowBattery]) -> None:
    tx.set_meta(LOW, json.dumps([one.model_dump(mode="json") for one in low]))
