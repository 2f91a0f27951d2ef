"""What the page says of a milestone to people who do not see the drawing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from curewatch.language import PLAIN
from curewatch.records import Milestone, MilestoneKind
from curewatch.web.texts import Words

NOW = datetime(2026, 11, 20, 9, tzinfo=UTC)


@pytest.mark.parametrize(
    ("safe_h", "said"),
    [
        (9, "dry to handle: earliest today 10:00, worth checking today 13:00, safe to assume today 18:00"),
        (
            None,
            "dry to handle: earliest today 10:00, worth checking today 13:00, no date from which it is safe to assume",
        ),
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
    assert Words(NOW, PLAIN).milestone(one) == said
