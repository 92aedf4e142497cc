"""The ball's colour, learned from small things that fly."""

import numpy as np

from halfvolley.ball.scoring import CHROMA_SPREAD, LUMA_SPREAD
from halfvolley.types.arrays import FloatArray

_KEPT = 240  # samples; a rally or two
_ENOUGH = 12  # samples before the colour is used at all
_REFRESH_EVERY = 8  # new samples between two looks for the mode


class ColourModel:
    """Where the colours of flying spots gather, in luma above black, cb and cr.

    Limbs and shirts fly too, each with colours of its own; the ball's is the one that comes back.
    So the colour is the densest place of all samples, not their mean.
    """

    def __init__(self) -> None:
        self._samples = np.zeros((0, 3))
        self._weights = np.zeros(0)
        self._new = 0
        self.mean = np.zeros(3)  # luma above black, cb, cr [8-bit steps]
        self.trust = 0.0  # 0: not known, 1: many samples and most of them agree

    def add(self, colours: FloatArray, weights: FloatArray) -> bool:
        """Learn from spots that flew; True where the colour was renewed.

        Parameters
        ----------
        colours : (n, 3) float64
            Luma above black, cb, cr [8-bit steps].
        weights : (n,) float64
            How surely each was a ball, 0-1.

        Returns
        -------
        bool
            Whether `mean` and `trust` may have changed.
        """
        self._samples = np.concatenate([self._samples, colours])[-_KEPT:]
        self._weights = np.concatenate([self._weights, weights])[-_KEPT:]
        self._new += len(colours)
        if len(self._samples) < _ENOUGH or self._new < _REFRESH_EVERY:
            return False
        self._new = 0
        scaled = self._samples / np.array([LUMA_SPREAD, CHROMA_SPREAD, CHROMA_SPREAD])
        apart = ((scaled[:, None] - scaled[None]) ** 2).sum(axis=2)
        near = np.exp(-0.5 * apart) * self._weights
        best = int(np.argmax(near.sum(axis=1)))
        member = near[best]
        self.mean = (member[:, None] * self._samples).sum(axis=0) / member.sum()
        share = member.sum() / self._weights.sum()
        self.trust = float(np.clip(2.5 * share - 0.25, 0.0, 1.0))
        return True
