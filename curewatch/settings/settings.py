"""What a studio does to a piece after its pour: which coats, of what kind, and in what air."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from curewatch.settings.values import Table

_HOURS = "a number of hours between 0 and 2000"


class AfterCareSettings(Table):
    """Times that are left out are the generic ones of the varnish's kind; the label on the tin is right, not they."""

    isolation_coat: bool = Field(True, description="true or false")
    varnish: Literal["water", "solvent", "none"] = Field("water", description="'water', 'solvent' or 'none'")
    """What it is thinned with."""
    applied: Literal["brushed", "sprayed"] = Field("brushed", description="'brushed' or 'sprayed'")
    coats: int = Field(2, ge=1, le=6, description="a whole number between 1 and 6")
    touch_h: float | None = Field(None, ge=0, le=2000, description=_HOURS)
    recoat_h: float | None = Field(None, ge=0, le=2000, description=_HOURS)
    cure_d: float | None = Field(None, ge=0, le=365, description="a number of days between 0 and 365")
    wash_dry_h: float = Field(24, ge=0, le=2000, description=_HOURS)
    isolation_dry_h: float = Field(24, ge=0, le=2000, description=_HOURS)
    skins_mm: float = Field(0.8, ge=0.02, le=10, description="a number of mm between 0.02 and 10")
    temp_low_c: float = Field(18, ge=0, le=40, description="a number of °C between 0 and 40")
    temp_high_c: float = Field(24, ge=0, le=50, description="a number of °C between 0 and 50")
    rh_high_pct: float = Field(65, ge=20, le=95, description="a number of % between 20 and 95")
    above_dew_point_k: float = Field(3, ge=0, le=15, description="a number of K between 0 and 15")

    @model_validator(mode="after")
    def _leaves_room(self) -> AfterCareSettings:
        if self.temp_low_c >= self.temp_high_c:
            raise ValueError(f"temp_low_c ({self.temp_low_c:g}) to lie below temp_high_c ({self.temp_high_c:g})")
        return self
