"""Hypothesis draws new inputs at each run here, and the same ones under CI: a submission stands or falls by itself."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True, database=None)
if os.environ.get("CI") == "true":
    settings.load_profile("ci")
