"""What the clues of many pieces come to together: one Gaussian over all recipes, places and pieces.

Expectation propagation in two layers. Each piece has quantities of its own (how thick it came out) and shares the
others with pieces of its recipe and in its place. Its clues are brought into one message about the shared ones, which
does not depend on what else is believed of them; all messages added up are the belief. So the work grows with the
number of pieces, not with its cube, and what a piece taught can be taken out of the belief again.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.studio.belief import Clue, Gaussian

SWEEPS = 20
"""Rounds over all pieces at most."""
DAMPING = 0.8
SETTLED = 0.01
"""A belief whose means and widths move less than this in a round [its own standard deviations] has settled."""
Key = Hashable
"""Names one quantity of a recipe, a place or a piece."""
Told = Sequence[tuple[Clue, Sequence[Key]]]
"""The clues of one piece, each with whose quantities its pull is of."""


@dataclass
class _Part:
    """One piece: its clues over its local quantities, the shared ones first."""

    clues: list[Clue]
    columns: list[NDArray[np.intp]]
    """By clue, which local quantity each entry of its pull is of."""
    shared: NDArray[np.intp]
    own: list[Key]
    directions: Array
    """(clues, local)"""
    precision: Array
    pull: Array
    """Precision times mean, by clue."""
    message: tuple[Array, Array]
    """About the shared quantities: precision (shared, shared), and precision times mean."""

    @property
    def size(self) -> int:
        return len(self.shared) + len(self.own)

    def sites(self) -> tuple[Array, Array]:
        """All clues as one Gaussian factor over the local quantities: precision, and precision times mean."""
        b = self.directions
        return (b.T * self.precision) @ b, b.T @ self.pull

    def hear(self, cavity: Array, canonical: Array) -> None:
        """Weigh the clues anew where all else says `cavity` (precision) and `canonical` of the shared quantities."""
        n = len(self.shared)
        for k in range(len(self.clues)):
            whole, pull = self.sites()
            whole[:n, :n] += cavity
            whole[range(n, self.size), range(n, self.size)] += 1.0
            pull[:n] += canonical
            cov = np.asarray(np.linalg.inv(whole), dtype=float)
            self._weigh(k, cov @ pull, cov)
        precision, pull = self.sites()
        across = precision[:n, n:] @ np.linalg.inv(precision[n:, n:] + np.eye(len(self.own)))
        self.message = precision[:n, :n] - across @ precision[n:, :n], pull[:n] - across @ pull[n:]

    def _weigh(self, k: int, mean: Array, cov: Array) -> None:
        """The site of the k-th clue, about the belief with it."""
        column = self.columns[k]
        line = self.clues[k].straight(mean[column], cov[np.ix_(column, column)])
        along = np.zeros(self.size)
        along[column] = line.pull
        old, tau, nu = self.directions[k], self.precision[k], self.pull[k]
        reach = cov @ old
        left = 1 - tau * float(old @ reach)
        if left > 1e-9:  # take the old site out
            cov = cov + np.outer(reach, reach) * (tau / left)
            mean = mean + reach * ((tau * float(old @ mean) - nu) / left)
        variance = float(along @ cov @ along)
        if variance < 1e-10:
            return
        new_tau, new_nu = line.site(float(along @ mean), variance)
        self.directions[k] = along
        self.precision[k], self.pull[k] = tau + DAMPING * (new_tau - tau), nu + DAMPING * (new_nu - nu)


class Joint:
    """The belief of all `told`, by piece; quantities never spoken of are standard normal."""

    def __init__(self, told: Sequence[Told], is_own: Sequence[frozenset[Key]]) -> None:
        """`is_own`: by piece, the keys that are its alone."""
        self._shared: dict[Key, int] = {}
        self._parts = [self._part(clues, own) for clues, own in zip(told, is_own, strict=True)]
        size = len(self._shared)
        self._cov, self._canonical = np.eye(size), np.zeros(size)
        for _ in range(SWEEPS):
            before, was = self._cov @ self._canonical, np.sqrt(np.diag(self._cov))
            for part in self._parts:
                self._hear(part)
            width = np.sqrt(np.diag(self._cov))
            moved = np.maximum(np.abs(self._cov @ self._canonical - before), np.abs(width - was)) / width
            if moved.max(initial=0.0) < SETTLED:
                break

    def _part(self, told: Told, own: frozenset[Key]) -> _Part:
        keys = list(dict.fromkeys(key for _, names in told for key in names))
        shared, alone = [key for key in keys if key not in own], [key for key in keys if key in own]
        place = {key: i for i, key in enumerate([*shared, *alone])}
        n = len(shared)
        return _Part(
            clues=[clue for clue, _ in told],
            columns=[np.array([place[key] for key in names], dtype=np.intp) for _, names in told],
            shared=np.array([self._shared.setdefault(key, len(self._shared)) for key in shared], dtype=np.intp),
            own=alone,
            directions=np.zeros((len(told), len(keys))),
            precision=np.zeros(len(told)),
            pull=np.zeros(len(told)),
            message=(np.zeros((n, n)), np.zeros(n)),
        )

    def _hear(self, part: _Part) -> None:
        at, (was, said) = part.shared, part.message
        cavity, canonical = _without(self._of(at), part.message)
        part.hear(cavity, canonical)
        change = part.message[0] - was
        # Woodbury: the precision has changed at the piece's shared quantities alone
        reach = self._cov[:, at]
        middle = np.linalg.solve(np.eye(len(at)) + change @ self._cov[np.ix_(at, at)], change)
        self._cov = self._cov - reach @ middle @ reach.T
        self._cov = 0.5 * (self._cov + self._cov.T)
        self._canonical[at] += part.message[1] - said

    def _of(self, at: NDArray[np.intp]) -> Gaussian:
        return Gaussian(self._cov[at] @ self._canonical, self._cov[np.ix_(at, at)])

    def belief(self, keys: Sequence[Key], piece: int | None = None, *, without: bool = False) -> Gaussian | None:
        """Of these quantities; None where nothing bears on any of them.

        With `piece` (an index of `told`), what is its own is in it too; or, `without`, nothing that it taught is.
        """
        part = None if piece is None else self._parts[piece]
        own = part.own if part is not None and not without else []
        known = [i for i, key in enumerate(keys) if key in self._shared or key in own]
        if not known:
            return None
        mean, cov = np.zeros(len(keys)), np.eye(len(keys))
        found = self._whole(part, [keys[i] for i in known], without)
        mean[known], cov[np.ix_(known, known)] = found.mean, found.cov
        return Gaussian(mean, cov)

    def _whole(self, part: _Part | None, keys: Sequence[Key], without: bool) -> Gaussian:
        """Of these known quantities: by all pieces but `part`, then with it unless `without`."""
        asked = [self._shared[key] for key in keys if key in self._shared]
        at = np.array(sorted({*asked, *(() if part is None else part.shared.tolist())}), dtype=np.intp)
        place = {int(column): i for i, column in enumerate(at)}
        whole = self._of(at)
        if part is not None:
            inside = np.array([place[int(column)] for column in part.shared], dtype=np.intp)
            message = np.zeros((len(at), len(at))), np.zeros(len(at))
            message[0][np.ix_(inside, inside)], message[1][inside] = part.message
            precision, canonical = _without(whole, message)
            if not without:
                n, size = len(at), len(at) + len(part.own)
                local = np.concatenate([inside, np.arange(n, size)])
                full, pull = np.eye(size), np.zeros(size)
                full[:n, :n], pull[:n] = precision, canonical
                sites = part.sites()
                full[np.ix_(local, local)] += sites[0]
                pull[local] += sites[1]
                precision, canonical = full, pull
            cov = np.asarray(np.linalg.inv(precision), dtype=float)
            whole = Gaussian(cov @ canonical, cov)
        own = {key: len(at) + i for i, key in enumerate([] if part is None or without else part.own)}
        return whole.of(np.array([own[key] if key in own else place[self._shared[key]] for key in keys], dtype=np.intp))


def _without(whole: Gaussian, message: tuple[Array, Array]) -> tuple[Array, Array]:
    """Precision, and precision times mean, of a belief less a message that is in it."""
    precision = np.linalg.inv(whole.cov)
    return precision - message[0], precision @ whole.mean - message[1]
