"""Alarms ahead of time: what the outlook of a room's air would do to its wet pieces, said the evening before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta

import numpy as np

from curewatch.language import Listed, Message, Percent, Temperature, When, joined, phrase
from curewatch.physics.air import Array
from curewatch.records import AlarmKind, Notice
from curewatch.studio.air.climate import AirBands, Climate
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.alarm_notices import ONCE, ascii_name, once_key
from curewatch.studio.alarms.alarm_words import NOTHING_HELPS
from curewatch.studio.alarms.conditions import ON, Limits, OccupiedRoom
from curewatch.studio.alarms.remedies import Remedy, remedy
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.wording import Local

KINDS = (AlarmKind.FROST, AlarmKind.COLD, AlarmKind.DAMP)
"""The worse first: of a night that brings frost, frost is told."""
EVENING = (time(16), time(23))
"""When it is said, in the studio's zone: late enough to know, early enough to act."""
WITHIN = timedelta(hours=16)
"""How far ahead is looked: until the next morning."""
LASTS = timedelta(hours=1)
"""Shorter than this it is not worth a word."""


@dataclass(frozen=True)
class Foreseen:
    """A condition that an alarm would be raised for, to come at even odds (frost: in one case of ten)."""

    kind: AlarmKind
    begins_at: datetime
    ends_at: datetime
    coldest_c: float
    """Lowest room temperature in that time, at even odds [°C]."""
    coldest_low_c: float
    """And in one case of ten [°C]."""
    dampest_pct: float
    stake: tuple[Drying, ...]
    """The pieces that are wet then."""
    remedy: Remedy | None = None
    """What to do about it, and about all else that it would bring."""


def foreseen(room: OccupiedRoom, future: AirBands, limits: Limits, now: datetime) -> Foreseen | None:
    """The worst that is to come within WITHIN for what is wet in `room`; None where nothing is."""
    inside = (future.time_s > now.timestamp()) & (future.time_s <= (now + WITHIN).timestamp())
    if not inside.any() or not room.dryings:
        return None
    times = future.time_s[inside]
    likely = conditions.codes(_in_air(room, future, future.temp_c), times, limits)
    low = conditions.codes(_in_air(room, future, future.temp_low_c), times, limits)
    for kind in KINDS:
        codes = (low if kind is AlarmKind.FROST else likely)[kind]
        span = _first_run(codes == ON, times)
        if span is None:
            continue
        begins, ends = (datetime.fromtimestamp(float(at), UTC) for at in times[list(span)])
        if ends - begins < LASTS:
            continue
        part = slice(span[0], span[1] + 1)
        worst = _in_air(room, future, future.temp_low_c if kind is AlarmKind.FROST else future.temp_c)
        moments = [datetime.fromtimestamp(float(at), UTC) for at in times[part]]
        stake = {d.piece.id: d for at in moments for d in room.wet_at(at, kind)}
        return Foreseen(
            kind=kind,
            begins_at=begins,
            ends_at=ends,
            coldest_c=float(future.temp_c[inside][part].min()),
            coldest_low_c=float(future.temp_low_c[inside][part].min()),
            dampest_pct=float(future.rh_pct[inside][part].max()),
            stake=tuple(stake.values()),
            remedy=_remedy(worst, times[part], kind, limits),
        )
    return None


def _remedy(room: OccupiedRoom, time_s: Array, kind: AlarmKind, limits: Limits) -> Remedy | None:
    """For the worst moment of the time that is foreseen: what ends it then does so all along."""
    assert room.climate is not None
    temp, rh = room.climate.at(time_s)
    at_s = time_s[[int(rh.argmax() if kind is AlarmKind.DAMP else temp.argmin())]]
    on = [one for one, codes in conditions.codes(room, at_s, limits).items() if codes[0] == ON]
    return remedy(room, {kind, *on}, datetime.fromtimestamp(float(at_s[0]), UTC), limits)


def _in_air(room: OccupiedRoom, future: AirBands, temp_c: Array) -> OccupiedRoom:
    """The room as it would be in this air."""
    newest = float(future.time_s[-1])
    air = Climate(
        time_s=future.time_s,
        temp_c=temp_c,
        rh_pct=future.rh_pct,
        known_from_s=float(future.time_s[0]),
        newest_s=newest,
        live_s=newest,
        cadence_s=0.0,
    )
    return replace(room, climate=air)


def _first_run(flags: Array, times: Array) -> tuple[int, int] | None:
    """First and last index of the first run of true flags."""
    if not flags.any():
        return None
    first = int(np.argmax(flags))
    after = np.flatnonzero(~flags[first:].astype(bool))
    return first, first + int(after[0]) - 1 if len(after) else len(times) - 1


def is_time_to_tell(now: datetime, local: Local) -> bool:
    """Whether it is evening in the studio."""
    return EVENING[0] <= local(now).time() < EVENING[1]


def key_of(room: str, kind: AlarmKind, now: datetime, local: Local) -> str:
    """One notice a room, kind and evening."""
    return f"foreseen/{kind}/{ascii_name(room)}/{local(now).date().isoformat()}"


def notice(room: OccupiedRoom, found: Foreseen, now: datetime, local: Local) -> Notice:
    """What is to come, what is at stake, and what to do by when; days by name, for it may be read later."""
    begins = When(found.begins_at, now)
    advice = NOTHING_HELPS if found.remedy is None else found.remedy.text(phrase("Before {begin}", begin=begins))
    once = not room.heated and found.kind in ONCE
    title = phrase("{room}: {what} from {begin}", room=room.name, what=_TITLES[found.kind], begin=begins)
    what = phrase(
        "{what} from about {begin} to {end}, as far as this room's past tells. At stake: {pieces}.",
        what=_what(found),
        begin=begins,
        end=When(found.ends_at, now),
        pieces=Listed(tuple(drying.piece.name for drying in found.stake)),
    )
    told = joined(what, advice)
    return Notice(
        key=once_key(room, found.kind) if once else key_of(room.name, found.kind, now, local),
        kind="foreseen",
        created_at=now,
        title=title,
        text=told if found.remedy is None else found.remedy.safely(told),
        expires_at=found.ends_at,
        room=room.name,
        data={
            "alarm": found.kind.value,
            "begins_at": found.begins_at.isoformat(),
            "ends_at": found.ends_at.isoformat(),
            "names": [drying.piece.name for drying in found.stake],
            "at": now.isoformat(),
        },
    )


_TITLES = {
    AlarmKind.FROST: phrase("frost may come"),
    AlarmKind.COLD: phrase("will be too cold for wet paint"),
    AlarmKind.DAMP: phrase("will be too damp to dry"),
}


def _what(found: Foreseen) -> Message:
    low = Temperature(found.coldest_low_c, 1)
    if found.kind is AlarmKind.FROST:
        return phrase("It may freeze, in one case of ten down to {low},", low=low)
    if found.kind is AlarmKind.COLD:
        return phrase(
            "The room falls to about {temp} (in one case of ten {low})", temp=Temperature(found.coldest_c, 1), low=low
        )
    return phrase("The air rises to about {rh}", rh=Percent(found.dampest_pct, of="%RH"))
