"""Warnings beside an estimate: each comes when its limit is crossed, and not before."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.intake.typed.wet_thickness import Thickness
from curewatch.physics.ensemble import Pouring
from curewatch.records import ThicknessSource
from curewatch.studio.planning.estimate import EstimateInput, RoomAir, answer, cautions

GAUGED = Thickness(1.2e-3, ThicknessSource.GAUGE)
H = 3600.0


def words(
    air: RoomAir, *, pouring: Pouring | None = None, thickness: Thickness = GAUGED, days: float = 120
) -> list[str]:
    question = EstimateInput(pouring or Pouring(1.2e-3), air, 1, days)
    return [str(one) for one in cautions(question, thickness.source, answer(question), drained=thickness.drained)]


def kinds(air: RoomAir, **others: object) -> list[str]:
    return [line.split(":")[0] for line in words(air, **others)]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "expected"),
    [
        (21, 50, []),
        # a film in 10-12 °C air of 50 % lies 1.5 K below the room (model section 2): the room is above the MFFT
        (11, 50, ["cold"]),
        (14, 50, []),
        (2.5, 60, ["cold"]),
        (2, 60, ["cold", "frost"]),
        (5, 75, ["cold", "damp"]),  # by its rate, a fifth of that at 21 °C and 50 %
        (21, 76, ["damp"]),
        (21, 75, []),
        # warmth and drought count by what they do to the surface against the core, as in the alarm
        (30.5, 50, []),
        (40, 50, []),
        (21, 29, []),
        (21, 15, ["fast"]),
        (33, 20, ["fast"]),
    ],
)
def test_a_constant_room(temp_c: float, rh_pct: float, expected: list[str]) -> None:
    assert kinds(RoomAir.constant(temp_c, rh_pct)) == expected


@pytest.mark.parametrize(
    ("pouring", "expected"),
    [
        (Pouring(1.2e-3, air_speed=1.0), ["fast"]),
        (Pouring(1.2e-3, air_speed=0.3), []),
        (Pouring(1.2e-3, solids=0.40), ["mix"]),
        (Pouring(1.2e-3, solids=0.15), ["mix"]),
        (Pouring(1.2e-3, solids=0.20, glycol=0.12), ["mix"]),
    ],
)
def test_the_pour_itself(pouring: Pouring, expected: list[str]) -> None:
    assert kinds(RoomAir.constant(21, 50), pouring=pouring) == expected


@pytest.mark.parametrize(
    ("thickness", "expected"),
    [
        (Thickness(1.2e-3, ThicknessSource.LAYER), ["rough"]),
        (Thickness(1.2e-3, ThicknessSource.VOLUME, (0.4, 0.5)), []),
        (Thickness(1.2e-3, ThicknessSource.VOLUME, (0.4, 0.5), drained=False), ["rough"]),
    ],
)
def test_a_rough_thickness(thickness: Thickness, expected: list[str]) -> None:
    assert kinds(RoomAir.constant(21, 50), thickness=thickness) == expected


def record(hours: list[float], temp_c: list[float], rh_pct: list[float]) -> RoomAir:
    return RoomAir(np.array(hours) * H, np.array(temp_c, dtype=float), np.array(rh_pct, dtype=float))


def hourly(temp_c: list[float], rh_pct: float = 50.0, days: int = 60) -> RoomAir:
    """`temp_c` hour by hour, then 21 °C to the end of `days`."""
    hours = np.arange(days * 24.0)
    temp = np.full(len(hours), 21.0)
    temp[: len(temp_c)] = temp_c
    return RoomAir(hours * H, temp, np.full(len(hours), rh_pct))


def test_a_record_that_is_well_says_nothing() -> None:
    assert words(hourly([])) == []


def test_a_cold_night_is_told_with_its_depth_its_length_and_its_beginning() -> None:
    (cold,) = words(hourly([21.0] * 6 + [8.0] * 4))
    assert cold.startswith("cold: the film comes down to 6.")
    assert "first 6 h after the pour" in cold


def test_a_cold_night_after_it_may_be_handled_is_no_matter() -> None:
    assert words(hourly([21.0] * 100 + [1.0] * 10)) == []


def test_frost_while_wet_is_told() -> None:
    assert kinds(hourly([21.0] * 6 + [1.0] * 2)) == ["cold", "frost"]


def test_a_gap_and_an_early_end_of_the_record_are_told() -> None:
    gap, short = words(record([0, 5, 12, 13], [21] * 4, [50] * 4))
    assert gap.startswith("gap: the room's record is silent for 7 h from 5 h after the pour on;")
    assert short.startswith("short: the room's record ends 13 h after the pour")
    assert "21.0 °C and 50 %RH" in short


def test_gaps_up_to_six_hours_are_no_matter() -> None:
    assert kinds(record([0, 6, 12], [21] * 3, [50] * 3)) == ["short"]


def test_a_record_that_outlasts_the_days_looked_at_is_not_short() -> None:
    assert kinds(hourly([], days=11), days=10) == []
