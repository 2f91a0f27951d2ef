"""What is to be done next to each piece that may be handled, for the morning's work."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from curewatch.desk.refresh.scheduled_notices import coming_air
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.desk.studio_settings import care_of
from curewatch.records import Forecast, MilestoneKind
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio.alarms.forewarning import AirBands
from curewatch.studio.care.aftercare import CareStep, Odds, milestone, plan
from curewatch.studio.care.part_studio_open_steps import OpenStep, open_line
from curewatch.studio.care.varnish_air import next_window

_NOT_ASKED = Odds(None, None, None)
"""When the skins are through takes a march, and is told nowhere in the morning."""


def open_steps(
    store: Store, snapshot: Snapshot, settings: Settings, forecasts: Mapping[int, Forecast], now: datetime
) -> dict[str, OpenStep | None]:
    """By name, the step that is open on each piece that is safe to handle; None where nothing is today."""
    dry = [
        drying
        for drying in snapshot.dryings
        if (safe := milestone(forecasts.get(drying.piece.id), MilestoneKind.HANDLE).safe) and safe <= now
    ]
    if not dry:
        return {}
    care = care_of(settings)
    with store.read() as tx:
        done = tx.steps([drying.piece.id for drying in dry])
    futures: dict[str, AirBands | None] = {}
    found: dict[str, OpenStep | None] = {}
    for drying in dry:
        mine = [step for step in done if step.piece_id == drying.piece.id]
        line: CareStep | None = open_line(
            plan(drying.pour, forecasts.get(drying.piece.id), _NOT_ASKED, mine, care), now
        )
        window = None
        if line is not None and line.needs_air:
            if drying.room not in futures:
                futures[drying.room] = coming_air(store, drying.room, now)
            future = futures[drying.room]
            window = None if future is None else next_window(future, care.air, now)
        found[drying.piece.name] = None if line is None else OpenStep(line, window)
    return found
