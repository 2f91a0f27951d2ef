"""What really became of pieces in a room's air, and how likely that was by all that anybody could know then.

Of each piece one film is true, drawn from what is believed of its pour and integrated over the room's air (which for
this film is the air, without any sensor's error). Beside it lie the films that are believed in: what is true of half
of them could have been known.

    hazard   a film at a moment: below the film-forming limit, in frost, in air too damp, drying from its skin inwards;
             by the same limits as the settings have, of its own temperature, stage and evaporation
    event    a hazard of one true film that lasts over the on-delay while it can still do harm: until the film is
             really touch-dry, damp until it can be handled; less than an hour apart is one
    odds     the largest share of the believed films that are in the same hazard, while it can do them harm, at one
             moment of the event
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.backtest import simulated_rooms
from curewatch.backtest.simulated_rooms import Kind
from curewatch.clock import RELEASED
from curewatch.desk import PourOrder
from curewatch.physics import air, ensemble
from curewatch.physics.air import AirSeries
from curewatch.physics.evaporation import Balance
from curewatch.records import AlarmKind, Reading, ThicknessSource
from curewatch.studio.alarms.conditions import Limits, film_hastes, relative_rate
from curewatch.studio.forecasting.drying import Drying
from tests.shell.month import ROOM, reading

PIECES, DAYS, POURING_DAYS = 8, 61, 48
EVERY_S = 600.0
"""How closely the truth is looked at [s]."""
BELIEVED = 32
"""Films that are believed in, beside each true one."""
ON_DELAY, APART = timedelta(minutes=10), timedelta(hours=1)
AROUND = timedelta(hours=1)
LIMITS = Limits()
AIRS = (0.1, 0.1, 0.1, 0.3)
"""One piece in four lies in a draught [m/s]."""
Flags = NDArray[np.bool_]
Shares = NDArray[np.float64]

KINDS: Mapping[str, Kind] = {
    **simulated_rooms.KINDS,
    "draughty": Kind(
        outside=0.9, walls=0.8, walls_memory_h=30, sun=0.8, heating=5.0, by_day=18, by_night=12, airing=3.0
    ),
    "cellar": Kind(
        outside=0.08, walls=0.8, walls_memory_h=250, sun=0.0, heating=3.0, by_day=17, by_night=5, airing=0.15,
        buffer=2.0, buffer_memory_h=200, moist=60,
    ),
}  # fmt: skip
"""Simulated rooms, with two more that are hard on alarms: heated by day alone, and about the film-forming limit."""


def simulated(name: str) -> list[Reading]:
    """What was read in a simulated room each half hour, `cellar 2`: its kind and its seed."""
    kind, seed = name.rsplit(maxsplit=1)
    hourly = simulated_rooms.room(KINDS[kind], int(seed), DAYS + 2)
    start = (RELEASED + timedelta(days=1)).replace(minute=0, second=0, microsecond=0)
    hours = np.arange(0, 24 * (DAYS + 2) - 1, 0.5)
    temp, rh = (np.interp(hours, np.arange(len(hourly)), one) for one in (hourly.temp_c, hourly.rh_pct))
    columns = zip(hours.tolist(), temp.tolist(), rh.tolist(), strict=True)
    return [reading(start + timedelta(hours=h), t, r) for h, t, r in columns]


@dataclass(frozen=True)
class Event:
    """A true hazard of one piece, in which a person should have been told."""

    piece: str
    kind: AlarmKind
    begin: datetime
    end: datetime
    odds: float = 1.0
    """By all that could be known of the piece then."""


@dataclass
class Truth:
    """What really became of the pieces."""

    events: list[Event] = field(default_factory=list)
    so: dict[AlarmKind, list[tuple[datetime, datetime]]] = field(default_factory=dict)
    """When any piece was in hazard by the widened limits."""
    odds: dict[AlarmKind, list[tuple[Shares, Shares]]] = field(default_factory=dict)
    """Of each piece: at which moments [s] what share of the believed films was in hazard by the widened limits."""

    def likely(self, kind: AlarmKind, at: datetime) -> float:
        """The odds that some piece was in hazard within `AROUND` of `at`: those of the likeliest one."""
        near = AROUND.total_seconds()
        found = [share[abs(time_s - at.timestamp()) <= near] for time_s, share in self.odds.get(kind, ())]
        return max((float(share.max()) for share in found if len(share)), default=0.0)


def pours_of(name: str, start: datetime) -> list[PourOrder]:
    """Eight pours by hand and eye, at hours at which people pour."""
    chance = random.Random(f"alarms {name}")
    days = sorted(chance.uniform(0, POURING_DAYS) for _ in range(PIECES))
    orders = [
        PourOrder(
            f"Piece {k}",
            ROOM,
            start.replace(hour=0, minute=0) + timedelta(days=int(day) + 1, hours=chance.uniform(8, 20)),
            chance.uniform(0.6, 1.6) * 1e-3,
            ThicknessSource.GAUGE,
            air_speed_m_s=AIRS[k % len(AIRS)],
        )
        for k, day in enumerate(days, 1)
    ]
    return sorted(orders, key=lambda order: order.at)


def truth_of(record: Sequence[Reading], dryings: Sequence[Drying], until: datetime) -> Truth:
    """The true films, drawn once by the pieces' names, in the recorded air, and those that are believed in."""
    found = Truth()
    columns = np.array([(one.at.timestamp(), one.temp_c, one.rh_pct) for one in record], dtype=float).T
    for drying in dryings:
        poured_s = drying.pour.at.timestamp()
        ages = np.arange(0.0, until.timestamp() - poured_s, EVERY_S)
        true = np.random.default_rng(list(drying.piece.name.encode())).standard_normal((1, len(ensemble.SPREADS)))
        for exact in ("air_temp", "air_rh"):
            true[:, ensemble.SPREADS.index(exact)] = 0.0
        z = np.concatenate([true, ensemble.design(BELIEVED)])
        series = AirSeries.from_celsius([(columns[0], columns[1], columns[2])], poured_s)
        run = ensemble.run([drying.pouring], z, series, float(ages[-1]), sample_at=ages)
        _add(found, drying, run, ages, columns)
    return found


