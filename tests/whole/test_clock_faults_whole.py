"""The daemon under a clock that is set while it runs: nothing lost, nothing told twice, no impossible time written.

The other faults of clocks are in `tests/bench/bench_faults.py`: they take a minute and more.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shell.parts import has_mosquitto
from tests.whole.clock_faults import LIBRARY, no_battery_clock

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto"),
    pytest.mark.skipif(LIBRARY is None, reason="needs faketime"),
]


def test_a_board_without_a_battery_clock(tmp_path: Path) -> None:
    found = no_battery_clock(tmp_path)
    assert found == found | {"readings_sent": 60, "readings_lost": 0, "notices_lost": 0, "impossible_times": 0}
    assert found["notices_repeated"] == 0
