"""SIGKILL at random moments under load. The long run with its counts: bench_kill."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shell.parts import has_mosquitto
from tests.whole.kills import Campaign

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]

SEED = 20261129


@pytest.mark.xdist_group("kills")
def test_kill_9_amid_readings_pours_and_notices_loses_none_of_them(tmp_path: Path) -> None:
    tally = Campaign(tmp_path, SEED).run(kills=5)
    print(tally)
    assert (tally.lost_facts, tally.lost_notices, tally.altered) == (0, 0, 0)
    assert tally.killed_before_ready >= 1
    assert tally.readings > 100
    assert tally.pours >= 1
    assert tally.notices > 20
