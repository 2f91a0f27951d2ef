"""The drying curve in plain text: what is drawn where."""

from __future__ import annotations

import pytest

from curewatch.cli.texts import curve

HOURS = [0.5 * i for i in range(61)]  # a column each half hour, to 30 h


def falling(rate: float) -> list[float]:
    return [max(0.0, 1 - rate * h) for h in HOURS]


def drawn(*marks: tuple[str, float], unicode: bool = True) -> list[str]:
    return curve.draw(HOURS, (falling(0.06), falling(0.05), falling(0.04)), marks, unicode=unicode)


def test_the_median_falls_inside_its_band() -> None:
    plot = drawn()[: curve.HEIGHT]
    column = curve.LEFT + HOURS.index(10.0)  # there 40, 50 and 60 % are left
    assert [line.ljust(80)[column] for line in plot] == [*"    ░●░    "]
    assert plot[0][curve.LEFT] == "●"
    assert plot[-1][curve.LEFT + HOURS.index(20.0)] == "●"


def test_the_scale_names_100_50_and_0_percent() -> None:
    assert [line[:6] for line in drawn()[: curve.HEIGHT]] == [
        " 100 ┤", *["     │"] * 4, "  50 ┤", *["     │"] * 4, "   0 ┤"
    ]  # fmt: skip


def test_the_axis_marks_the_hours_where_they_are() -> None:
    axis, labels = drawn()[curve.HEIGHT : curve.HEIGHT + 2]
    assert labels.split() == ["0", "6", "h", "12", "h", "18", "h", "24", "h", "30", "h"][: len(labels.split())]
    for hours in (0.0, 6.0, 12.0, 24.0):
        assert axis[curve.LEFT + HOURS.index(hours)] == "┬"


@pytest.mark.parametrize(
    ("last", "labels"),
    [
        (0.25, "0 10 min"),
        (2.0, "0 30 min 60 min 90 min"),
        (72.0, "0 12 h 24 h 36 h 48 h 60 h"),
        (24 * 90.0, "0 14 d 28 d 42 d"),
    ],
)
def test_the_axis_counts_in_one_unit_that_suits_its_length(last: float, labels: str) -> None:
    hours = [last * i / 70 for i in range(71)]
    flat = [0.5] * 71
    line = curve.draw(hours, (flat, flat, flat), [], unicode=True)[curve.HEIGHT + 1]
    assert " ".join(line.split()).startswith(labels)


def test_a_milestone_is_pointed_at_where_it_is_and_none_covers_another() -> None:
    lines = drawn(("set", 10.0), ("touch-dry", 12.0), ("handle", 30.0), ("varnish-ready", 400.0))[curve.HEIGHT + 2 :]
    text = "\n".join(lines)
    assert text.count("↑") == 3
    assert "varnish-ready" not in text
    assert lines[0].index("↑ set") == curve.LEFT + HOURS.index(10.0)
    assert lines[1].index("↑ touch-dry") == curve.LEFT + HOURS.index(12.0)
    assert lines[0].endswith("handle ↑"), "at the right edge the name stands before its pointer"
    assert max(map(len, lines)) <= curve.LEFT + len(HOURS)


def test_without_unicode_every_sign_is_ascii() -> None:
    assert "\n".join(drawn(("set", 10.0), unicode=False)).isascii()
