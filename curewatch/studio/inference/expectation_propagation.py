"""The clues of many pieces, side by side in arrays, so that a round over all of them is a few calls.

Every piece has the same number of slots for quantities: first those that it shares with others, then its own. A slot
that a piece does not need is a standard normal that no clue is about; so is the shared quantity that it stands for.
Pieces lie in the order of how many clues they have, the most first: those with a k-th clue are then a front part.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.studio.inference.factors import Comparison, Factor, linearize, sites

DAMPING = 0.9
Key = Hashable
"""Names one quantity of a recipe, a place or a piece."""
PieceFactors = Sequence[tuple[Factor, Sequence[Key]]]
"""The clues of one piece, each with whose quantities its pull is of."""


@dataclass(frozen=True)
class PieceMessage:
    """What one piece has come to."""

    shared: NDArray[np.intp]
    own: list[Key]
    message: tuple[Array, Array]
    """About the shared quantities: precision (shared, shared), and precision times mean."""
    sites: tuple[Array, Array]
    """All its clues as one Gaussian factor over its quantities, the shared ones first: the same two."""


def slots(told: PieceFactors, own: frozenset[Key]) -> tuple[list[Key], list[Key]]:
    """The quantities that a piece's clues are about: those that it shares, and its own."""
    keys = list(dict.fromkeys(key for _, names in told for key in names))
    return [key for key in keys if key not in own], [key for key in keys if key in own]


class FactorBlock:
    """Some of the pieces, and what they say."""

    message_sum: tuple[Array, Array]
    """Their messages added up: precision of the shared quantities, and precision times mean."""

    def __init__(
        self, told: Sequence[PieceFactors], names: Sequence[tuple[list[Key], list[Key]]], shared: Mapping[Key, int]
    ) -> None:
        """`names`: by piece, its `slots`. `shared`: the number of every shared quantity."""
        self._names, self._shared = names, len(shared)
        self._n = max((len(those) for those, _ in names), default=0)
        self._size = self._n + max((len(own) for _, own in names), default=0)
        order = sorted(range(len(told)), key=lambda i: -len(told[i]))
        self._row = {piece: row for row, piece in enumerate(order)}
        most, count = max(map(len, told), default=0), len(told)
        self._heard = [sum(len(one) > k for one in told) for k in range(most)]
        # of slots that are not used: one quantity each, for a piece's quantities must not be one and the same
        self._at = np.tile(len(shared) + np.arange(self._n), (count, 1))
        self._clues = _Clues(most, count, self._size)
        for piece, row in self._row.items():
            those, own = names[piece]
            self._at[row, : len(those)] = [shared[key] for key in those]
            place = {key: i for i, key in enumerate(those)} | {key: self._n + i for i, key in enumerate(own)}
            for k, (factor, keys) in enumerate(told[piece]):
                self._clues.put(k, row, factor, np.array([place[key] for key in keys], dtype=np.intp))
        self._directions = np.zeros((most, count, self._size))
        self._precision, self._pull = np.zeros((most, count)), np.zeros((most, count))
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
        """Weigh all clues anew where the shared quantities are believed to be this, all messages included."""
        cov, mean = self._with_unused(cov, mean)
        n, at = self._n, self._at
        base, gradient = np.zeros((len(at), self._size, self._size)), np.zeros((len(at), self._size))
        whole = np.linalg.inv(cov[at[:, :, None], at[:, None, :]])
        base[:, :n, :n] = whole - self._message[0]
        base[:, range(n, self._size), range(n, self._size)] = 1.0
        gradient[:, :n] = (whole @ mean[at][:, :, None])[:, :, 0] - self._message[1]
        told, canonical = self._sites()
        inside = np.asarray(np.linalg.inv(base + told), dtype=float)
        middle = (inside @ (gradient + canonical)[:, :, None])[:, :, 0]
        for k, count in enumerate(self._heard):
            self._weigh(k, middle[:count], inside[:count])
        self._say()

    def _with_unused(self, cov: Array, mean: Array) -> tuple[Array, Array]:
        """The same with the quantities that stand for unused slots."""
        size = self._shared + self._n
        whole = np.eye(size)
        whole[: self._shared, : self._shared] = cov
        return whole, np.concatenate([mean, np.zeros(self._n)])

    def _say(self) -> None:
        n = self._n
        told, canonical = self._sites()
        alone = np.linalg.inv(told[:, n:, n:] + np.eye(self._size - n))
        across = told[:, :n, n:] @ alone
        self._message = (
            told[:, :n, :n] - across @ told[:, n:, :n],
            canonical[:, :n] - (across @ canonical[:, n:, None])[:, :, 0],
        )
        self._add_up()

    def _sites(self) -> tuple[Array, Array]:
        """All clues of each piece as one Gaussian factor: precision, and precision times mean."""
        along = self._directions.swapaxes(0, 1)
        gradient = self._pull.T[:, None, :] @ along
        return along.swapaxes(1, 2) @ (along * self._precision.T[:, :, None]), gradient[:, 0]

    def _weigh(self, k: int, mean: Array, cov: Array) -> None:
        """The sites of the k-th clues anew; beliefs `mean` (pieces that have one, size) and `cov` follow them."""
        factors, front = self._clues, (k, slice(len(mean)))
        old, tau, nu = self._directions[front], self._precision[front], self._pull[front]
        given = factors.at[front], factors.gradient[front], factors.curvature[front], factors.noise[front]
        at, along, noise = linearize(*given, mean, cov)
        _put_in(mean, cov, old, -tau, -nu)
        spread = (cov @ along[:, :, None])[:, :, 0]
        variance, middle = (spread * along).sum(-1), (along * mean).sum(-1)
        tells = variance >= 1e-10
        found = sites(
            factors.sense[front],
            factors.observed[front],
            noise,
            factors.slip[front],
            at,
            middle,
            np.where(tells, variance, 1.0),
        )
        self._directions[front] = np.where(tells[:, None], along, old)
        self._precision[front] = tau = np.where(tells, tau + DAMPING * (found[0] - tau), tau)
        self._pull[front] = nu = np.where(tells, nu + DAMPING * (found[1] - nu), nu)
        _put_in(mean, cov, self._directions[front], tau, nu)

    def part(self, piece: int) -> PieceMessage:
        """What the piece at this place of `told` has come to."""
        row, (shared, own) = self._row[piece], self._names[piece]
        used = np.array([*range(len(shared)), *range(self._n, self._n + len(own))], dtype=np.intp)
        heard = used[: len(shared)]
        along = self._directions[:, row][:, used]
        return PieceMessage(
            shared=self._at[row, : len(shared)],
            own=own,
            message=(self._message[0][row][np.ix_(heard, heard)], self._message[1][row][heard]),
            sites=((along.T * self._precision[:, row]) @ along, along.T @ self._pull[:, row]),
        )


