"""The ball's colour and size in this clip, learned from small things that fly."""

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


_TOLD, _TOLD_SPREAD = 6.0, 0.4  # samples and spread of log radius believed beforehand


class SizeModel:
    """How large balls looked in each part of the picture: a plane for the log of the radius."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self._middle = np.array([size_px[0] / 2, size_px[1] / 2])
        self._span = float(size_px[0])
        self._samples = np.zeros((0, 3))  # u, v, log r
        self._weights = np.zeros(0)
        self._new = 0
        self.model = np.zeros(4)  # as `kernels.off_radius` reads it; no spread: not known

    def add(self, uv_px: FloatArray, radius_px: FloatArray, weights: FloatArray) -> None:
        """Learn from spots that flew.

        Parameters
        ----------
        uv_px : (n, 2) float64
            Their places [px].
        radius_px : (n,) float64
            Their radii [px].
        weights : (n,) float64
            How surely each was a ball, 0-1.
        """
        fresh = np.column_stack([uv_px, np.log(radius_px)])
        self._samples = np.concatenate([self._samples, fresh])[-_KEPT:]
        self._weights = np.concatenate([self._weights, weights])[-_KEPT:]
        self._new += len(fresh)
        if len(self._samples) < _ENOUGH or self._new < _REFRESH_EVERY:
            return
        self._new = 0
        place = (self._samples[:, :2] - self._middle) / self._span
        design = np.column_stack([np.ones(len(place)), place])
        logs = self._samples[:, 2]
        weights = self._weights.copy()
        plane = np.zeros(3)
        for _ in range(4):  # a few rounds of weights that forget what lies far off
            normal = (design * weights[:, None]).T @ design + np.diag([0.0, 0.5, 0.5])
            plane = np.linalg.solve(normal, (design * weights[:, None]).T @ logs)
            off = logs - design @ plane
            weights = self._weights / (1.0 + (off / 0.15) ** 2)
        # few samples say little about the spread: as if some had been seen at its usual value
        total = float(np.sum(weights))
        spread = np.sqrt((np.sum(weights * off**2) + _TOLD * _TOLD_SPREAD**2) / (total + _TOLD))
        slope = plane[1:] / self._span
        self.model = np.array(
            [plane[0] - slope @ self._middle, slope[0], slope[1], max(1.2 * spread, 0.2)]
        )
