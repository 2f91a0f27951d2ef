"""Everything that is known of one piece: its facts, the air it had, how it dried in it, and what may have gone
wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from curewatch.desk.desk import Desk, care_of, limits_of
from curewatch.desk.mixing import Materials, as_mixed
from curewatch.desk.orders import nearest, series_here
from curewatch.desk.snapshot.air import AirCache
from curewatch.desk.snapshot.pieces import Seen, dryings_of, seen_of, within_findings
from curewatch.language import phrase
from curewatch.records import Damage, Forecast, MilestoneKind, Piece
from curewatch.records.corrections import Change, Correction
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Observation
from curewatch.records.workshop import Photo, StepDone, Tilt
from curewatch.store import Transaction
from curewatch.studio.air.climate import Climate
from curewatch.studio.care.aftercare import Step, milestone
from curewatch.studio.diagnosis.drying_history import SILENT_S, PastAir, Trace, past_air, trace
from curewatch.studio.diagnosis.mechanisms import Case, CoatAir, Diagnosis, Trouble, findings
from curewatch.studio.forecasting.drying import Drying


@dataclass(frozen=True)
class PieceHistory:
    """One piece's facts, and what was made of them."""

    drying: Drying
    forecast: Forecast | None
    climates: dict[str, Climate]
    """By room, the air of every room it has lain in; rooms that were never read are missing."""
    steps: tuple[StepDone, ...]
    """Those undone too."""
    damages: tuple[Damage, ...]
    photos: tuple[Photo, ...] = ()
    """By when they were taken."""

    @property
    def name(self) -> str:
        return self.drying.piece.name


def history(desk: Desk, name: str, now: datetime) -> PieceHistory:
    """The piece called `name`: the one that is here, else the last of that name that left. InputError, with near names,
    if there never was one.
    """
    with desk.store.read() as tx:
        return history_of(tx, find(tx, name), now)


def history_of(tx: Transaction, piece: Piece, now: datetime) -> PieceHistory:
    """Of a piece that was poured, here or gone."""
    air = AirCache()
    (drying,) = dryings_of(tx, [piece])
    until = min(now, piece.gone_at) if piece.gone_at else now
    known = {stay.room: air.climate(tx, stay.room, drying.pour.at, until) for stay in drying.stays_since_pour}
    return PieceHistory(
        drying,
        within_findings(tx.forecasts([piece.id]), [drying], until).get(piece.id),
        {room: climate for room, climate in known.items() if climate is not None},
        tuple(tx.steps([piece.id])),
        tuple(tx.damages([piece.id])),
        tuple(tx.photos([piece.id])),
    )


def find(tx: Transaction, name: str) -> Piece:
    """The piece of that name that is here, else the last poured one that left. InputError if there never was one."""
    here, gone = tx.pieces(), tx.pieces(gone=True)
    alike = [piece for piece in (*here, *reversed(gone)) if piece.name == name]
    poured = {pour.piece_id for pour in tx.pours([piece.id for piece in alike])}
    for piece in alike:
        if piece.id in poured:  # one that was taken back has left without its pour
            return piece
    raise InputError(
        Field.PIECE, name, nearest(name, [piece.name for piece in (*here, *gone)], phrase("a piece's name"))
    )


FREEZING_C = 0.0


@dataclass(frozen=True)
class CureRecord:
    """Everything of one piece, as known now."""

    history: PieceHistory
    wet_air: PastAir | None
    """From the pour until it may safely be handled, or as far as it has come."""
    whole_air: PastAir | None
    """From the pour until now, or until it left."""
    trace: Trace | None
    seen: tuple[Seen, ...]
    now: datetime
    tilts: tuple[Tilt, ...] = ()
    """As measured of its support, by time."""
    corrections: tuple[Correction, ...] = ()
    """Of what was logged of its pour, in the order they were made."""
    changes: tuple[Change, ...] = ()
    """What these changed."""

    @property
    def observations(self) -> list[Observation]:
        return [one.observation for one in self.seen]

    @property
    def steps(self) -> tuple[StepDone, ...]:
        """Those that stand as done."""
        return tuple(step for step in self.history.steps if step.undone_at is None)


