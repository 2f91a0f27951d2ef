"""The desk: one store and its settings, which every use case takes along; what marks that its facts have changed; and
the settings in the studio's terms.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.alarms.lifecycle import rewound
from curewatch.studio.care.aftercare import GENERIC, Care, Times
from curewatch.studio.care.varnish_air import AirLimits


@dataclass(frozen=True, eq=False)
class Desk:
    """What a use case works on. Safe to use from several threads."""

    store: Store
    settings: Settings
    by: str | None = None
    """Who acts, as far as it is known: stands beside what is logged."""
    sent: str | None = None
    """The number under which a device sends what it has logged, so that it counts once however often it comes."""

    @property
    def zone(self) -> ZoneInfo:
        """The studio's own."""
        return self.settings.tz

    def used_by(self, name: str | None) -> Desk:
        """The same desk, in somebody's hands; left out, as it is."""
        return self if name is None else replace(self, by=name)

    @contextmanager
    def logging(self) -> Iterator[Transaction]:
        """A transaction in which something is logged. SentBefore where it came before, under the same number."""
        with self.store.write() as tx:
            if self.sent is not None and (came_of_it := tx.came_of(self.sent)) is not None:
                raise SentBefore(*came_of_it)
            yield tx

    def note_sent(self, tx: Transaction, now: datetime, kind: str, of: Iterable[object]) -> None:
        """What came of it, in the same transaction."""
        if self.sent is not None:
            tx.note_sent(self.sent, now, kind, [str(one) for one in of])

    def local(self, at: datetime) -> datetime:
        """A moment in the studio's own zone."""
        return at.astimezone(self.zone)

    def dated(self, at: datetime) -> str:
        """`4 Dec 2026 08:05`, wherever a moment is quoted that may be typed so."""
        there = self.local(at)
        return f"{there.day} {there:%b %Y %H:%M}"


class SentBefore(Exception):
    """It is logged already: what came of it, as it is called where it can be taken back."""

    def __init__(self, kind: str, of: list[str]) -> None:
        super().__init__(f"sent before, and logged as {kind} {', '.join(of)}")
        self.kind, self.of = kind, of


def rejudge_from(tx: Transaction, rooms: Mapping[str, datetime]) -> None:
    """More is now known of these rooms from a moment on: their quiet alarms are to be judged from there again."""
    was = [alarm for alarm in tx.alarms() if alarm.room in rooms]
    now = [rewound(alarm, rooms[alarm.room] - timedelta(seconds=1)) for alarm in was]
    tx.put_alarms(new for new, old in zip(now, was, strict=True) if new != old)


def mark_changed(tx: Transaction) -> None:
    """Facts were logged: whoever keeps a view of them looks again."""
    tx.set_meta(FACTS_REVISION, str(int(tx.get_meta(FACTS_REVISION) or 0) + 1))


def mark_readings(tx: Transaction) -> None:
    """Readings were stored, and nothing else: of what is kept, the pieces still stand."""
    mark_changed(tx)
    tx.set_meta(READINGS_REVISION, str(int(tx.get_meta(READINGS_REVISION) or 0) + 1))


FACTS_REVISION = "facts_revision"
"""The store's mark that facts have changed; a daemon looks at it to see what commands and pages have logged."""
READINGS_REVISION = "readings_revision"
"""How many of those changes were readings and nothing else."""


def facts_revision(store: Store) -> str:
    """Changes whenever facts are logged, by whatever process."""
    with store.read() as tx:
        return tx.get_meta(FACTS_REVISION) or "0"


def fact_count(tx: Transaction) -> int:
    return int(tx.get_meta(FACTS_REVISION) or 0) - int(tx.get_meta(READINGS_REVISION) or 0)


DEMO = "demo"
"""The store's mark that all of it is invented, to be looked at."""


def is_demo(store: Store) -> bool:
    with store.read() as tx:
        return tx.get_meta(DEMO) is not None


READINGS_UNDONE = "readings_taken_back"
"""The store's mark that readings were taken back."""


def mark_air_changed(tx: Transaction, room: str, since: datetime) -> None:
    """What is made of a room's readings from a moment on is another now, though their number may be the same."""
    rejudge_from(tx, {room: since})
    mark_readings(tx)
    tx.set_meta(READINGS_UNDONE, str(int(tx.get_meta(READINGS_UNDONE) or 0) + 1))


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
