"""The page of one room: how its air has been and is foreseen, who measures it, and what lies wet in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

from curewatch.desk.reports.room import RoomRecord, room_outlook, room_record, room_sensors
from curewatch.physics.air import Array
from curewatch.settings import AlarmSettings
from curewatch.studio.air.climate import HOUR_S
from curewatch.studio.outlook.outlook import Band, Outlook
from curewatch.web.pages.board import axis_of, is_wet, row
from curewatch.web.plots.plot import Curve, Plot, thinned
from curewatch.web.site import Here, page
from curewatch.web.texts import Words

POINTS = 150


@dataclass(frozen=True)
class _Quantity:
    """One of the two that a room has."""

    name: str
    title: str
    css: str
    unit: str
    digits: int
    limits: tuple[tuple[float, str], ...]


def air_plots(
    record: RoomRecord, ahead: Outlook | None, since_s: float, limits: AlarmSettings, words: Words
) -> list[Plot]:
    """Temperature and humidity from `since_s` on, and for the hours to come with the band of 10 to 90 %."""
    climate = record.climate
    times = np.concatenate([[since_s], climate.time_s[climate.time_s > since_s]])
    temp, rh = climate.at(times)
    began = max(since_s, float(climate.time_s[0]))
    at, temp, rh = (a[times >= began] for a in (times, temp, rh))
    if len(at) < 2:
        return []
    at, temp, rh = thinned(at, temp, rh, most=POINTS)
    bands = (None, None) if ahead is None else (ahead.temp_c, ahead.rh_pct)
    hours = np.empty(0) if ahead is None else ahead.first_s + HOUR_S * (np.arange(len(ahead.temp_c.mid)) + 0.5)
    return [
        _plot(quantity, at, past, np.asarray(hours, dtype=float), band, record, since_s, words)
        for quantity, past, band in zip(_quantities(limits), (temp, rh), bands, strict=True)
    ]


def _quantities(limits: AlarmSettings) -> tuple[_Quantity, _Quantity]:
    cold = ((limits.cold_mfft_c, f"cold {limits.cold_mfft_c:g} °C"), (limits.frost_c, f"frost {limits.frost_c:g} °C"))
    damp = (
        (limits.damp_rh_pct, f"damp {limits.damp_rh_pct:g} %"),
        (limits.fast_rh_pct, f"too dry {limits.fast_rh_pct:g} %"),
    )
    return (
        _Quantity("temp_c", "Room temperature, °C", "temp", "°C", 1, cold),
        _Quantity("rh_pct", "Relative humidity, %", "damp", "%", 0, damp),
    )


def _plot(
    quantity: _Quantity, at: Array, past: Array, hours: Array, band: Band | None, record: RoomRecord, since_s: float,
    words: Words,
) -> Plot:  # fmt: skip
    ahead = hours > at[-1]
    hours = hours[ahead]
    nothing, none_yet = np.full(len(at), np.nan), np.full(len(hours), np.nan)
    curves = [Curve("as read", quantity.css, np.concatenate([past, none_yet]), absent="–")]
    if band is not None and len(hours):
        low, mid, high = (np.concatenate([nothing, edge[ahead]]) for edge in (band.low, band.mid, band.high))
        curves.append(Curve("foreseen", quantity.css, mid, "second", low, high, absent="–"))
    foreseen = (
        " Dashed, with a band that holds four cases of five: foreseen from the room's own habits." if band else ""
    )
    aside = [one for one in record.aside if one.quantity == quantity.name and one.at_s >= since_s]
    return Plot(
        title=quantity.title,
        description=f"The room's air as read, with the limits of its alarms.{foreseen}",
        unit=quantity.unit,
        at=np.concatenate([at, hours]),
        curves=tuple(curves),
        words=words,
        limits=quantity.limits,
        points=tuple((one.at_s, one.value) for one in aside),
        digits=quantity.digits,
    )


router = APIRouter(include_in_schema=False)
SPANS = {"day": timedelta(days=1), "week": timedelta(days=7), "month": timedelta(days=30)}


@router.get("/room/{name:path}")
def room(request: Request, site: Here, name: str, span: str = "day") -> HTMLResponse:
    now = site.clock.now()
    kept = site.boards.look(now)
    line = next((one for one in kept.rooms if one.name == name), None)
    if line is None:
        raise HTTPException(404)
    span = span if span in SPANS else "day"
    board, words = kept.board(now), site.words(now)
    wet = [one for one in board.pieces if one.room == name and is_wet(one, now)]
    alarms = [alarm for alarm in board.alarms if alarm.room == name]
    since = now - SPANS[span]
    record = room_record(site.desk, name, since, now)
    ahead = site.outlooks(f"{line.data_at} {name}", lambda: room_outlook(site.desk, name, now))
    limits = site.desk.settings.alarms
    axis = axis_of(wet, now)
    return page(
        request,
        "room.html",
        now,
        mark=kept.mark,
        room=line,
        span=span,
        spans=list(SPANS),
        plots=[] if record is None else air_plots(record, ahead, since.timestamp(), limits, words),
        foreseen=ahead is not None,
        doubts=[] if record is None else record.doubts(since.timestamp(), words.local),
        sensors=room_sensors(site.desk, kept, name, now),
        alarms=alarms,
        axis=axis,
        rows=[row(one, axis, words, in_danger=bool(alarms)) for one in wet[:30]],
        wet=len(wet),
        dry=sum(one.room == name for one in board.pieces) - len(wet),
    )
