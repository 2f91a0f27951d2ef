"""Power cuts: the store's code on a disk that drops and tears whatever was not synced, cut several hundred times.

Beside it the same campaign with weaker syncing, which has to lose or to spoil: else the harness would prove nothing.
FULL spoils only what a cut catches soon after the tables were made, and loses nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from tests.shell.power_cuts import Tally, campaign

LONG = True
"""Two to five minutes."""

SEED = 20261125
ROUNDS, CUTS = 20, 25
WEAKER_ROUNDS = 4


def lines() -> Iterator[Mapping[str, Any]]:
    for synchronous in ("EXTRA", "FULL", "NORMAL", "OFF"):
        tally = campaign(ROUNDS if synchronous == "EXTRA" else WEAKER_ROUNDS, CUTS, SEED, synchronous=synchronous)
        name = "power_cuts" if synchronous == "EXTRA" else f"power_cuts_synchronous_{synchronous.lower()}"
        yield from _lines(name, tally)


def _lines(name: str, tally: Tally) -> Iterator[Mapping[str, Any]]:
    shared = {"baseline": None, "ratio": None, "cuts": tally.cuts, "seed": SEED, "acknowledged": tally.acknowledged}
    yield {"name": f"{name}_lost", "value": tally.lost, "unit": "cuts", **shared}
    yield {"name": f"{name}_corrupt", "value": tally.corrupt, "unit": "cuts", **shared, "said": tally.said[:5]}
