"""`curewatch level` as it is typed."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from curewatch.cli import main

PLAIN = ("level", "--wet-thickness", "1.2mm", "--temperature", "21C", "--humidity", "50%")


def levelled(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main([*PLAIN, *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_one_object_whose_numbers_hang_together(capsys: pytest.CaptureFixture[str]) -> None:
    found = levelled(capsys, "--tilt", "0.5deg")
    assert (found["schema"], found["kind"]) == (2, "level")
    # by hand, at the pour: rho = 998 + 0.3 * 352 kg/m3
    by_hand = 1103.6 * 9.80665 * 1.2e-3**2 * math.sin(math.radians(0.5)) / 2 * 3.6e6
    # six digits are told
    assert found["first_speed_mm_h"] == pytest.approx(by_hand, rel=1e-5)
    assert found["stress_pa"] == pytest.approx(1103.6 * 9.80665 * 1.2e-3 * math.sin(math.radians(0.5)), rel=1e-5)
    assert found["drift_mm"] < found["drift_if_it_never_sets_mm"]
    assert 0 < found["half_of_it_by_h"] < found["most_of_it_by_h"] < found["set_h"]
    # never faster than at the pour
    assert 0 < found["drift_mm"] < found["first_speed_mm_h"] * found["set_h"]
    at_limit = levelled(capsys, "--tilt", f"{found['tilt_for_limit_deg']}deg")
    # of the tilt, which goes in as it was told
    assert at_limit["drift_mm"] == pytest.approx(5.0, rel=1e-4)


def test_degrees_and_slopes_are_the_same_tilt(capsys: pytest.CaptureFixture[str]) -> None:
    slope = f"{math.tan(math.radians(0.5)) * 1000:.9f}"
    degrees = levelled(capsys, "--tilt", "0.5deg")
    assert degrees == levelled(capsys, "--tilt", f"{slope}mm/m")
    assert degrees["drift_mm"] == levelled(capsys, "--tilt", "0.5 °")["drift_mm"]


def test_fewer_points_would_do(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    usual = levelled(capsys, "--tilt", "3mm/m")["drift_mm"]
    monkeypatch.setattr("curewatch.studio.planning.tilt_drift.POINTS", 40_000)
    assert levelled(capsys, "--tilt", "3mm/m")["drift_mm"] == pytest.approx(usual, rel=1e-3)  # what POINTS promises


def test_the_page_says_how_far_how_soon_and_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*PLAIN, "--size", "40x50cm", "--tilt", "3mm/m"]) == 0
    out = capsys.readouterr().out
    assert "drifts about" in out
    assert "1.5 mm under the low end of its 50 cm side" in out
    assert max(map(len, out.splitlines())) <= 80
    assert main([*PLAIN, "--tilt", "3mm/m", "--yield-stress", "100Pa"]) == 0
    assert "whatever the tilt" in capsys.readouterr().out
    assert main([*PLAIN[:3], "--temperature", "21C", "--humidity", "99.9%", "--tilt", "3mm/m"]) == 0
    assert "does not set" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("option", "given"),
    [("--tilt", "3"), ("--tilt", "50deg"), ("--tilt", "-1deg"), ("--viscosity", "0Pa·s"), ("--yield-stress", "1"),
     ("--limit", "5"), ("--limit", "0mm")],
)  # fmt: skip
def test_what_cannot_be_is_refused(capsys: pytest.CaptureFixture[str], option: str, given: str) -> None:
    assert main([*PLAIN, *([] if option == "--tilt" else ["--tilt", "1deg"]), option, given]) == 2
    assert repr(given) in capsys.readouterr().err
