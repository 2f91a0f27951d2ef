"""What is known of pieces beyond what anybody would assume: the factors of many brought to one joint posterior over all
recipes, places and pieces (expectation propagation); and of one piece, by the others and by its own observations.
"""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import ensemble
from curewatch.physics.air import Array
from curewatch.physics.ensemble import EnsembleRun
from curewatch.records import Pour
from curewatch.records.facts import Observation
from curewatch.studio.inference import observation_model
from curewatch.studio.inference.factors import Comparison, Factor, Gaussian, linearize, sites, tempered

FLOOR = 1 / 2
"""Effective share of the members below which their weights are flattened: the belief they come from has heard the same
observations, and few members would let chance speak of what no observation bears on."""
_NODES = np.polynomial.hermite_e.hermegauss(9)
"""Gauss's nodes of a normal distribution, and their weights."""
_DIGITS = 4
"""A belief that moves less than this is the same one."""


@dataclass(frozen=True)
class Posterior:
    """Members are drawn from `belief`, and then weighed against the observations themselves, which are not Gaussian."""

    pour: Pour
    observations: tuple[Observation, ...]
    prior: Gaussian
    """By the other pieces alone."""
    belief: Gaussian
    """With what its own observations say."""
    edge: tuple[float, float] = (0.0, 0.0)
    """How thick its edges are over those in general, by the other pieces: the logarithm, and its standard deviation."""

    @property
    def times(self) -> list[float]:
        """When its members must be looked at in order to weigh them [s from the pour]."""
        return observation_model.sample_times(self.pour, self.observations)

    def weights(self, runs: EnsembleRun, k: int, z: Array) -> Array | None:
        """What each member of the k-th pouring of `runs`, at deviates `z`, counts; None: all alike."""
        if not self.observations or len(z) == 1:
            return None
        return weights(
            observation_model.predicted_observations(self.pour, self.observations, runs, k),
            z,
            self.prior,
            self.belief,
            self.edge,
        )

    @cached_property
    def fingerprint(self) -> str:
        """Hash of all that it adds to a forecast."""
        digest = hashlib.sha256(repr(self.observations).encode())
        for one in (self.prior, self.belief):
            for part in (one.mean, one.cov):
                digest.update((np.round(part, _DIGITS) + 0.0).tobytes())
        digest.update((np.round(self.edge, _DIGITS) + 0.0).tobytes())
        return digest.hexdigest()[:16]


