"""A tilt that was measured, against the design that drifted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from curewatch.physics import flow
from curewatch.records.workshop import Tilt
from curewatch.studio.diagnosis.drying_history import drifted, slope_text
from curewatch.studio.diagnosis.mechanisms import Trouble, Verdict, findings
from tests.core.test_diagnosis import case, dried, verdict
from tests.studio_scene import NOON, at


def tilt(mm_per_m: float, hours: float = 0.0) -> Tilt:
    return Tilt(piece_id=1, measured_at=at(hours), tilt_rad=float(np.arctan(mm_per_m * 1e-3)))


def film() -> flow.ThinningFilm:
    told = dried(21.0, 50.0, 0.1, 1.2e-3)
    assert told is not None
    return told.film


def test_one_tilt_from_the_pour_on_is_the_drift_of_the_whole_drying() -> None:
    expected = flow.drift(film(), flow.Rheology(), tilt(4).tilt_rad)[-1]
    assert drifted(film(), NOON, [tilt(4)]) == pytest.approx(float(expected))
    assert drifted(film(), NOON, [tilt(4, hours=3)]) == pytest.approx(float(expected))  # it was so all along


def test_a_shim_stops_it_where_it_was_put() -> None:
    """Level from twenty minutes on: what had moved by then, and no more. Half the tilt: a bit more."""
    moved = flow.drift(film(), flow.Rheology(), tilt(8).tilt_rad)
    by_then = float(np.interp(1200.0, film().time_s, moved))
    assert 0 < by_then < moved[-1]
    assert drifted(film(), NOON, [tilt(8), tilt(0, hours=1 / 3)]) == pytest.approx(by_then)
    assert by_then < drifted(film(), NOON, [tilt(8), tilt(4, hours=1 / 3)]) < moved[-1]


def test_at_the_tilt_for_five_millimetres_it_moves_five() -> None:
    told = dried(21.0, 50.0, 0.1, 1.2e-3)
    assert told is not None
    steep = Tilt(piece_id=1, measured_at=NOON, tilt_rad=told.tilt_for_5mm)
    # halving finds the tilt to the last bit; what is left is the sum's rounding
    assert drifted(told.film, NOON, [steep]) == pytest.approx(5e-3, rel=1e-6)


@pytest.mark.parametrize(("share", "expected"), [(3.0, Verdict.LIKELY), (0.2, Verdict.UNLIKELY)])
def test_why_drifted_tells_by_the_tilt_measured(share: float, expected: Verdict) -> None:
    told = dried(21.0, 50.0, 0.1, 1.2e-3)
    assert told is not None
    measured = Tilt(piece_id=1, measured_at=NOON, tilt_rad=share * told.tilt_for_5mm)
    judged = replace(case(), tilts=(measured,))
    assert verdict(Trouble.DRIFTED, "not level", judged) is expected
    (found,) = [one for one in findings(Trouble.DRIFTED, judged) if "not level" in str(one.mechanism)]
    assert str(slope_text(measured.tilt_rad)) in str(found.figure)


def test_without_a_tilt_it_cannot_be_told() -> None:
    assert verdict(Trouble.DRIFTED, "not level", case()) is Verdict.CANT_TELL
