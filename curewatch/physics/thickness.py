"""From what the painter knows to a wet thickness: volume left on the piece over its area, or a word for a layer.

A notched comb gauge (ASTM D4414) reads the thickness itself and needs nothing of this.
"""

from __future__ import annotations

LAYERS = {"thin": 0.6e-3, "medium": 1.2e-3, "thick": 2.4e-3}
"""Wet thickness [m] behind a word: common practice, no source. A common pour is 1-1.8 mm."""


def wet_thickness(poured: float, ran_off: float, area: float) -> float:
    """Mean wet thickness [m] of what stays: `poured` less `ran_off` [m3] over `area` [m2].

    Rule for a bound (common practice): 1 US fl oz on 25 square inches is 1.83 mm before anything runs off.
    Raises ValueError where nothing stays, or for an area that is none.
    """
    if not area > 0:
        raise ValueError(f"an area must be above 0 m2, got {area}")
    if not 0 <= ran_off < poured:
        raise ValueError(f"what ran off must be from 0 to less than what was poured ({poured} m3), got {ran_off} m3")
    return (poured - ran_off) / area
