"""What every record is: frozen, its times aware UTC, its numbers finite, its names one line."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field


def _aware_utc(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError(f"a time needs its zone, got {at.isoformat()!r}")
    return at if at.tzinfo is UTC else at.astimezone(UTC)


Moment = Annotated[datetime, AfterValidator(_aware_utc)]
"""An instant, held as aware UTC whatever zone it came in."""

NAME_MOST = 80
Name = Annotated[str, Field(min_length=1, max_length=NAME_MOST, pattern=r"^[^\x00-\x1f\x7f]+$")]
"""A name people gave: one line, 1-80 characters, no control characters."""

TEMP_C_RANGE = (-60.0, 90.0)
"""What a reading's temperature may be at all [°C]; narrower judgements belong to studio.climate."""
RH_PCT_RANGE = (0.0, 100.0)
"""What a reading's relative humidity may be at all [%]."""
WET_THICKNESS_RANGE_M = (20e-6, 10e-3)
"""Wet film the model speaks for [m]: a brushed glaze to a flooded tile."""


class Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
