"""The ensemble, marched through the air that pieces have had and then each member through its own future.

What is past is the same for all members and particular to the piece; what is to come is shared by the pieces of a
room, whenever they were poured, and particular to the member. So the march has two legs: to the end of the room's
record in seconds from the pour, and on in seconds from that end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from curewatch.physics import ensemble, march
from curewatch.physics.air import ZERO_C
from curewatch.physics.series import AirSeries
from curewatch.physics.state import State
from curewatch.studio.climate import Array
from curewatch.studio.future import RoomFuture
from curewatch.studio.knowing import Knowing, deviates
from curewatch.studio.members import Marched, films_at


@dataclass(frozen=True)
class Leg:
    """One piece on its march."""

    pouring: ensemble.Pouring
    poured_s: float
    """[s since 1970 UTC]"""
    air: tuple[Array, Array, Array]
    """The air it has had: time [s since 1970 UTC], temperature [°C], humidity [%]; the last value holds."""
    future: RoomFuture | None
    """Of the room it is in now; None: the last value holds for good."""
    until_s: float
    """How far to look [s from the pour]."""
    knowing: Knowing | None = None
    """What was learned about it, if anything."""


def run(
    legs: Sequence[Leg], members: int, *, sample_at: Array | None = None
) -> tuple[list[ensemble.Outcome], dict[str, Array]]:
    """Outcomes of the pieces, and samples (times, pieces, members) at `sample_at` [s from the pour].

    With one member, the central film goes through the middle of the future. Samples are taken in the past only.
    Members are weighed against the piece's own observations, unless samples are asked for, which are of all alike.
    """
    weighs = sample_at is None
    if weighs:
        looks = {age for leg in legs if leg.knowing is not None for age in leg.knowing.times}
        sample_at = np.array(sorted(looks)) if looks else None
    z = np.stack([deviates(leg.knowing, members) for leg in legs])
    films = films_at([leg.pouring for leg in legs], z)
    past = AirSeries([(t - leg.poured_s, temp + ZERO_C, rh / 100) for leg in legs for t, temp, rh in [leg.air]])
    rooms = np.repeat(np.arange(len(legs)), members)
    limit = np.repeat([leg.until_s for leg in legs], members)
    ends = [leg.until_s if leg.future is None else leg.future.time_s[0] - leg.poured_s for leg in legs]
    first = np.minimum(np.repeat(np.clip(ends, 0.0, None), members), limit)
    state, samples = march.march(films, past, rooms, first, sample_at=sample_at)
    temp, rh = past.at(limit, rooms)
    going = np.flatnonzero(first < limit)
    if len(going):
        series, index, origin = _futures(legs, members)
        shift = np.repeat([leg.poured_s for leg in legs], members)[going] - origin[going]
        part, _ = march.march(
            films.take(going), series, index[going], limit[going] + shift, state=_shifted(state.take(going), shift)
        )
        state.put(going, _shifted(part, -shift))
        temp[going], rh[going] = series.at(limit[going] + shift, index[going])
    hindrance = ensemble.hindrances(films, state, temp, rh)
    shape = (4, len(legs), members)
    runs = Marched(
        films=films,
        reached_s=state.reached.reshape(shape),
        hindrance=hindrance.reshape(shape),
        samples={name: value.reshape(-1, len(legs), members) for name, value in samples.items()},
        times=np.empty(0) if sample_at is None else sample_at,
    )
    weights = [
        leg.knowing.weights(runs, i, z[i]) if weighs and leg.knowing is not None else None for i, leg in enumerate(legs)
    ]
    outcomes: list[ensemble.Outcome] = [runs.outcome(i, weight) for i, weight in enumerate(weights)]
    return outcomes, runs.samples


def _futures(legs: Sequence[Leg], members: int) -> tuple[AirSeries, np.ndarray, Array]:
    """The rooms' futures as series in seconds from the end of each record, and each film's series and that end."""
    series: list[tuple[Array, Array, Array]] = []
    begin: dict[int, int] = {}
    index, origin = np.zeros((len(legs), members), dtype=np.intp), np.zeros((len(legs), members))
    for i, leg in enumerate(legs):
        if leg.future is None:
            continue
        ahead = leg.future
        if id(ahead) not in begin:
            begin[id(ahead)] = len(series)
            rows = range(1) if members == 1 else range(1, members + 1)
            since = ahead.time_s - ahead.time_s[0]
            series += [(since, ahead.temp_c[row] + ZERO_C, ahead.rh_pct[row] / 100) for row in rows]
        index[i] = begin[id(ahead)] + np.arange(members)
        origin[i] = ahead.time_s[0]
    return AirSeries(series), index.ravel(), origin.ravel()


def _shifted(state: State, by_s: Array) -> State:
    """The same state with its times counted from another moment; `inf` stays."""
    return replace(state, t=state.t + by_s, since=state.since + by_s, reached=state.reached + by_s)
