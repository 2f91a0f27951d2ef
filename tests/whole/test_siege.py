"""Half a minute of the siege; `sh deploy/bench siege` lays it for three."""

from __future__ import annotations

from pathlib import Path

import pytest

from curewatch.daemon.scheduler import PAUSE_S
from tests.shell.parts import has_mosquitto
from tests.whole.attackers import PHONES
from tests.whole.siege import MEMORY_MB, besieged

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]


def test_a_besieged_studio_warns_on_time_stores_every_reading_and_shows_its_owner_the_page(tmp_path: Path) -> None:
    held = besieged(tmp_path, lasts_s=25, topics=3000, retained=5000, flood_hz=200)
    assert "Traceback" not in held.log
    assert "unexpected" not in held.log
    assert held.stored == held.sent > 30
    assert held.alarm_late_s < PAUSE_S[1] + 5, "the next look, at the latest, and one send"
    assert held.page_p95_s < 1
    assert held.looks > 20
    assert held.memory_mb < MEMORY_MB
    assert held.phones == PHONES, "a class watches live meanwhile"
    assert held.answers["plan 503"] + held.answers.get("plan 429", 0) > held.answers["plan 200"] > 0, held.answers
    assert held.ended_s < 10