def cure_record_of(desk: Desk, name: str, now: datetime) -> CureRecord:
    """InputError, with near names, for a name that no piece bears or bore."""
    return cure_record_from(desk, history(desk, name, now), now)


def cure_record_from(desk: Desk, found: PieceHistory, now: datetime) -> CureRecord:
    """As `cure_record_of`, for a piece whose history is at hand."""
    drying, limits = found.drying, limits_of(desk.settings)
    end = min(now, drying.piece.gone_at or now)
    handle = milestone(found.forecast, MilestoneKind.HANDLE).safe
    with desk.store.read() as tx:
        seen, tilts = seen_of(tx, drying.piece.id), tx.tilts([drying.piece.id])
        corrections = tx.corrections([drying.piece.id])
        changes = tx.changes([one.id for one in corrections])
    return CureRecord(
        found,
        past_air(drying, found.climates, min(end, handle or end), limits),
        past_air(drying, found.climates, end, limits),
        trace(drying, found.climates, limits, end),
        tuple(seen),
        now,
        tuple(tilts),
        tuple(corrections),
        tuple(changes),
    )


COMPARED_MOST = 3
"""So many records stand side by side."""


def compared(desk: Desk, one: str, other: str | None, now: datetime) -> list[CureRecord]:
    """The records of two pieces, or, where only one name is given, of that series: of its pieces first those that were
    poured otherwise than the others. InputError for a name that nothing bears or bore."""
    if other is not None:
        return [cure_record_of(desk, name, now) for name in (one, other)]
    with desk.store.read() as tx:
        pieces = tx.pieces()
        if one in {piece.name for piece in pieces} - {piece.series for piece in pieces}:
            raise InputError(
                Field.OTHER, None, phrase("another piece beside {one}, or the name of a series alone", one=one)
            )
        members = dryings_of(tx, series_here(tx, one))
    unlike = {(d.pour.recipe, d.pour.silicone, d.pour.support, d.pour.wet_thickness_m): d for d in reversed(members)}
    first = sorted(unlike.values(), key=lambda drying: drying.piece.id)
    alike = [drying for drying in members if drying not in first] if len(first) < 2 else []
    chosen = [*first, *alike][:COMPARED_MOST]
    return [cure_record_of(desk, drying.piece.name, now) for drying in chosen]


def why(desk: Desk, looked: CureRecord, trouble: Trouble) -> list[Diagnosis]:
    """The mechanisms behind a trouble, held against the record. SettingsError where the materials cannot be read."""
    drying, climates = looked.history.drying, looked.history.climates
    limits, wet = limits_of(desk.settings), looked.wet_air
    frost_h = None
    if wet is not None:
        freezing = past_air(drying, climates, wet.ends_at, replace(limits, cold_mfft_c=FREEZING_C))
        frost_h = None if freezing is None else freezing.cold_h
    coats = tuple(
        CoatAir(step.step, step.done_at, _air_at(looked.history, step.done_at))
        for step in looked.steps
        if step.step == Step.ISOLATION or step.step.startswith("varnish-")
    )
    handle = milestone(looked.history.forecast, MilestoneKind.HANDLE)
    _, mix = as_mixed(desk, drying.recipe.name, Materials.of(desk.settings))
    water_share = None if mix is None else mix.added_water_share
    case = Case(
        drying, looked.trace, wet, looked.steps, coats, handle, water_share, frost_h, care_of(desk.settings),
        looked.now, looked.tilts, None if looked.history.forecast is None else looked.history.forecast.crack_odds,
    )  # fmt: skip
    return findings(trouble, case)


def _air_at(found: PieceHistory, at: datetime) -> tuple[float, float] | None:
    """Temperature and humidity where the piece lay at that moment; None unless it was read within hours of it."""
    stays_since_pour = [stay for stay in found.drying.stays_since_pour if stay.since <= at] or [
        found.drying.stays_since_pour[0]
    ]
    climate = found.climates.get(stays_since_pour[-1].room)
    if climate is None or np.abs(climate.time_s - at.timestamp()).min() > SILENT_S:
        return None
    temp, rh = climate.at(at.timestamp())
    return float(temp), float(rh)
