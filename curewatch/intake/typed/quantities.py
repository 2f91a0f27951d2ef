"""Wet layers that people name by a word where nobody has measured."""

from __future__ import annotations

from collections.abc import Mapping

LAYERS_M: Mapping[str, float] = {"thin": 0.6e-3, "medium": 1.2e-3, "thick": 2.4e-3}
"""What a word stands for [m]: calibration. A common pour is 1-1.8 mm; the spread of a layer (model section 6) makes
each word's 10-90 % reach to about its neighbours'."""