def weights(
    predicted_observations: Sequence[observation_model.PredictedObservation],
    z: Array,
    prior: Gaussian,
    proposed: Gaussian,
    edge: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """What each member counts: its own likelihood, by what was believed before over what it was drawn from.

    All that was felt at its edge was felt at one edge, of which `edge` is believed. Flattened where they would rest on
    too few members (`FLOOR`). Sum 1.
    """
    nodes, shares = _NODES
    edges = edge[0] + edge[1] * nodes[:, None]
    total = np.repeat(np.log(shares)[:, None], len(z), axis=1)
    for predicted in predicted_observations:
        with np.errstate(invalid="ignore"):
            found = np.log(predicted.likelihood(edges))
        total = total + np.where(np.isfinite(found), found, 0.0)  # a member not looked at then says nothing
    log_weight = prior.log_density(z) - proposed.log_density(z) + np.logaddexp.reduce(total, axis=0)
    return tempered(log_weight, FLOOR * len(z))


def deviates(posterior: Posterior | None, members: int) -> Array:
    """(1 + members, quantities): the central film's, then the members'; those of the design where nothing is known."""
    parts = [ensemble.design(n) for n in (1, members) if n]
    return np.concatenate([z if posterior is None else posterior.belief.draw(z) for z in parts])


DAMPING = 0.9
Key = Hashable
"""Names one quantity of a recipe, a place or a piece."""
PieceFactors = Sequence[tuple[Factor, Sequence[Key]]]
"""The factors of one piece, each with whose quantities its gradient is of."""


@dataclass(frozen=True, eq=False)
class PieceMessage:
    """What one piece has come to."""

    shared: list[Key]
    own: list[Key]
    message: tuple[Array, Array]
    """About the shared quantities: precision (shared, shared), and precision times mean."""
    sites: tuple[Array, Array]
    """All its factors as one Gaussian factor over its quantities, the shared ones first: the same two."""


def slots(factors: PieceFactors, own: frozenset[Key]) -> tuple[list[Key], list[Key]]:
    """The quantities that a piece's factors are about: those that it shares, and its own."""
    keys = list(dict.fromkeys(key for _, names in factors for key in names))
    return [key for key in keys if key not in own], [key for key in keys if key in own]


class FactorBlock:
    """Some of the pieces, and what they say."""

    message_sum: tuple[Array, Array]
    """Their messages added up: precision of the shared quantities, and precision times mean."""

    def __init__(
        self,
        factors_by_piece: Sequence[PieceFactors],
        names: Sequence[tuple[list[Key], list[Key]]],
        shared: Mapping[Key, int],
    ) -> None:
        """`names`: by piece, its `slots`. `shared`: the number of every shared quantity."""
        self._names, self._shared = names, len(shared)
        self._n = max((len(those) for those, _ in names), default=0)
        self._size = self._n + max((len(own) for _, own in names), default=0)
        order = sorted(range(len(factors_by_piece)), key=lambda i: -len(factors_by_piece[i]))
        self._row = {piece: row for row, piece in enumerate(order)}
        most, count = max(map(len, factors_by_piece), default=0), len(factors_by_piece)
        self._heard = [sum(len(one) > k for one in factors_by_piece) for k in range(most)]
        # of slots that are not used: one quantity each, for a piece's quantities must not be one and the same
        self._at = np.tile(len(shared) + np.arange(self._n), (count, 1))
        self._factors = _FactorArrays(most, count, self._size)
        for piece, row in self._row.items():
            those, own = names[piece]
            self._at[row, : len(those)] = [shared[key] for key in those]
            place = {key: i for i, key in enumerate(those)} | {key: self._n + i for i, key in enumerate(own)}
            for k, (factor, keys) in enumerate(factors_by_piece[piece]):
                self._factors.put(k, row, factor, np.array([place[key] for key in keys], dtype=np.intp))
        self._directions = np.zeros((most, count, self._size))
        self._precision, self._canonical_sites = np.zeros((most, count)), np.zeros((most, count))
        self._message = np.zeros((count, self._n, self._n)), np.zeros((count, self._n))
        self._add_up()

    def _add_up(self) -> None:
        size = self._shared + self._n
        cells = self._at[:, :, None] * size + self._at[:, None, :]
        precision = np.bincount(cells.ravel(), self._message[0].ravel(), size * size).reshape(size, size)
        canonical = np.bincount(self._at.ravel(), self._message[1].ravel(), size)
        self.message_sum = (
            precision[: self._shared, : self._shared].astype(float),
            canonical[: self._shared].astype(float),
        )

    def update_sites(self, cov: Array, mean: Array) -> None:
        """Bring all sites up to date where the shared quantities are believed to be this, messages included."""
        cov, mean = self._with_unused(cov, mean)
        n, at = self._n, self._at
        base, base_canonical = np.zeros((len(at), self._size, self._size)), np.zeros((len(at), self._size))
        whole = np.linalg.inv(cov[at[:, :, None], at[:, None, :]])
        base[:, :n, :n] = whole - self._message[0]
        base[:, range(n, self._size), range(n, self._size)] = 1.0
        base_canonical[:, :n] = (whole @ mean[at][:, :, None])[:, :, 0] - self._message[1]
        site_precision, canonical = self._sites()
        inside = np.asarray(np.linalg.inv(base + site_precision), dtype=float)
        middle = (inside @ (base_canonical + canonical)[:, :, None])[:, :, 0]
        for k, count in enumerate(self._heard):
            self._update_kth_sites(k, middle[:count], inside[:count])
        self._send_messages()

    def _with_unused(self, cov: Array, mean: Array) -> tuple[Array, Array]:
        """The same with the quantities that stand for unused slots."""
        size = self._shared + self._n
        whole = np.eye(size)
        whole[: self._shared, : self._shared] = cov
        return whole, np.concatenate([mean, np.zeros(self._n)])

    def _send_messages(self) -> None:
        n = self._n
        precision, canonical = self._sites()
        alone = np.linalg.inv(precision[:, n:, n:] + np.eye(self._size - n))
        across = precision[:, :n, n:] @ alone
        self._message = (
            precision[:, :n, :n] - across @ precision[:, n:, :n],
            canonical[:, :n] - (across @ canonical[:, n:, None])[:, :, 0],
        )
        self._add_up()

    def _sites(self) -> tuple[Array, Array]:
        """All factors of each piece as one Gaussian factor: precision, and precision times mean."""
        along = self._directions.swapaxes(0, 1)
        canonical = self._canonical_sites.T[:, None, :] @ along
        return along.swapaxes(1, 2) @ (along * self._precision.T[:, :, None]), canonical[:, 0]

    def _update_kth_sites(self, k: int, mean: Array, cov: Array) -> None:
        """The sites of the k-th factors anew; beliefs `mean` (pieces that have one, size) and `cov` follow them."""
        factors, front = self._factors, (k, slice(len(mean)))
        old, tau, nu = self._directions[front], self._precision[front], self._canonical_sites[front]
        given = factors.intercept[front], factors.gradient[front], factors.curvature[front], factors.noise[front]
        intercept, along, noise = linearize(*given, mean, cov)
        _rank_one_update(mean, cov, old, -tau, -nu)
        spread = (cov @ along[:, :, None])[:, :, 0]
        variance, middle = (spread * along).sum(-1), (along * mean).sum(-1)
        tells = variance >= 1e-10
        found = sites(
            factors.sense[front],
            factors.observed[front],
            noise,
            factors.slip[front],
            intercept,
            middle,
            np.where(tells, variance, 1.0),
        )
        self._directions[front] = np.where(tells[:, None], along, old)
        self._precision[front] = tau = np.where(tells, tau + DAMPING * (found[0] - tau), tau)
        self._canonical_sites[front] = nu = np.where(tells, nu + DAMPING * (found[1] - nu), nu)
        _rank_one_update(mean, cov, self._directions[front], tau, nu)

    def part(self, piece: int) -> PieceMessage:
        """What the piece at this place of `factors_by_piece` has come to."""
        row, (shared, own) = self._row[piece], self._names[piece]
        used = np.array([*range(len(shared)), *range(self._n, self._n + len(own))], dtype=np.intp)
        heard = used[: len(shared)]
        along = self._directions[:, row][:, used]
        return PieceMessage(
            shared=shared,
            own=own,
            message=(self._message[0][row][np.ix_(heard, heard)], self._message[1][row][heard]),
            sites=((along.T * self._precision[:, row]) @ along, along.T @ self._canonical_sites[:, row]),
        )


def _rank_one_update(mean: Array, cov: Array, along: Array, tau: Array, nu: Array) -> None:
    """Have beliefs (pieces, size) follow sites of precision `tau`, and that times mean `nu`, about `along` z.

    Woodbury's formula for one direction. A negative site is one taken out; it stays where nothing would be left.
    """
    reach = (cov @ along[:, :, None])[:, :, 0]
    left = 1 + tau * (along * reach).sum(-1)
    left = np.where(left > 1e-9, left, np.inf)
    mean += reach * ((nu - tau * (along * mean).sum(-1)) / left)[:, None]
    cov -= reach[:, :, None] * (reach * (tau / left)[:, None])[:, None, :]


class _FactorArrays:
    """All factors, (factor of a piece, piece) each, over the slots."""

    def __init__(self, most: int, count: int, size: int) -> None:
        self.intercept, self.observed, self.slip, self.noise = (np.zeros((most, count)) for _ in range(4))
        self.sense = np.zeros((most, count), dtype=np.intp)
        self.gradient, self.curvature = np.zeros((most, count, size)), np.zeros((most, count, size, size))

    def put(self, k: int, row: int, factor: Factor, columns: NDArray[np.intp]) -> None:
        self.intercept[k, row], self.observed[k, row] = factor.intercept, factor.observed
        self.slip[k, row] = factor.slip
        self.noise[k, row] = np.hypot(factor.noise, factor.residual)
        self.sense[k, row] = list(Comparison).index(factor.sense)
        self.gradient[k, row, columns] = factor.gradient
        self.curvature[k, row][np.ix_(columns, columns)] = factor.curvature


SWEEPS = 60
"""Rounds over all pieces at most."""
BLOCKS, BLOCK = 8, 128
"""At least so many blocks, since pieces that all change their minds at once swing to and fro; and pieces in one at
most, for a processor's cache."""
SETTLED = 1e-3
"""A belief whose means and widths move less than this in a round [its own standard deviations] has settled."""


def propagate(factors_by_piece: Sequence[PieceFactors], is_own: Sequence[frozenset[Key]]) -> list[PieceMessage]:
    """Infer: by piece, the message that its factors come to beside all others'. `is_own`: the keys that are its alone.

    Quantities never spoken of are standard normal.
    """
    names = [slots(one, own) for one, own in zip(factors_by_piece, is_own, strict=True)]
    shared = {key: i for i, key in enumerate(dict.fromkeys(key for keys, _ in names for key in keys))}
    # pieces of one recipe fall into different blocks
    alike = sorted(range(len(factors_by_piece)), key=lambda i: [shared[key] for key in names[i][0]])
    count = min(len(factors_by_piece), max(BLOCKS, len(factors_by_piece) // BLOCK))
    some = [alike[k::count] for k in range(count)]
    blocks = [FactorBlock([factors_by_piece[i] for i in one], [names[i] for i in one], shared) for one in some]
    cov, canonical = np.eye(len(shared)), np.zeros(len(shared))
    for _ in range(SWEEPS if factors_by_piece else 0):
        before, was = cov @ canonical, np.sqrt(np.diag(cov))
        for block in blocks:
            block.update_sites(cov, cov @ canonical)
            cov, canonical = _sum([one.message_sum for one in blocks], len(shared))
        width = np.sqrt(np.diag(cov))
        moved = np.maximum(np.abs(cov @ canonical - before), np.abs(width - was)) / width
        if moved.max(initial=0.0) < SETTLED:
            break
    found = {i: block.part(k) for block, one in zip(blocks, some, strict=True) for k, i in enumerate(one)}
    return [found[i] for i in range(len(factors_by_piece))]


def _sum(messages: Sequence[tuple[Array, Array]], size: int) -> tuple[Array, Array]:
    """Covariance, and precision times mean, of so many standard normal quantities that all these messages are about."""
    cov = np.linalg.inv(sum((one[0] for one in messages), np.eye(size)))
    return np.asarray(0.5 * (cov + cov.T), dtype=float), sum((one[1] for one in messages), np.zeros(size))


class JointPosterior:
    """The belief that the messages of all pieces come to, by piece: nothing is inferred any more."""

    def __init__(self, messages: Sequence[PieceMessage]) -> None:
        self._messages = messages
        self._shared = {key: i for i, key in enumerate(dict.fromkeys(key for one in messages for key in one.shared))}
        precision, canonical = np.zeros((len(self._shared),) * 2), np.zeros(len(self._shared))
        for one in messages:
            at = [self._shared[key] for key in one.shared]
            precision[np.ix_(at, at)] += one.message[0]
            canonical[at] += one.message[1]
        self._cov, self._canonical = _sum([(precision, canonical)], len(self._shared))

    def belief(self, keys: Sequence[Key], piece: int | None = None, *, without: bool = False) -> Gaussian | None:
        """Of these quantities; None where nothing bears on any of them.

        With `piece` (its index), what is its own is in it too; or, `without`, nothing that it taught is.
        """
        part = None if piece is None else self._messages[piece]
        own = part.own if part is not None and not without else []
        known = [i for i, key in enumerate(keys) if key in self._shared or key in own]
        if not known:
            return None
        mean, cov = np.zeros(len(keys)), np.eye(len(keys))
        found = self._whole(part, [keys[i] for i in known], without)
        mean[known], cov[np.ix_(known, known)] = found.mean, found.cov
        return Gaussian(mean, cov)

    def _whole(self, part: PieceMessage | None, keys: Sequence[Key], without: bool) -> Gaussian:
        """Of these known quantities: by all pieces but `part`, then with it unless `without`."""
        asked = [self._shared[key] for key in keys if key in self._shared]
        heard = [] if part is None else [self._shared[key] for key in part.shared]
        at = np.array(sorted({*asked, *heard}), dtype=np.intp)
        place = {int(column): i for i, column in enumerate(at)}
        whole = Gaussian(self._cov[at] @ self._canonical, self._cov[np.ix_(at, at)])
        if part is not None:
            inside = np.array([place[column] for column in heard], dtype=np.intp)
            message = np.zeros((len(at), len(at))), np.zeros(len(at))
            message[0][np.ix_(inside, inside)], message[1][inside] = part.message
            precision = np.linalg.inv(whole.cov)
            precision, canonical = precision - message[0], precision @ whole.mean - message[1]
            if not without:
                n, size = len(at), len(at) + len(part.own)
                local = np.concatenate([inside, np.arange(n, size)])
                full, full_canonical = np.eye(size), np.zeros(size)
                full[:n, :n], full_canonical[:n] = precision, canonical
                full[np.ix_(local, local)] += part.sites[0]
                full_canonical[local] += part.sites[1]
                precision, canonical = full, full_canonical
            cov = np.asarray(np.linalg.inv(precision), dtype=float)
            whole = Gaussian(cov @ canonical, cov)
        own = {key: len(at) + i for i, key in enumerate([] if part is None or without else part.own)}
        return whole.of(np.array([own[key] if key in own else place[self._shared[key]] for key in keys], dtype=np.intp))
