"""What lies behind a film: how heat comes through it, what water it soaks up, and what vapour it lets through.

No measurement of these for painters' supports is public; each number is calibration [cal] within the bounds named with
it, and none is known better than to a factor of two. What is sure is the order: glass, a glazed tile and a sealed panel
take nothing, a raw panel takes water until it is full, a primed canvas breathes a little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from curewatch.physics.evaporation import H_BACK
from curewatch.physics.supports import back_conductance

PRIMED_CANVAS_S_D = 0.44
"""Vapour resistance of a primed canvas [m of still air] [cal]: amid the middle class, 0.14 to 1.4 m, into which EN 1062
sorts water-borne coatings by ISO 7783. The weave itself resists like a few millimetres."""
BEHIND_CANVAS_K_M = 2e-3
"""Mass transfer into the still air behind it [m/s]: that of `evaporation.mass_transfer` at 0.1 m/s along 25 cm."""
RAW_PANEL_M = 0.3e-3
"""What an unsealed wooden panel soaks up of a pour [m of water] [cal]: no source; a few days of it swell the panel."""
RAW_PANEL_S = 4 * 3600.0
"""Time in which it would be two thirds full of clear water [s] [cal]: no source."""


@dataclass(frozen=True)
class Backing:
    """A support, in the film's terms."""

    h_back: float
    """Heat through the back [W/(m2 K)]."""
    sink_m: float = 0.0
    """What it soaks up [m3 of water per m2]."""
    sink_rate: float = 0.0
    """How fast it does while it is empty [m/s]."""
    back_loss: float = 0.0
    """Conductance for vapour through the back [m/s]."""


_CLEAR, _LYING = H_BACK["canvas"], H_BACK["board"]

BACKINGS: Mapping[str, Backing] = {
    "canvas": Backing(_CLEAR, back_loss=back_conductance(PRIMED_CANVAS_S_D, BEHIND_CANVAS_K_M)),
    "board": Backing(_LYING),
    "panel": Backing(_CLEAR),
    "raw-panel": Backing(_CLEAR, sink_m=RAW_PANEL_M, sink_rate=RAW_PANEL_M / RAW_PANEL_S),
    "tile": Backing(_LYING),
    "glass": Backing(_LYING),
}
"""By the support's name: a primed canvas on stretchers, a board lying on the table, a wooden panel sealed or raw that
stands clear of it, a glazed tile and a sheet of glass lying on it."""
