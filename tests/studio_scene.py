"""A small studio to test on: pieces, rooms and their air, as the pure middle wants them. Times are hours from NOON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.physics.ensemble import SPREADS
from curewatch.records import (
    Forecast,
    Milestone,
    MilestoneKind,
    Piece,
    Pour,
    Recipe,
    Stay,
    Support,
    ThicknessSource,
)
from curewatch.studio.air.climate import Climate, climate_of
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.forecasting.batch import MODEL_VERSION
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.inference.factors import Gaussian
from curewatch.studio.inference.posterior import Posterior

NOON = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
LIMITS = Limits()
SHED = "Boat shed"
Dates = Mapping[MilestoneKind, tuple[float | None, float | None]]


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def local(moment: datetime) -> datetime:
    return moment


def drying(
    name: str = "Heron",
    *,
    piece_id: int = 1,
    poured: float = 0.0,
    rooms: Iterable[tuple[str, float]] = (),
    place: str | None = None,
    air: float = 0.1,
    side: float = 0.3,
    silicone: bool = False,
    support: Support = Support.CANVAS,
    recipe: Recipe | None = None,
    thickness_m: float = 1.2e-3,
) -> Drying:
    """A piece poured at `poured` [h]; `rooms`: (room, since [h])."""
    pour = Pour(
        piece_id=piece_id,
        at=at(poured),
        wet_thickness_m=thickness_m,
        thickness_source=ThicknessSource.GAUGE,
        width_m=side,
        height_m=side,
        recipe="house mix",
        silicone=silicone,
        support=support,
        air_speed_m_s=air,
    )
    stays = [Stay(piece_id=piece_id, room=r, place=place, since=at(h)) for r, h in rooms or [(SHED, poured)]]
    piece = Piece(id=piece_id, name=name, created_at=at(poured))
    return Drying(piece, pour, recipe or Recipe(name="house mix"), tuple(stays))


def surely(piece: Drying) -> Drying:
    """The piece, as if nothing of its film were unknown: what its dates still spread by is the air."""
    known = Gaussian(np.zeros(len(SPREADS)), 1e-12 * np.eye(len(SPREADS)))
    return replace(piece, posterior=Posterior(piece.pour, (), known, known))


def dates(
    piece_id: int = 1,
    *,
    even: Mapping[str, float] | None = None,
    safe: Mapping[str, float] | None = None,
    made: float = 0.0,
    gap_h: float | None = None,
    usual_gap_h: float | None = None,
    reason: str = "not in this room: too damp, the film's water stays above the limit",
) -> Forecast:
    """A forecast with given dates [h], by milestone; the others are not foreseen."""  # fmt: skip
    even, safe = even or {}, safe or {}
    milestones = tuple(
        Milestone(
            kind=kind,
            early_at=None,
            worth_checking_at=at(even[kind]) if kind in even else None,
            safe_at=at(safe[kind]) if kind in safe else None,
            reason=None if kind in safe else reason,
        )
        for kind in MilestoneKind
    )
    return Forecast(
        piece_id=piece_id,
        made_at=at(made),
        model_version=MODEL_VERSION,
        fingerprint="f",
        milestones=milestones,
        data_until=at(made),
        room_temp_c=20.0,
        room_rh_pct=50.0,
        skin_gap_h=gap_h,
        usual_skin_gap_h=usual_gap_h,
    )


def air(*readings: tuple[float, float | None, float | None]) -> Climate:
    """A climate from readings (time [h], temperature [°C], humidity [%])."""
    columns = np.array(
        [[at(h).timestamp(), np.nan if t is None else t, np.nan if r is None else r] for h, t, r in readings]
    )
    found = climate_of(columns[:, 0], columns[:, 1], columns[:, 2])
    assert found is not None
    return found


def every(
    minutes: float, until: float, temp: float, rh: float, *, start: float = 0.0
) -> list[tuple[float, float, float]]:
    """Readings of air that stays as it is, from `start` to `until` [h]."""
    count = int((until - start) * 60 / minutes) + 1
    return [(start + i * minutes / 60, temp, rh) for i in range(count)]


def room(
    *dryings: Drying, climate: Climate | None = None, sensor: bool = True, forecasts: Iterable[Forecast] = ()
) -> OccupiedRoom:
    return OccupiedRoom(SHED, dryings, {f.piece_id: f for f in forecasts}, climate, sensor)
