"""What a studio does to its pieces after the pour, as its settings say."""

from __future__ import annotations

from datetime import timedelta

from curewatch.settings import Settings
from curewatch.studio.care.aftercare import GENERIC, Care, Times
from curewatch.studio.care.varnish_air import AirLimits


def care_of(settings: Settings) -> Care:
    """The settings in the studio's terms."""
    s = settings.aftercare
    varnish = None if s.varnish == "none" else s.varnish
    usual = GENERIC[varnish or "water", s.applied]
    times = Times(
        usual.touch if s.touch_h is None else timedelta(hours=s.touch_h),
        usual.recoat if s.recoat_h is None else timedelta(hours=s.recoat_h),
        usual.cure if s.cure_d is None else timedelta(days=s.cure_d),
    )
    return Care(
        varnish=varnish,
        applied=s.applied,
        coats=s.coats,
        isolation=s.isolation_coat,
        times=times,
        wash_dry=timedelta(hours=s.wash_dry_h),
        isolation_dry=timedelta(hours=s.isolation_dry_h),
        skins_m=s.skins_mm * 1e-3,
        air=AirLimits(s.temp_low_c, s.temp_high_c, s.rh_high_pct, s.above_dew_point_k),
    )
