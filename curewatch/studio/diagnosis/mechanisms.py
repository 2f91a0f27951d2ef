"""What can be wrong with a piece, all that bears on it, and how a mechanism is judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from curewatch.records import ThicknessSource
from curewatch.records.workshop import StepDone, Tilt
from curewatch.studio.care.aftercare import Care, Odds
from curewatch.studio.diagnosis.drying_history import Trace
from curewatch.studio.diagnosis.part_studio_past_air import PastAir
from curewatch.studio.forecasting.forecast import Drying

THICKNESS_FROM = {
    ThicknessSource.GAUGE: "measured with a comb gauge",
    ThicknessSource.VOLUME: "from volume over area",
    ThicknessSource.LAYER: "from a word or as the last",
}


class Trouble(StrEnum):
    CRACKED = "cracked"
    CRAZED = "crazed"
    CLOUDY = "cloudy"
    TACKY = "tacky"
    DRIFTED = "drifted"
    FISH_EYES = "fish-eyes"


class Verdict(StrEnum):
    LIKELY = "likely"
    UNLIKELY = "unlikely"
    CANT_TELL = "can't tell"


@dataclass(frozen=True)
class Diagnosis:
    """One mechanism against the record."""

    mechanism: str
    verdict: Verdict
    figure: str
    next_time: str


@dataclass(frozen=True)
class CoatAir:
    """The room's air when a coat was put on; None where it was not read then."""

    step: str
    at: datetime
    air: tuple[float, float] | None
    """Temperature [°C] and relative humidity [%]."""


@dataclass(frozen=True)
class Case:
    """All that bears on what went wrong with a piece."""

    drying: Drying
    trace: Trace | None
    wet_air: PastAir | None
    """From the pour until it could be handled."""
    steps: tuple[StepDone, ...]
    """Those that stand as done."""
    coats: tuple[CoatAir, ...]
    handle: Odds
    water_share: float | None
    """Water added to the paint; None: the recipe's parts are not told."""
    frost_h: float | None
    care: Care
    now: datetime
    tilts: tuple[Tilt, ...] = ()
    """As measured of its support, by time."""

    def done(self, step: str) -> StepDone | None:
        return next((one for one in self.steps if one.step == step), None)
