"""From which moment on a piece's members may be gone on with, and what vouches for them.

A forecast integrates each member from the pour to the end of the room's record and on. The first part is over and done
with, so the members are kept as they were at the last whole hour before which the record has settled; the next
forecast goes on from there. What is kept carries the hash of every fact it stands for: where a reading came late, a
piece was moved, a recipe corrected, something learned, or the model changed, the hash is another and the piece is
integrated from its pour again. Both ways come to the same forecast (physics/solver/state.py says why).
"""

from __future__ import annotations

import hashlib
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from curewatch.physics.air import Array
from curewatch.physics.solver.monitor import SAMPLED
from curewatch.physics.solver.state import State, pack, unpack
from curewatch.records.forecasts import Checkpoint
from curewatch.studio.air.climate import Air
from curewatch.studio.forecasting.simulation import GRID, DryingProblem, Trajectories
from curewatch.studio.outlook.gap_uncertainty import GapUncertainty

HOUR_S = 3600.0
SETTLES_S = 900.0
"""A moment of a record may still change while later readings of its five minutes come in, or a spike shows as one by
the next reading: nothing is kept of the last quarter of an hour. What changes later is found by the hash."""
_COUNT = struct.Struct("<I")


def checkpoint_time(air: Air, poured_s: float, newest_s: float) -> float | None:
    """The last whole hour [s since 1970] that lies in the settled part of a piece's air; None: none since the pour.

    `newest_s`: until when its room was read, both quantities.
    """
    time = air[0]
    settled = int(np.searchsorted(time, time[-1] - SETTLES_S, "right")) - 1
    if settled < 0:
        return None
    hour = math.floor(min(float(time[settled]), newest_s) / HOUR_S) * HOUR_S
    return hour if hour > poured_s else None


def checkpoint_fingerprint(
    version: str, facts: str, members: int, air: Air, uncertainty: GapUncertainty | None, until_s: float
) -> str:
    """Hash of what states at `until_s` [s since 1970] stand for: `facts` of the piece, and the air up to there
    with what is not known of it."""
    digest = hashlib.sha256(f"{version} {facts} {members} {until_s!r}".encode())
    # the knot after the moment bears on the air before it
    count = int(np.searchsorted(air[0], until_s, "left")) + 1
    for column in air:
        digest.update(np.ascontiguousarray(column[:count]).tobytes())
    if uncertainty is not None:
        digest.update(uncertainty.facts(float(air[0][0]), until_s))
    return digest.hexdigest()[:32]


@dataclass(frozen=True)
class ResumeState:
    """What was kept of a piece, taken up again."""

    state: State
    """The central film and, where they were asked for, the members."""
    seen: Array
    """(`integrate.SAMPLED`, moments of observations, members), NaN where the moment had not come."""


def deserialize(kept: Checkpoint, members: int, moments: int) -> ResumeState | None:
    """The states of `kept`, of the central film alone with no `members`; None where they cannot be read.

    `moments`: how many moments of observations there are.
    """
    try:
        state = unpack(kept.centre, 1, GRID.cells)
        if not members:
            return ResumeState(state, np.empty((len(SAMPLED), 0, 0)))
        (length,) = _COUNT.unpack_from(kept.members)
        packed, rest = kept.members[4 : 4 + length], kept.members[4 + length :]
        state = State.join([state, unpack(packed, members, GRID.cells)])
        seen = np.frombuffer(zlib.decompress(rest), np.float32).astype(float)
        return ResumeState(state, seen.reshape(len(SAMPLED), moments, members))
    except (ValueError, struct.error, zlib.error):
        return None  # derived data that is damaged is made again


def serialize(
    piece_id: int, problem: DryingProblem, fingerprint: str, states: State, seen: Array, expected_s: Sequence[float]
) -> Checkpoint:
    """The states of `problem` at its moment to keep them, to be stored."""
    assert problem.checkpoint_s is not None
    members = pack(states.take(slice(1, None)))
    # what was seen after a film's own moment is seen again on going on from it
    ages = np.array([] if problem.posterior is None else problem.posterior.times)
    seen = np.where(ages[:, None] > states.t[1:], np.nan, seen)
    return Checkpoint(
        piece_id=piece_id,
        until=datetime.fromtimestamp(problem.checkpoint_s, UTC),
        fingerprint=fingerprint,
        centre=pack(states.take(slice(0, 1))),
        members=_COUNT.pack(len(members)) + members + zlib.compress(seen.astype(np.float32).tobytes(), 1),
        expected_s=tuple(s if math.isfinite(s) else None for s in expected_s),
    )


def observed_samples(trajectories: Trajectories, k: int, resumed: ResumeState | None) -> Array:
    """What the members of the k-th piece saw at the moments of its observations, in this run or before.

    In single precision, in which it is kept.
    """
    now = trajectories.seen(k).astype(np.float32).astype(float)
    return now if resumed is None else np.where(np.isnan(now), resumed.seen, now)
