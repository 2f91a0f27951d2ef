"""What the clues of many pieces come to together: one Gaussian over all recipes, places and pieces.

Expectation propagation in two layers. Each piece has quantities of its own (how thick it came out) and shares the
others with pieces of its recipe and in its place. Its clues are brought into one message about the shared ones, which
does not depend on what else is believed of them; all messages added up are the belief. So the work grows with the
number of pieces, not with its cube, and what a piece taught can be taken out of the belief again.

In a round block after block of pieces weighs its clues anew at once (pieces.py), each piece by what all others have
said so far, and what they then say is added up. One after the other they would settle in about as many rounds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.studio.inference.expectation_propagation import FactorBlock, Key, PieceFactors, PieceMessage, slots
from curewatch.studio.inference.factors import Gaussian

SWEEPS = 60
"""Rounds over all pieces at most."""
BLOCKS, BLOCK = 8, 128
"""At least so many blocks, since pieces that all change their minds at once swing to and fro; and pieces in one at
most, for a processor's cache."""
SETTLED = 1e-3
"""A belief whose means and widths move less than this in a round [its own standard deviations] has settled."""

__all__ = ["JointPosterior", "Key", "PieceFactors"]


class JointPosterior:
    """The belief of all `told`, by piece; quantities never spoken of are standard normal."""

    def __init__(self, told: Sequence[PieceFactors], is_own: Sequence[frozenset[Key]]) -> None:
        """`is_own`: by piece, the keys that are its alone."""
        names = [slots(one, own) for one, own in zip(told, is_own, strict=True)]
        self._shared = {key: i for i, key in enumerate(dict.fromkeys(key for keys, _ in names for key in keys))}
        # pieces of one recipe fall into different blocks
        alike = sorted(range(len(told)), key=lambda i: [self._shared[key] for key in names[i][0]])
        count = min(len(told), max(BLOCKS, len(told) // BLOCK))
        some = [alike[k::count] for k in range(count)]
        self._blocks = [FactorBlock([told[i] for i in one], [names[i] for i in one], self._shared) for one in some]
        self._place = {i: (block, k) for block, one in zip(self._blocks, some, strict=True) for k, i in enumerate(one)}
        self._cov, self._canonical = np.eye(len(self._shared)), np.zeros(len(self._shared))
        for _ in range(SWEEPS if told else 0):
            before, was = self._cov @ self._canonical, np.sqrt(np.diag(self._cov))
            for block in self._blocks:
                block.update_sites(self._cov, self._cov @ self._canonical)
                self._add_up()
            width = np.sqrt(np.diag(self._cov))
            moved = np.maximum(np.abs(self._cov @ self._canonical - before), np.abs(width - was)) / width
            if moved.max(initial=0.0) < SETTLED:
                break

    def _add_up(self) -> None:
        """What is believed of the shared quantities by all messages."""
        precision = sum((block.message_sum[0] for block in self._blocks), np.eye(len(self._shared)))
        cov = np.linalg.inv(precision)
        self._cov = np.asarray(0.5 * (cov + cov.T), dtype=float)
        self._canonical = sum((block.message_sum[1] for block in self._blocks), np.zeros(len(self._shared)))

    def _of(self, at: NDArray[np.intp]) -> Gaussian:
        return Gaussian(self._cov[at] @ self._canonical, self._cov[np.ix_(at, at)])

    def belief(self, keys: Sequence[Key], piece: int | None = None, *, without: bool = False) -> Gaussian | None:
        """Of these quantities; None where nothing bears on any of them.

        With `piece` (an index of `told`), what is its own is in it too; or, `without`, nothing that it taught is.
        """
        part = None if piece is None else self._part(piece)
        own = part.own if part is not None and not without else []
        known = [i for i, key in enumerate(keys) if key in self._shared or key in own]
        if not known:
            return None
        mean, cov = np.zeros(len(keys)), np.eye(len(keys))
        found = self._whole(part, [keys[i] for i in known], without)
        mean[known], cov[np.ix_(known, known)] = found.mean, found.cov
        return Gaussian(mean, cov)

    def _part(self, piece: int) -> PieceMessage:
        block, k = self._place[piece]
        return block.part(k)

    def _whole(self, part: PieceMessage | None, keys: Sequence[Key], without: bool) -> Gaussian:
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
                full, full_canonical = np.eye(size), np.zeros(size)
                full[:n, :n], full_canonical[:n] = precision, canonical
                full[np.ix_(local, local)] += part.sites[0]
                full_canonical[local] += part.sites[1]
                precision, canonical = full, full_canonical
            cov = np.asarray(np.linalg.inv(precision), dtype=float)
            whole = Gaussian(cov @ canonical, cov)
        own = {key: len(at) + i for i, key in enumerate([] if part is None or without else part.own)}
        return whole.of(np.array([own[key] if key in own else place[self._shared[key]] for key in keys], dtype=np.intp))


def _without(whole: Gaussian, message: tuple[Array, Array]) -> tuple[Array, Array]:
    """Precision, and precision times mean, of a belief less a message that is in it."""
    precision = np.linalg.inv(whole.cov)
    return precision - message[0], precision @ whole.mean - message[1]