def _add(found: Truth, drying: Drying, run: ensemble.EnsembleRun, ages: Any, columns: Any) -> None:
    times = drying.pour.at.timestamp() + ages
    temp, rh = np.interp(times, columns[0], columns[1]), np.interp(times, columns[0], columns[2])
    touch, handle = run.reached_s[1, 0], run.reached_s[2, 0]
    for wider in (False, True):
        for kind, on in _hazards(drying, run, temp, rh, wider=wider).items():
            harmed = ages[:, None] < (handle if wider or kind is AlarmKind.DAMP else touch)
            true, share = (on & harmed)[:, 0], (on & harmed)[:, 1:].mean(axis=1)
            if wider:
                found.so.setdefault(kind, []).extend(_spans(true, times))
                found.odds.setdefault(kind, []).append((times, share))
                continue
            for begin, end in _joined(_spans(true, times)):
                if end - begin > ON_DELAY:
                    within = (times >= begin.timestamp()) & (times <= end.timestamp())
                    found.events.append(Event(drying.piece.name, kind, begin, end, float(share[within].max())))


def _hazards(drying: Drying, run: ensemble.EnsembleRun, temp: Any, rh: Any, *, wider: bool) -> dict[AlarmKind, Flags]:
    """Moment by moment, what each film is in (times, films); `wider`: by limits moved out by the deadband."""
    film, rate = run.samples["film_temperature"][:, 0], run.samples["rate"][:, 0]
    side, h_back = (np.full(film.shape[1], x) for x in (drying.pouring.side, drying.pouring.h_back))
    haste = film_hastes(Balance(film, rate, rate, rate), run.solids_m(0), side, h_back, LIMITS)
    c, pct, share = (LIMITS.deadband_c, LIMITS.deadband_rh_pct, 1.2) if wider else (0.0, 0.0, 1.0)
    slow = relative_rate(temp, rh)
    damp = (rh > LIMITS.damp_rh_pct - pct) | (slow < LIMITS.damp_rate_fraction * share)
    return {
        AlarmKind.COLD: film - air.ZERO_C < LIMITS.cold_mfft_c + c,
        AlarmKind.FROST: np.broadcast_to((temp <= LIMITS.frost_c + c)[:, None], film.shape),
        AlarmKind.DAMP: np.broadcast_to(damp[:, None], film.shape),
        AlarmKind.TOO_FAST: haste > 1.0 / share,
    }


def _spans(on: Flags, times: Any) -> list[tuple[datetime, datetime]]:
    """From the first to the last moment of each run of true flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    moments = [datetime.fromtimestamp(float(at), UTC) for at in times]
    return [(moments[a], moments[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _joined(spans: list[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    """As one, where less than `APART` lies between."""
    found: list[tuple[datetime, datetime]] = []
    for begin, end in spans:
        if found and begin - found[-1][1] < APART:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found
