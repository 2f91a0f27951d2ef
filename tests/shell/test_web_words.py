"""What the page says of what comes next for a piece, and how exactly."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from unittest import mock

import pytest

from curewatch.language import PLAIN
from curewatch.records import Milestone, MilestoneKind
from curewatch.studio.board import PieceLine
from curewatch.web.texts import Words

NOW = datetime(2026, 11, 20, 9, tzinfo=UTC)
WORDS = Words(NOW, PLAIN)


@pytest.mark.parametrize(
    ("safe_h", "said"),
    [
        (9, "Dry to handle: worth checking today 13:00, safe to assume today 18:00"),
        (90, "Dry to handle: worth checking today 13:00, safe to assume Tue 24 Nov"),
        (None, "Dry to handle: worth checking today 13:00, no date from which it is safe to assume"),
    ],
)
def test_a_date_that_is_not_foreseen_ends_no_span(safe_h: int | None, said: str) -> None:
    one = Milestone(
        kind=MilestoneKind.HANDLE,
        early_at=NOW + timedelta(hours=1),
        worth_checking_at=NOW + timedelta(hours=4),
        safe_at=None if safe_h is None else NOW + timedelta(hours=safe_h),
        reason="too cold" if safe_h is None else None,
    )
    line = mock.Mock(spec=PieceLine, forecast=mock.Mock(reason=None), next=one)
    assert WORDS.next_step(line) == said
    assert said.startswith(WORDS.coming(line).large)


def test_an_estimate_is_told_to_the_minute_within_three_days_and_by_the_day_beyond() -> None:
    assert WORDS.foreseen(NOW + timedelta(days=3)) == "Mon 23 Nov 09:00"
    assert WORDS.foreseen(NOW + timedelta(days=3, minutes=1)) == "Mon 23 Nov"
    assert WORDS.foreseen(NOW - timedelta(days=4)) == "Mon 16 Nov"
    assert WORDS.foreseen(NOW + timedelta(days=60)) == "Tue 19 Jan 2027"
    assert WORDS.foreseen(None) == "not foreseen"
