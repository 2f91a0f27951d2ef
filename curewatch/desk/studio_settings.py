"""The settings in the studio's terms: alarm limits, and the care after a pour."""

from __future__ import annotations

from datetime import timedelta

from curewatch.settings import Settings
from curewatch.studio.alarms.conditions import Limits
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


def limits_of(settings: Settings) -> Limits:
    """The alarm settings in the studio's terms."""
    s = settings.alarms
    return Limits(
        cold_mfft_c=s.cold_mfft_c,
        frost_c=s.frost_c,
        damp_rh_pct=s.damp_rh_pct,
        damp_rate_fraction=s.damp_rate_fraction,
        fast_temp_c=s.fast_temp_c,
        fast_rh_pct=s.fast_rh_pct,
        deadband_c=s.deadband_c,
        deadband_rh_pct=s.deadband_rh_pct,
        on_delay=timedelta(minutes=s.on_delay_min),
        off_delay=timedelta(minutes=s.off_delay_min),
        reminder=timedelta(hours=s.reminder_h),
        stale_after=timedelta(minutes=s.stale_after_min),
        typed_stale_after=timedelta(hours=s.typed_stale_after_h),
    )
