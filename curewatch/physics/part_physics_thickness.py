"""From what was poured to a wet thickness. A notched comb gauge (ASTM D4414) reads it and needs none of this."""

from __future__ import annotations


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
