"""What one person is sent in a month of each recorded room with twenty wet pieces: few messages, none missing.

The targets are those of a studio that people go on trusting. The counts are printed. Of one room the first half
here; `sh deploy/bench month` runs all of them whole, as three people chose to be told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from curewatch.notify.routing import next_round
from curewatch.records import Forecast, MilestoneKind
from curewatch.studio import milestones as milestoning
from tests.shell.month import DAYS, SERIES, Month, replay

STEP = timedelta(hours=1)
"""How often the daemon looks here; an hour from one look on holds the next too. In life it looks each minute, which
changes when something is told, not how often: alarms are judged along the record."""
HALF = DAYS // 2
A_DAY, AN_HOUR = 1.0, 3
"""What one person may be sent: a day on average, and in any hour."""


@pytest.mark.timeout(900)
@pytest.mark.parametrize("series", SERIES[-1:], ids=lambda path: path.stem)
def test_half_a_month_of_a_recorded_room_with_its_wet_pieces(series: Path, tmp_path: Path) -> None:
    month, dates, store = replay(series, tmp_path, STEP, HALF)
    with store:
        sent, busiest = len(month.post.sent), month.post.busiest_hour
        print(f"\n{series.stem}: {sent} messages in {HALF} days, most in an hour {busiest}")
        print(f"  sent: {dict(Counter(notice.kind for _, notice in month.post.sent))}")
        print(f"  notices behind them: {dict(Counter(notice.kind for notice in month.notices()))}")
        missed = [*late_milestones(month, dates), *late_alarms(month)]
    assert not missed
    assert busiest <= AN_HOUR
    assert sent / HALF <= A_DAY


def late_milestones(month: Month, dates: Mapping[str, Forecast], step: timedelta = STEP) -> Iterator[str]:
    """Milestones not told, or not until after the round that follows them. Told from the model's dates, not ours."""
    told, now = month.post.told_at(), month.clock.now()
    with month.store.read() as tx:
        pieces = {piece.name: piece.id for piece in tx.pieces()}
    for name, forecast in dates.items():
        for milestone in forecast.milestones:
            if milestone.kind not in month.settings.notices.milestones:
                continue
            for odds, due in (("worth_checking", milestone.worth_checking_at), ("safe", milestone.safe_at)):
                if due is None:
                    continue
                deadline = next_round(month.ada, due, month.settings.tz) + step
                # of milestones that are due together a person hears of the furthest, which says more
                further = list(MilestoneKind)[list(MilestoneKind).index(milestone.kind) :]
                keys = {milestoning.key_of(pieces[name], kind, one) for kind in further for one in (odds, "safe")}
                at = min((told[key] for key in keys if key in told), default=None)
                if deadline <= now and (at is None or at > deadline):
                    yield f"{name} {milestone.kind} {odds}: due {due}, told {at}"


def late_alarms(month: Month, step: timedelta = STEP) -> Iterator[str]:
    """Alarms raised, of which nothing was sent within a look."""
    told, unsent = month.post.told_at(), month.unsent()
    for notice in month.notices():
        if notice.kind == "alarm" and notice.key not in unsent:
            raised = datetime.fromisoformat(notice.data["at"])
            if told[notice.key] - max(raised, notice.created_at - step) > step:
                yield f"{notice.key}: raised {raised}, told {told[notice.key]}"
