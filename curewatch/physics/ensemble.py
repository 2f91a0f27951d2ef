"""The ensemble: its spreads and design, films at any deviates z, their integration, and outcomes with weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air, film
from curewatch.physics.air import AirSeries, Array
from curewatch.physics.evaporation import AIR_SPEED_FLOOR, film_balance
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator
from curewatch.physics.solver.kinetics import Kinetics
from curewatch.physics.solver.state import State

THICKNESS_SPREAD = {"gauge": 0.05, "volume": 0.20, "layer": 0.30}
"""Spread of the wet thickness: notched comb gauge (ASTM D4414), volume over area, thin/medium/thick or as the last."""
SPREADS = (
    "thickness", "solids", "air_speed", "d0", "g0", "limit_surface", "limit_bottom", "mfft",
    "fuse", "fusing", "h_back", "glycol", "packing", "air_temp", "air_rh",
)  # fmt: skip
"""What nobody knows well, a column of the design each."""
SOLIDS_SPREAD, AIR_SPREAD, D0_SPREAD, G0_SPREAD, LIMIT_SPREAD, MFFT_SPREAD_K = 0.10, 0.45, 0.5, 0.8, 0.15, 1.5
FUSE_SPREAD, FUSING_SPREAD, H_BACK_SPREAD, GLYCOL_SPREAD, PACKING_SPREAD = 0.5, 0.5, 0.3, 0.3, 0.02
"""One standard deviation of the logarithm, but MFFT_SPREAD_K [K] and PACKING_SPREAD, of the solids fraction [cal]."""
AIR_TEMP_SD_K, AIR_RH_SD = 0.3, 0.02
"""Steady error of a cheap sensor or a typed reading [K], [0-1] (common practice; data sheets of such sensors say as
much): what is read is not what is."""
PACKING_RANGE = 0.55, 0.73
QUANTILES = (0.1, 0.5, 0.9)
FARTHEST = 5.0
"""No member lies further out than this many standard deviations of what was believed before."""
SWEEPS = 6
"""Rounds in which correlations are ranked out of the design."""


@dataclass(frozen=True)
class Pouring:
    """What is believed of one film at its pour: central values, and how the thickness was come by."""

    wet_thickness: float
    """[m]"""
    thickness_spread: float = THICKNESS_SPREAD["gauge"]
    solids: float = 0.30
    glycol: float = 0.03
    side: float = 0.25
    """Side along the air [m]."""
    air_speed: float = 0.1
    """At the pour [m/s]."""
    h_back: float = 5.0
    """Heat through the back [W/(m2 K)]."""
    sink_m: float = 0.0
    """What the support soaks up [m3 of water per m2]."""
    sink_rate: float = 0.0
    """How fast it does while it is empty [m/s]."""
    back_loss: float = 0.0
    """Conductance for vapour through the back [m/s]."""
    air_temp_off: float = 0.0
    """By how much its room is believed to be warmer than was read [K], and..."""
    air_rh_off: float = 0.0
    """...damper [0-1]."""
    air_temp_sd: float = AIR_TEMP_SD_K
    """Of the steady error of what reads its room [K], and..."""
    air_rh_sd: float = AIR_RH_SD
    """...of its humidity [0-1]."""
    tilts: tuple[tuple[float, float], ...] = ()
    """How far from level it lay ([s from the pour], [rad]), by time; none: level. It moves no date (cracking.py)."""
    coalescent: float = 0.0
    """Slow solvent, by volume of the wet paint (solver/coalescent.py)."""
    front: bool = False
    """Whether its wet front recedes through an open layer (solver/kinetics.py)."""
    turns: tuple[tuple[float, float], ...] = ()
    """When other air moves over it, and how fast that is ([s from the pour], [m/s]), in the order of time."""

    @property
    def last_air_speed(self) -> float:
        """Over it in the end [m/s]."""
        return self.turns[-1][1] if self.turns else self.air_speed


@lru_cache(maxsize=16)
def design(members: int) -> Array:
    """Standard normal deviates (members, quantities), a column each of `SPREADS`; one member is the centre, all zero.

    Raises ValueError for fewer than one member.
    """
    if members < 1:
        raise ValueError(f"an ensemble needs at least one member, got {members}")
    if members == 1:
        return np.zeros((1, len(SPREADS)))
    ratio = 2.0
    for _ in range(60):  # the positive root of x^(d+1) = x + 1
        ratio = (1 + ratio) ** (1 / (len(SPREADS) + 1))
    steps = ratio ** -np.arange(1.0, len(SPREADS) + 1)
    points = (0.5 + np.outer(np.arange(1, members + 1), steps)) % 1.0
    normal = NormalDist()
    levels = np.array([normal.inv_cdf((i + 0.5) / members) for i in range(members)])
    return _uncorrelated(levels[points.argsort(axis=0).argsort(axis=0)], levels)


def _uncorrelated(design: Array, levels: Array) -> Array:
    """Reorder each column of `design`, which holds `levels` (sum 0), until no two columns correlate to speak of.

    Owen's ranked Gram-Schmidt: a column gives up its regression on the others and takes its levels again by rank.
    The best of a fixed number of sweeps is kept.
    """

    def worst(z: Array) -> float:
        return float(np.abs(np.corrcoef(z.T) - np.eye(z.shape[1])).max())

    best, columns = design, design.shape[1]
    if len(levels) <= columns:
        return best
    now = design.copy()
    for _ in range(SWEEPS):
        for j in range(columns):
            others = np.delete(now, j, axis=1)
            rest = now[:, j] - others @ np.linalg.lstsq(others, now[:, j], rcond=None)[0]
            now[:, j] = levels[rest.argsort(kind="stable").argsort()]
        if worst(now) < worst(best):
            best = now.copy()
    return best


def films_at(pourings: Sequence[Pouring], z: Array) -> film.Films:
    """The films of `pourings` at deviates `z` (members, quantities), or of each pouring; pouring by pouring."""
    z = np.broadcast_to(np.clip(z, -FARTHEST, FARTHEST), (len(pourings), *z.shape[-2:]))
    members = z.shape[1]

    def each(name: str) -> Array:
        return np.repeat([getattr(p, name) for p in pourings], members)

    def deviates(column: str) -> Array:
        return z[:, :, SPREADS.index(column)].ravel()

    def factor(column: str, sd: Array | float) -> Array:
        return np.asarray(np.exp(sd * deviates(column)))

    solids, glycol = each("solids") * factor("solids", SOLIDS_SPREAD), each("glycol") * factor("glycol", GLYCOL_SPREAD)
    glycol = np.minimum(glycol, 0.5)
    slow = np.minimum(each("coalescent") * factor("glycol", GLYCOL_SPREAD), 0.95 - 0.02 - glycol)
    stirred = factor("air_speed", AIR_SPREAD)
    films = film.Films.of(
        each("wet_thickness") * factor("thickness", each("thickness_spread")),
        np.clip(solids, 0.02, 0.95 - (glycol + slow)),
        glycol,
        coalescent=slow,
        coalescent0=film.COALESCENT0 * factor("g0", G0_SPREAD),
        front=each("front"),
        side=each("side"),
        air_speed=np.maximum(each("air_speed") * stirred, AIR_SPEED_FLOOR),
        h_back=each("h_back") * factor("h_back", H_BACK_SPREAD),
        sink_m=each("sink_m"),
        sink_rate=each("sink_rate"),
        back_loss=each("back_loss"),
        d0=film.D0 * factor("d0", D0_SPREAD),
        g0=film.G0 * factor("g0", G0_SPREAD),
        limit_surface=film.LIMIT_SURFACE * factor("limit_surface", LIMIT_SPREAD),
        limit_bottom=film.LIMIT_BOTTOM * factor("limit_bottom", LIMIT_SPREAD),
        mfft=film.MFFT + MFFT_SPREAD_K * deviates("mfft"),
        packing=np.clip(film.PACKING + PACKING_SPREAD * deviates("packing"), *PACKING_RANGE),
        fuse_s=film.FUSE_S * factor("fuse", FUSE_SPREAD),
        fusing=film.FUSING * factor("fusing", FUSING_SPREAD),
        air_temp_off=each("air_temp_off") + each("air_temp_sd") * deviates("air_temp"),
        air_rh_off=each("air_rh_off") + each("air_rh_sd") * deviates("air_rh"),
    )
    at, speed = (np.repeat(turns, members, axis=1) for turns in _turns(pourings))
    return replace(films, speed_change_s=at, changed_speed=np.maximum(speed * stirred, AIR_SPEED_FLOOR))


def _turns(pourings: Sequence[Pouring]) -> tuple[Array, Array]:
    """When [s from the pour] and to what [m/s] the air speeds change: (turns, pourings) each, at the end never."""
    most = max((len(one.turns) for one in pourings), default=0)
    at, speed = np.full((most, len(pourings)), np.inf), np.ones((most, len(pourings)))
    for k, one in enumerate(pourings):
        for i, (when, how_fast) in enumerate(one.turns):
            at[i, k], speed[i, k] = when, how_fast
    return at, speed


def quantiles(values: Array, weights: Array | None = None, at: tuple[float, ...] = QUANTILES) -> list[float]:
    """Weighted quantiles of `values`, some of which may be inf (never); a quantile that needs an inf is inf.

    Each value stands at the middle of its weight (Hazen's plotting position).
    """
    order = np.argsort(values, kind="stable")
    v = values[order]
    w = np.full(len(v), 1 / len(v)) if weights is None else weights[order] / weights.sum()
    middle = np.cumsum(w) - 0.5 * w
    found = []
    for q in at:
        right = int(np.searchsorted(middle, q))
        if right == 0 or right == len(v) or not np.isfinite(v[right]):
            found.append(float(v[min(right, len(v) - 1)]))
            continue
        share = (q - middle[right - 1]) / (middle[right] - middle[right - 1])
        found.append(float(v[right - 1] + share * (v[right] - v[right - 1])))
    return found


@dataclass(frozen=True)
class Outcome:
    """When the members of one pouring reach the four milestones, and the state they were left in."""

    reached_s: Array
    """(4, members) [s from the pour], inf where not within the time integrated."""
    hindrance: NDArray[np.str_]
    """(4, members): "" where reached, else `too_cold`, `too_damp` or `not_yet`."""
    weights: Array | None = None
    """(members), sum 1; None: all count alike."""

    def at(self, milestone: str, q: tuple[float, ...] = QUANTILES) -> list[float]:
        """Quantiles of one milestone [s], inf where not reached."""
        return quantiles(self.reached_s[MILESTONES.index(milestone)], self.weights, at=q)

    def never(self, milestone: str) -> float:
        """Share of the members that do not reach a milestone within the time integrated."""
        missing = np.isinf(self.reached_s[MILESTONES.index(milestone)])
        return float(missing.mean() if self.weights is None else self.weights[missing].sum())

    def hindrance_of(self, milestone: str) -> str:
        """What most often keeps the members from a milestone, "" if none is kept; of two alike always the same."""
        found = [h for h in self.hindrance[MILESTONES.index(milestone)] if h]
        return max(sorted(set(found)), key=found.count, default="")


@dataclass(frozen=True)
class EnsembleRun:
    """Members that have been integrated: (pourings, members) each, samples (times, pourings, members)."""

    films: film.Films
    reached_s: Array
    """(4, pourings, members) [s from the pour], inf where not within the time integrated."""
    hindrance: NDArray[np.str_]
    samples: dict[str, Array]
    times: Array
    """Of the samples [s from the pour]."""

    def outcome(self, k: int, weights: Array | None = None) -> Outcome:
        return Outcome(self.reached_s[:, k], self.hindrance[:, k], weights)

    def sample(self, name: str, k: int, time_s: float) -> Array:
        """One of `monitor.SAMPLED` of the k-th pouring's members at one of the sample times."""
        return np.asarray(self.samples[name][int(np.searchsorted(self.times, time_s)), k])

    def solids_m(self, k: int) -> Array:
        """Solids per area of the k-th pouring's members [m3/m2]."""
        return np.asarray(self.films.solids_m.reshape(self.reached_s.shape[1:])[k])


def run(
    pourings: Sequence[Pouring],
    z: Array,
    series: AirSeries,
    until: Array | float,
    *,
    room: NDArray[np.intp] | None = None,
    sample_at: Array | None = None,
    tolerance: tuple[float, float] = (integrator.RTOL, integrator.ATOL),
    kinetics: type[Kinetics] = Kinetics,
) -> EnsembleRun:
    """Integrate the members at `z` (see `films_at`) to `until` [s].

    `room`: index into `series` of each pouring, or of each member of each; None: all are in the first.
    `kinetics`: by other laws than ours.
    """
    films = films_at(pourings, z)
    split = len(pourings), z.shape[-2]
    rooms = np.zeros(len(films), dtype=np.intp) if room is None else np.repeat(room, len(films) // len(room))
    limit = np.repeat(np.broadcast_to(np.asarray(until, dtype=float), len(pourings)), split[1])
    rtol, atol = tolerance
    state, samples = integrator.integrate(
        films, series, rooms, limit, sample_at=sample_at, rtol=rtol, atol=atol, kinetics=kinetics
    )
    return EnsembleRun(
        films=films,
        reached_s=state.reached.reshape(4, *split),
        hindrance=hindrances(films, state, *films.air_had(series.at(limit, rooms))).reshape(4, *split),
        samples={name: value.reshape(-1, *split) for name, value in samples.items()},
        times=np.empty(0) if sample_at is None else sample_at,
    )


def hindrances(films: film.Films, state: State, t_air: Array, rh: Array) -> NDArray[np.str_]:
    """Why each milestone was not reached (4, films), judged by the air `t_air` [K], `rh` [0-1] at the end.

    Too cold: the milestone needs the film to fuse, and it lies below its MFFT. Too damp: the water that the film
    keeps in this air stays above the limit. Otherwise it is only not yet.
    """
    kept = film.equilibrium_water(rh)
    limits = np.stack([1 - films.packing, films.limit_surface, films.limit_bottom])
    damp = np.empty((4, len(films)), dtype=bool)
    damp[:3] = kept > limits
    damp[2] |= damp[1]
    damp[3] = film.RHO_WATER * kept > film.LIMIT_DRY * film.RHO_DRY * (1 - kept)
    cold = np.zeros_like(damp)
    cold[2:] = (state.t_film <= films.mfft) & (t_air <= films.mfft + 5.0)
    cold[2] &= state.age < films.fusing
    cold[3] &= state.age < film.FUSED
    why = np.where(cold, "too_cold", np.where(damp, "too_damp", "not_yet"))
    return np.where(np.isfinite(state.reached), "", why)


def central_film_temperature(pouring: Pouring, t_air: float, rh: float) -> float:
    """Film temperature [K] of the fresh pour in air at `t_air` [K], `rh` [0-1]: its first minute."""
    films = films_at([pouring], design(1))
    grid = film.Grid.graded(2)
    now = State.poured(films, grid)
    a_w = film.activities(now.u[-1, 0], now.u[-1, 1])[0]
    p_air = air.vapour_pressure(t_air, rh)
    return float(film_balance(t_air, p_air, a_w, films.air_speed, films.side, films.h_back).t_film[0])
