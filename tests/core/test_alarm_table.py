"""Which alarms stand in which air, over all that a studio sees; and that what is advised ends them in the model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from curewatch.records import AlarmKind
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import OF_THE_AIR, ON, OccupiedRoom
from curewatch.studio.alarms.remedies import remedy
from tests.studio_scene import LIMITS, air, at, dates, drying, room

TEMPS = (5, 8, 10, 12, 15, 18, 21, 25, 30, 35, 40)
HUMIDITIES = (15, 25, 35, 45, 55, 65, 75, 85, 95)
NOW_S = np.array([at(0).timestamp()])
STILL, FAN = 0.1, 1.0
WET = dates(even={"set": 10, "touch_dry": 14}, safe={"handle": 60})
SET = dates(even={"set": -8, "touch_dry": -2}, safe={"set": -4, "touch_dry": -1, "handle": 60})

TABLE = """
            still, wet                    fan, wet                      still, set
 5   c  c  c  c  c  c  cd cd cd    ct ct ct ct ct ct cd cd cd    c  c  c  c  c  c  cd cd cd
 8   c  c  c  c  c  c  c  cd cd    ct ct ct ct ct ct c  cd cd    c  c  c  c  c  c  c  cd cd
10   c  c  c  c  c  c  c  cd cd    ct ct ct ct ct ct c  cd cd    -  -  -  -  -  -  -  d  d
12   c  c  c  -  -  -  -  d  d     ct ct ct ct ct ct -  d  d     -  -  -  -  -  -  -  d  d
15   t  -  -  -  -  -  -  d  d     ct ct t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
18   t  -  -  -  -  -  -  d  d     t  t  t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
21   t  -  -  -  -  -  -  d  d     t  t  t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
25   t  t  -  -  -  -  -  d  d     t  t  t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
30   t  t  -  -  -  -  -  d  d     t  t  t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
35   t  t  -  -  -  -  -  d  d     t  t  t  t  t  t  -  d  d     -  -  -  -  -  -  -  d  d
40   t  t  -  -  -  -  d  d  d     t  t  t  t  t  t  d  d  d     -  -  -  -  -  -  d  d  d
"""
"""Of a piece of 1.5 mm on canvas, by temperature [°C] down and humidity (15 to 95 %) across: cold, too fast, damp.

Its fan is one of which only the word was told, so it blows harder with odds of one in three (`HASTE_ODDS`). *Set* is
touch-dry for sure, with a core that is unfused yet at even odds. That cold stands for it is common practice (no source:
paint is to be kept warm for some days after it feels dry) and mechanism: cracks open as pores empty, from the skin down
(`OccupiedRoom.wet_until`). Once it is likelier fused than not, it sleeps (`test_an_alarm_says_what_is_likely_…`)."""


def scene(temp: float, rh: float, wind: float, *, wet: bool, heated: bool = True) -> OccupiedRoom:
    piece = drying(air=wind, poured=-1 if wet else -20, thickness_m=1.5e-3)
    there = room(piece, climate=air((-24, temp, rh), (0, temp, rh)), forecasts=[WET if wet else SET])
    return replace(there, heated=heated)


def standing(there: OccupiedRoom) -> list[AlarmKind]:
    codes = conditions.codes(there, NOW_S, LIMITS)
    return [kind for kind in OF_THE_AIR if codes[kind][0] == ON]


def cells() -> Iterator[tuple[float, float, float, bool, str]]:
    rows = [line.split() for line in TABLE.strip().splitlines()[1:]]
    for temp, *marks in rows:
        for column, (wind, wet) in enumerate([(STILL, True), (FAN, True), (STILL, False)]):
            for rh, mark in zip(HUMIDITIES, marks[9 * column : 9 * column + 9], strict=True):
                yield float(temp), rh, wind, wet, mark


def test_the_table_is_whole() -> None:
    assert len(list(cells())) == len(TEMPS) * len(HUMIDITIES) * 3
    assert {temp for temp, *_ in cells()} == set(TEMPS)


def test_which_alarms_stand_in_which_air() -> None:
    found = {
        (temp, rh, wind, wet): "".join(kind.value[0] for kind in standing(scene(temp, rh, wind, wet=wet))) or "-"
        for temp, rh, wind, wet, _ in cells()
    }
    assert found == {(temp, rh, wind, wet): mark for temp, rh, wind, wet, mark in cells()}


@pytest.mark.parametrize("heated", [True, False])
@pytest.mark.parametrize("wind", [STILL, FAN])
@pytest.mark.parametrize("wet", [True, False])
def test_what_is_advised_ends_every_alarm_and_brings_on_none(wet: bool, wind: float, heated: bool) -> None:
    """One thing for all that stand there: so no two pieces of advice can pull two ways."""
    for temp in (-5.0, 0.0, *TEMPS):
        for rh in HUMIDITIES:
            there = scene(temp, rh, wind, wet=wet, heated=heated)
            kinds = standing(there)
            found = remedy(there, kinds, at(0), LIMITS)
            if not kinds:
                assert found is None
                continue
            assert found is not None, (temp, rh, kinds)
            assert found.ends == set(kinds), (temp, rh, kinds, str(found.do))
            after = conditions.codes(there, NOW_S, LIMITS, found.change)
            assert [kind for kind in OF_THE_AIR if after[kind][0] == ON] == [], (temp, rh, str(found.do))
            if not heated:
                assert "warm the room" not in str(found.do)
            if set(kinds) & {AlarmKind.COLD, AlarmKind.FROST}:
                assert found.change.warmer_k >= 0, "nobody is asked to cool what is too cold"


def test_the_worst_decides_where_nothing_ends_all() -> None:
    """A room that says it is at 23 °C and 99 % with frost alarms standing cannot be; the lead is still the worst."""
    there = scene(21, 50, FAN, wet=True)
    found = remedy(there, [AlarmKind.DAMP, AlarmKind.TOO_FAST], at(0), LIMITS)
    assert found is not None
    assert found.lead is AlarmKind.TOO_FAST


ANY_ROOM = "carry Heron, level, to a room of 13 °C or more and at most 60 %RH, and pour the next one there"


@pytest.mark.parametrize(
    ("temp", "rh", "wind", "elsewhere", "do"),
    [
        (8, 60, STILL, {}, ANY_ROOM),
        (8, 60, STILL, {"Loft": (18.0, 50.0)}, "carry Heron, level, to Loft (18 °C, 50 %RH when last read)"),
        (8, 60, STILL, {"Loft": (9.0, 50.0)}, ANY_ROOM),
        (18, 85, STILL, {}, "dry its air to 72 %RH or less"),
        (12, 60, FAN, {}, "switch the fan off"),
        (21, 15, STILL, {}, "cover Heron loosely, with a box or a sheet on blocks"),
    ],
)  # fmt: skip
def test_what_can_be_done_in_a_room_that_cannot_be_heated(
    temp: float, rh: float, wind: float, elsewhere: dict[str, tuple[float, float]], do: str
) -> None:
    there = replace(scene(temp, rh, wind, wet=True, heated=False), elsewhere=elsewhere)
    found = remedy(there, standing(there), at(0), LIMITS)
    assert found is not None
    assert str(found.do) == do
