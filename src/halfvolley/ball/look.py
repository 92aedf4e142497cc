"""What a clip's balls look like: colour, size, light and blur, learned from small flying things."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from halfvolley.ball import disc, swept
from halfvolley.ball.scoring import CHROMA_SPREAD, LUMA_SPREAD
from halfvolley.types.arrays import BoolArray, FloatArray

_KEPT = 240  # samples; a rally or two
_ENOUGH = 12  # samples before colour and size are used at all
_REFRESH_EVERY = 8  # new samples between two looks for the mode, and a share of all
_REFRESH_SHARE = 0.1
_MIDDLE_LUMA, _DARKEST = 120.0, 50.0  # at which chroma is compared; below it is noise
_TOLD, _TOLD_SPREAD = 6.0, 0.4  # samples and spread of log radius believed beforehand


@dataclass(frozen=True, slots=True)
class _Belief:
    """A number believed before the clip is seen, and how much single pictures stray from it."""

    value: float
    sd: float
    stray: float


# light comes from above; share of c0
_SHADE = (_Belief(0.0, 0.35, 0.15), _Belief(-0.8, 0.25, 0.15), _Belief(0.15, 0.15, 0.15))
_BLUR = _Belief(0.65, 0.2, 0.15)  # lens, pixel and coding [px]
_SITE = _Belief(0.25, 0.25, 0.3)  # chroma lies at 0 or 1/2 pixel between luma columns
_EXPOSURE = _Belief(0.3, 0.3, 0.05)  # share of the time between frames


def _is_due(samples: int, new: int) -> bool:
    """Whether what was learned is to be renewed."""
    return samples >= _ENOUGH and new >= max(_REFRESH_EVERY, _REFRESH_SHARE * samples)


def _numbers(*columns: FloatArray) -> Iterator[tuple[float, ...]]:
    """Rows of a few columns as plain numbers: far quicker than those of NumPy one by one."""
    return zip(*(column.tolist() for column in columns), strict=True)


class Learned:
    """A number of the clip, from a belief and from what single fits say beyond it."""

    def __init__(self, belief: _Belief) -> None:
        self._stray = belief.stray
        self._precision = belief.sd**-2
        self._sum = belief.value * self._precision
        self._floor = 0.5 * belief.stray
        self.value = belief.value
        self.sd = belief.sd  # for the next fit: of the mean and of single pictures

    def add(self, values: FloatArray, sds: FloatArray, weights: FloatArray) -> None:
        """Take fits that were told `value` and `sd`.

        Parameters
        ----------
        values, sds : (n,) float64
            What the fits came to, with the belief in them.
        weights : (n,) float64
            How surely each was a ball, 0-1.
        """
        told = self.sd**-2
        for value, sd, weight in _numbers(values, sds, weights):
            fresh = sd**-2 - told
            if not fresh > 0.05 * told:
                continue
            seen = (value * sd**-2 - self.value * told) / fresh
            # one wild fit moves the number by no more than three of its strays
            seen = min(max(seen, self.value - 3 * self._stray), self.value + 3 * self._stray)
            share = weight / (1.0 / fresh + self._stray**2)
            self._precision += share
            self._sum += share * seen
        self.value = self._sum / self._precision
        self.sd = max(math.hypot(self._precision**-0.5, self._stray), self._floor)

    def follow(self, values: FloatArray, sds: FloatArray, weights: FloatArray) -> None:
        """Take fits whose belief followed this number: it settles where they no longer move it.

        Parameters
        ----------
        values, sds : (n,) float64
            What the fits came to.
        weights : (n,) float64
            How surely each was a ball, 0-1.
        """
        for value, sd, weight in _numbers(values, sds, weights):
            share = weight / (sd**2 + self._stray**2)
            self._precision += share
            self._sum += share * value
        self.value = self._sum / self._precision
        self.sd = max(math.hypot(self._precision**-0.5, self._stray), self._floor)


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
        if not _is_due(len(self._samples), self._new):
            return False
        self._new = 0
        shade = np.maximum(self._samples[:, :1], _DARKEST) / _MIDDLE_LUMA
        chroma = (self._samples[:, 1:] - 128.0) / shade  # in the shade both fall together
        scaled = np.hstack([self._samples[:, :1] / LUMA_SPREAD, chroma / CHROMA_SPREAD])
        apart = ((scaled[:, None] - scaled[None]) ** 2).sum(axis=2)
        near = np.exp(-0.5 * apart) * self._weights
        best = int(np.argmax(near.sum(axis=1)))
        member = near[best]
        self.mean = (member[:, None] * self._samples).sum(axis=0) / member.sum()
        share = member.sum() / self._weights.sum()
        self.trust = float(np.clip(2.5 * share - 0.25, 0.0, 1.0))
        return True


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
        if not _is_due(len(self._samples), self._new):
            return
        self._new = 0
        place = (self._samples[:, :2] - self._middle) / self._span
        design = np.column_stack([np.ones(len(place)), place])
        logs = self._samples[:, 2]
        weights = self._weights.copy()
        plane = np.zeros(3)
        off = logs
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


class Look:
    """All that is learned about one clip's balls."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self.colour = ColourModel()
        self.size = SizeModel(size_px)
        self._shade = tuple(Learned(b) for b in _SHADE)
        self._blur = Learned(_BLUR)
        self._site = Learned(_SITE)
        self._exposure = Learned(_EXPOSURE)

    @property
    def shade(self) -> FloatArray:
        """(2, 3) shading as shares of the light: value, sd."""
        return np.array([[s.value for s in self._shade], [s.sd for s in self._shade]])

    @property
    def blur(self) -> tuple[float, float]:
        """Edge blur and its sd [px]."""
        return self._blur.value, self._blur.sd

    @property
    def site(self) -> tuple[float, float]:
        """Place of chroma between luma columns and its sd [px]."""
        return self._site.value, self._site.sd

    @property
    def exposure(self) -> tuple[float, float]:
        """Exposure as a share of the time between frames, and its sd."""
        return self._exposure.value, self._exposure.sd

    def add(
        self, fit: FloatArray, colours: FloatArray, steps_px: FloatArray, surety: FloatArray,
        fine: BoolArray,
    ) -> bool:  # fmt: skip
        """Learn from spots that flew; True where the colour was renewed.

        Parameters
        ----------
        fit : (n, RESULT_COLUMNS) float64
            Result rows of `disc`.
        colours : (n, 3) float64
            Luma above black, cb, cr.
        steps_px : (n, 2) float64
            Way from the frame before [px].
        surety : (n,) float64
            How surely each was a ball, 0-1.
        fine : (n,) bool
            Whether every pixel was used.

        Returns
        -------
        bool
            Whether the colour may have changed.
        """
        self.size.add(fit[:, :2], fit[:, swept.R], surety)
        exact = fit[fine]
        weights = surety[fine]
        light = np.maximum(exact[:, swept.LIGHT], 100.0)
        for k, learned in enumerate(self._shade):
            column = swept.SHADE_X + k
            learned.add(exact[:, column] / light, exact[:, disc.SD + column] / light, weights)
        self._blur.add(exact[:, swept.BLUR], exact[:, disc.SD + swept.BLUR], weights)
        step = steps_px[fine]
        way = np.hypot(step[:, 0], step[:, 1])
        told = way > exact[:, swept.R]
        exposed = (
            np.abs(exact[:, 3] * step[:, 0] + exact[:, 4] * step[:, 1]) / np.maximum(way, 1) ** 2
        )
        sd = np.hypot(exact[:, disc.SD + 3], exact[:, disc.SD + 4]) / np.maximum(way, 1)
        self._exposure.follow(exposed[told], sd[told], weights[told])
        self._site.add(exact[:, swept.SITE], exact[:, disc.SD + swept.SITE], weights)
        return self.colour.add(colours, surety)
