"""Half a minute of the siege; `sh deploy/bench siege` lays it for three."""

from __future__ import annotations

from pathlib import Path

import pytest

from curewatch.daemon.scheduler import PAUSE_S
from curewatch.web.scarce import LINE_FOR_LOOKERS
from tests.shell.parts import has_mosquitto
from tests.whole.attackers import PHONES
from tests.whole.siege import MEMORY_MB, besieged

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]


def test_a_besieged_studio_warns_on_time_stores_every_reading_and_shows_its_owner_the_page(tmp_path: Path) -> None:
    held = besieged(tmp_path, lasts_s=25, topics=3000, retained=5000, flood_hz=200)
    assert "Traceback" not in held.log
    assert "unexpected" not in held.log
    assert held.refused == []
    assert held.stored == held.sent > 30
    assert held.alarm_late_s < PAUSE_S[1] + 5, "the next look, at the latest, and one send"
    assert held.page_p95_s < 1
    assert held.looks > 20
    assert held.memory_mb < MEMORY_MB
    assert held.phones == PHONES, "a class watches live meanwhile"
    refused = held.answers.get("plan 503", 0) + held.answers.get("plan 429", 0)
    assert refused > held.answers.get("plan 200", 0), held.answers
    assert refused > LINE_FOR_LOOKERS, "more than wait: who asks for too many plans is told so, and soon"
    assert held.ended_s < 10
