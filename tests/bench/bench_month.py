"""What a person is sent in a month of each recorded room with twenty wet pieces, hour by hour, as they chose it."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.shell.month import DAYS, SERIES, replay
from tests.shell.test_month import late_alarms, late_milestones

LONG = True
"""Some minutes: nine months, hour by hour."""

STEP = timedelta(hours=1)
PEOPLE: Mapping[str, Mapping[str, Any]] = {
    "gathered": {},
    "gathered, with a morning's work": {"morning_hour": 8},
    "at once": {"gathered": False},
}


def lines() -> Iterator[Mapping[str, Any]]:
    for series in SERIES:
        for chosen, person in PEOPLE.items():
            with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder:
                month, dates, store = replay(series, Path(folder), STEP, **person)
                with store:
                    missed = len([*late_milestones(month, dates, STEP), *late_alarms(month, STEP)])
                    behind = Counter(notice.kind for notice in month.notices())
            yield {
                "name": f"month_{series.stem}",
                "value": len(month.post.sent) / DAYS,
                "unit": "messages/day",
                "baseline": 1.0,
                "ratio": None,
                "person": chosen,
                "most_in_an_hour": month.post.busiest_hour,
                "late": missed if chosen != "at once" else None,
                "notices": dict(behind),
            }