def _put_in(mean: Array, cov: Array, along: Array, tau: Array, nu: Array) -> None:
    """Have beliefs (pieces, size) follow sites of precision `tau`, and that times mean `nu`, about `along` z.

    Woodbury's formula for one direction. A negative site is one taken out; it stays where nothing would be left.
    """
    reach = (cov @ along[:, :, None])[:, :, 0]
    left = 1 + tau * (along * reach).sum(-1)
    left = np.where(left > 1e-9, left, np.inf)
    mean += reach * ((nu - tau * (along * mean).sum(-1)) / left)[:, None]
    cov -= reach[:, :, None] * (reach * (tau / left)[:, None])[:, None, :]


class _Clues:
    """All clues, (clue of a piece, piece) each, over the slots."""

    def __init__(self, most: int, count: int, size: int) -> None:
        self.at, self.observed, self.slip, self.noise = (np.zeros((most, count)) for _ in range(4))
        self.sense = np.zeros((most, count), dtype=np.intp)
        self.gradient, self.curvature = np.zeros((most, count, size)), np.zeros((most, count, size, size))

    def put(self, k: int, row: int, factor: Factor, columns: NDArray[np.intp]) -> None:
        self.at[k, row], self.observed[k, row], self.slip[k, row] = factor.at, factor.observed, factor.slip
        self.noise[k, row] = np.hypot(factor.noise, factor.residual)
        self.sense[k, row] = list(Comparison).index(factor.sense)
        self.gradient[k, row, columns] = factor.gradient
        self.curvature[k, row][np.ix_(columns, columns)] = factor.curvature
