"""How much is tried where more of the same can always be: 1 in a check, more where CUREWATCH_TEST_THOROUGH says so."""

from __future__ import annotations

import os

THOROUGH = int(os.environ.get("CUREWATCH_TEST_THOROUGH", "1"))
