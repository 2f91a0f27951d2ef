"""Which milestone notices fall due, which supersedes which, and what they say."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from curewatch.records import Forecast, MilestoneKind
from curewatch.studio import milestones, wording
from tests.studio_scene import NOON, at, dates, drying, local

SET, TOUCH_DRY, HANDLE, VARNISH = MilestoneKind
ALL = tuple(MilestoneKind)
FULL = dates(
    even={"set": 10, "touch_dry": 16, "handle": 24, "varnish_ready": 480},
    safe={"set": 14, "touch_dry": 22, "handle": 40, "varnish_ready": 900},
)


def keys(forecast: Forecast, hours: float, told: tuple[MilestoneKind, ...] = ALL) -> list[str]:
    return [due.key.removeprefix("piece-1/") for due in milestones.due(drying(), forecast, told, at(hours))]


def text(forecast: Forecast, hours: float, kind: MilestoneKind, **piece: object) -> tuple[str, str]:
    (due,) = milestones.due(drying(**piece), forecast, [kind], at(hours))  # type: ignore[arg-type]
    notice = milestones.notice(due, at(hours))
    return str(notice.title), str(notice.text)


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        (9.99, []),
        (10, ["set/worth_checking"]),
        (13.99, ["set/worth_checking"]),
        (14, ["set/safe"]),
        (16, ["set/safe", "touch_dry/worth_checking"]),
        (24, ["set/safe", "touch_dry/safe", "handle/worth_checking"]),
        (5000, ["set/safe", "touch_dry/safe", "handle/safe", "varnish_ready/safe"]),
    ],
)
def test_worth_checking_at_even_odds_and_safe_at_nine_in_ten_which_supersedes_it(
    hours: float, expected: list[str]
) -> None:
    assert keys(FULL, hours) == expected


def test_only_the_kinds_that_were_asked_for_are_told() -> None:
    assert keys(FULL, 5000, (HANDLE,)) == ["handle/safe"]
    assert keys(FULL, 5000, ()) == []


def test_what_is_not_foreseen_is_not_told() -> None:
    assert keys(dates(), 5000) == []
    assert keys(dates(even={"touch_dry": 16}), 5000) == ["touch_dry/worth_checking"]


def test_a_notice_tells_nothing_new_after_itself_or_the_stronger_one() -> None:
    (weak,) = milestones.due(drying(), FULL, [TOUCH_DRY], at(16))
    (strong,) = milestones.due(drying(), FULL, [TOUCH_DRY], at(22))
    assert set(weak.covering_keys) == {"piece-1/touch_dry/worth_checking", "piece-1/touch_dry/safe"}
    assert set(strong.covering_keys) == {"piece-1/touch_dry/safe"}


@pytest.mark.parametrize(
    ("hours", "told", "expected"),
    [(0, ALL, 10), (10, ALL, 14), (14, ALL, 16), (24, (HANDLE,), 40), (40, (HANDLE,), None), (0, (), None)],
)
def test_the_next_look_is_due_with_the_next_date(
    hours: float, told: tuple[MilestoneKind, ...], expected: float | None
) -> None:
    assert milestones.next_due(FULL, told, at(hours)) == (None if expected is None else at(expected))


# --- Words --------------------------------------------------------------------------------------------------------


def test_worth_checking_says_how_and_from_when_it_is_safe() -> None:
    assert text(FULL, 16, TOUCH_DRY) == (
        "Heron: worth checking, probably touch-dry",
        "Heron is probably touch-dry by now. Touch an edge nobody will see with a clean finger; if it is tacky, "
        "leave it. Safe to assume from Sat 21 Nov 10:00. Poured Fri 20 Nov 12:00, now in Boat shed. Room last read "
        "Fri 20 Nov 12:00.",
    )


def test_without_a_safe_date_the_reason_is_said() -> None:
    assert (
        "No date is foreseen from which that is safe to assume (not in this room: too damp"
        in (text(dates(even={"touch_dry": 16}), 16, TOUCH_DRY)[1])
    )


def test_safe_says_what_may_be_done_and_what_not_yet() -> None:
    title, said = text(FULL, 40, HANDLE, place="rack 2")
    assert title == "Heron: safe to assume dry to handle"
    assert said == (
        "Heron is dry to handle by now, nine times out of ten. It can be moved and stood up, and its place is free. "
        "Nothing may press on its face yet. Poured Fri 20 Nov 12:00, now in Boat shed, rack 2. Room last read "
        "Fri 20 Nov 12:00."
    )


def test_what_has_been_true_for_long_is_told_with_its_date() -> None:
    assert "is dry to handle by now and has been since Sun 22 Nov 04:00, nine times" in text(FULL, 400, HANDLE)[1]


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("silicone", [True, False])
def test_silicone_and_the_varnish_s_own_dangers_are_told_with_varnish_only(kind: MilestoneKind, silicone: bool) -> None:
    for even, safe in (({kind: 1.0}, {}), ({kind: 1.0}, {kind: 2.0})):
        said = text(dates(even=even, safe=safe), 3, kind, silicone=silicone)[1]
        assert ("silicone" in said) == (silicone and kind is VARNISH)
        assert ("ventilate" in said) == (kind is VARNISH)


def test_a_notice_carries_its_facts_and_outlives_two_weeks() -> None:
    (due,) = milestones.due(drying(place="rack 2"), FULL, [TOUCH_DRY], at(22))
    notice = milestones.notice(due, at(22))
    assert (notice.key, notice.kind, notice.piece_id, notice.room) == (due.key, "milestone", 1, "Boat shed")
    assert notice.expires_at == at(22) + timedelta(days=14)
    assert (
        notice.data.items()
        >= {
            "piece": "Heron",
            "place": "rack 2",
            "milestone": "touch_dry",
            "odds": "safe",
            "worth_checking_at": at(16).isoformat(),
            "safe_at": at(22).isoformat(),
        }.items()
    )


@pytest.mark.parametrize(
    ("hours", "said"),
    [(0, "today 12:00"), (-12.1, "yesterday 23:54"), (12, "tomorrow 00:00"), (36, "Sun 22 Nov 00:00"),
     (24 * 60, "Tue 19 Jan 2027 12:00"), (-24 * 400, "Thu 16 Oct 2025 12:00")],
)  # fmt: skip
def test_dates_in_words(hours: float, said: str) -> None:
    assert wording.date(at(hours), local, NOON) == said


def test_today_is_the_studio_s_today() -> None:
    def there(moment: datetime) -> datetime:
        return moment.astimezone(timezone(timedelta(hours=13)))

    assert wording.date(at(-1.5), there, NOON) == "yesterday 23:30"
    lisbon = ZoneInfo("Europe/Lisbon")
    night = datetime(2026, 10, 25, 0, 30, tzinfo=lisbon)
    assert wording.date(night.replace(hour=12), lambda m: m.astimezone(lisbon), night) == "today 12:30"


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(-5, "0 min"), (0.4, "0 min"), (99, "99 min"), (100, "2 h"), (47 * 60, "47 h"), (48 * 60, "2 d"),
     (52 * 60, "2 d 4 h"), (15 * 1440, "15 d"), (56 * 1440, "8 wk")],
)  # fmt: skip
def test_lengths_of_time_in_words(minutes: float, said: str) -> None:
    assert wording.span(timedelta(minutes=minutes)) == said


@pytest.mark.parametrize(("value", "said"), [(-0.04, "0.0"), (-0.06, "-0.1"), (7.65, "7.7"), (100.0, "100.0")])
def test_numbers_in_words(value: float, said: str) -> None:
    assert wording.number(value, 1) in (said, "7.6" if value == 7.65 else said)


def test_many_names_are_cut_short() -> None:
    pieces = ["Heron", "Reed", "Eel", "Otter", "Coot"]
    assert wording.listed(pieces[:1]) == "Heron"
    assert wording.listed(pieces[:2]) == "Heron and Reed"
    assert wording.listed(pieces[:4]) == "Heron, Reed, Eel and Otter"
    assert wording.listed(pieces) == "Heron, Reed, Eel and 2 more"


@pytest.mark.parametrize(
    ("hours", "told"),
    [
        (12, ["set/worth_checking"]),
        (19, ["set/safe", "touch_dry/worth_checking"]),
        (26, ["touch_dry/safe", "handle/worth_checking"]),
        (45, ["handle/safe"]),
    ],
)
def test_of_what_falls_due_together_people_are_told_how_far_a_piece_is(hours: float, told: list[str]) -> None:
    """What is only worth checking says nothing of what is safe."""
    due = milestones.due(drying(), FULL, ALL, at(hours))
    other = milestones.due(drying(piece_id=2), FULL, ALL, at(45))
    left = [one for one in due if not milestones.is_told_by_a_later_one(one, [*due, *other])]
    assert [one.key.removeprefix("piece-1/") for one in left] == told
