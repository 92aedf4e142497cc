"""The finder with a network: it says where to look and how much a place looks like the ball.

What follows a ball along its trail, measures its image with every pixel and learns the clip's look
is that of `BallFinder`; only the search and the score are the network's.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from halfvolley.ball import kernels, maps
from halfvolley.ball.changed import changes
from halfvolley.ball.finder import BallFinder
from halfvolley.ball.network import Detector
from halfvolley.ball.settings import FinderSettings, RadiusMap
from halfvolley.errors import BadInput
from halfvolley.types.arrays import BoolArray, ByteImage, FloatArray
from halfvolley.types.detections import Detections, concatenate
from halfvolley.types.frames import ClipInfo

_DEFAULTS = FinderSettings()
_TILE = 144  # side of a piece of the searched picture, and how much of it belongs to neighbours
_MARGIN = 16
_CROP = 96  # side of a crop at full size around a place that was found
_WINDOW = 160, 256  # the same where a ball is met again in the next frame: halved, at full size
_BATCH = 12  # pieces of one run; more of them leave the processor's memory
_FLIES = 1.5  # radii between frames
_TRAIL = 4  # spots of a trail that is followed without a look elsewhere
_MOVED = 9.0  # change from the frame before that counts as motion [8-bit steps]
_MOVED_NOISE = 4.0  # the same in mean changes of the whole picture: noise, lamps that pulse
_MOVED_PIXELS = 5  # of a tile


@dataclass(frozen=True, slots=True)
class NetworkSettings:
    """How often and how doubtfully the network is asked; part of the stage's key."""

    search_every: int = 4  # frames of 60 a second: a lost ball is searched everywhere in each n-th
    least_peak: float = 0.04  # scores below are no candidates
    least_change: float = 4.0  # of the mean of what a peak covers, in the frames seen [8-bit steps]
    worth_following: float = 0.15  # a peak is looked for again in the next frame
    sure_peak: float = 0.5  # on a trail: while there is one the whole picture is searched less
    rest_when_tracked: int = 2  # times less
    alone_sd_radii: float = 0.5  # of a peak's place where no disc fits, added to what it claims

    def __post_init__(self) -> None:
        if not 1 <= self.search_every <= 6:
            raise BadInput(f"search_every is {self.search_every}, it must be from 1 to 6")


_NETWORK = NetworkSettings()


class NetworkFinder(BallFinder):
    """Finds the ball by a network, a few frames behind the newest frame; as `BallFinder`.

    Parameters
    ----------
    info : ClipInfo
        The clip that the frames come from.
    detector : Detector
        From `load_detector`.
    settings : FinderSettings
        Limits.
    masks : sequence of (k, 2) arrays
        Polygons in which nothing is looked for [px].
    expected_radius : RadiusMap, optional
        How large the ball can look at each place.
    waiting : int
        Frames that a thread may `load` ahead of the one that is searched.
    network : NetworkSettings
        How often and how doubtfully the network is asked.
    """

    def __init__(
        self,
        info: ClipInfo,
        detector: Detector,
        settings: FinderSettings = _DEFAULTS,
        *,
        masks: Iterable[FloatArray] = (),
        expected_radius: RadiusMap | None = None,
        waiting: int = 0,
        network: NetworkSettings = _NETWORK,
    ) -> None:
        super().__init__(
            info, settings, masks=masks, expected_radius=expected_radius, waiting=waiting
        )
        self._detector = detector
        self._network = network
        # half the size is enough to see that there is a ball, if the picture is large
        self._shrink = self._ring.level if self._size[0] > 1400 else 1
        self._window = _WINDOW[self._shrink == 1]
        per_60th = 1.0 / 60.0 / info.frame_interval_s
        self._every = int(np.clip(round(network.search_every * per_60th), 1, 6))
        self._peaks: FloatArray | None = None  # of the frame being judged; None: not asked
        self._last = np.zeros((0, maps.COLUMNS))  # of the frame before
        self._scouted: dict[int, FloatArray] = {}  # peaks of whole pictures
        self._frame = 0

    # --- the two things that are the network's -------------------------------------------------
    def _look_for_spots(self, k: int, slot: int) -> FloatArray:
        """(n, SPOT_COLUMNS) what the network takes for a ball, best first."""
        del slot
        self._peaks = self._search(k)
        spots = np.zeros((len(self._peaks), kernels.SPOT_COLUMNS))
        spots[:, :2] = self._peaks[:, :2]
        spots[:, kernels.SPOT_R] = self._peaks[:, maps.RADIUS]
        spots[:, kernels.SPOT_SX] = self._peaks[:, maps.STREAK_U]
        spots[:, kernels.SPOT_SY] = self._peaks[:, maps.STREAK_V]
        spots[:, kernels.SPOT_RANK] = self._peaks[:, maps.SCORE]
        return spots

    def _score(self, fit: FloatArray) -> FloatArray:
        """(n,) 0-1: the score of the network's peak on which a spot lies."""
        possible = super()._score(fit) > 0.0
        if self._peaks is None:
            self._peaks = self._crops(self._frame, fit[:, :2])
        out = np.zeros(len(fit))
        for peak in self._peaks:
            out = np.maximum(out, peak[maps.SCORE] * self._on_peak(fit, peak))
        return np.where(possible, out, 0.0)

    @staticmethod
    def _on_peak(fit: FloatArray, peak: FloatArray) -> FloatArray:
        """(n,) whether spots lie on a peak: within a radius, and half the streak along it."""
        du, dv = fit[:, 0] - peak[0], fit[:, 1] - peak[1]
        su, sv = peak[maps.STREAK_U], peak[maps.STREAK_V]
        length = float(np.hypot(su, sv))
        along = np.abs(du * su + dv * sv) / max(length, 1e-6)
        across = np.abs(du * sv - dv * su) / max(length, 1e-6)
        if length < 1.0:
            along, across = np.hypot(du, dv), np.zeros(len(fit))
        r = max(float(peak[maps.RADIUS]), 2.0)
        near: BoolArray = (along < r + 0.5 * length) & (across < 1.2 * r)
        return near.astype(np.float64)

    def _judge(self) -> Detections:
        self._frame = k = self._judged
        self._peaks = None
        index, t_s = self._stamps[k]
        found = super()._judge()
        peaks = np.zeros((0, maps.COLUMNS)) if self._peaks is None else self._peaks
        self._last = peaks[peaks[:, maps.SCORE] > self._network.worth_following]
        for old in [i for i in self._scouted if i < k - self._every]:
            del self._scouted[old]
        found = replace(found, source=np.ones(len(found), np.int64))
        return concatenate([found, self._unmeasured(found, peaks, index, t_s)])

    def _unmeasured(
        self, found: Detections, peaks: FloatArray, index: int, t_s: float
    ) -> Detections:
        """Peaks on which no disc was fitted, known as well as the network says."""
        rows = [
            p
            for p in peaks
            if not np.any(np.hypot(*(found.uv_px - p[:2]).T) < max(p[maps.RADIUS], 3.0))
            and self._may_be(p)
        ]
        n = len(rows)
        if not n:
            return Detections.empty()
        t = np.array(rows)
        sd = np.hypot(t[:, maps.SD], self._network.alone_sd_radii * t[:, maps.RADIUS])
        streak = t[:, maps.STREAK_U : maps.STREAK_V + 1]
        cov = sd[:, None, None] ** 2 * np.eye(2) + 0.04 * streak[:, :, None] * streak[:, None, :]
        return Detections(
            np.full(n, index, np.int64), np.full(n, t_s), t[:, :2].copy(), cov,
            t[:, maps.RADIUS].copy(), streak.copy(), np.clip(t[:, maps.SCORE], 0.0, 1.0),
            np.ones(n, np.int64),
        )  # fmt: skip

    def _may_be(self, peak: FloatArray) -> bool:
        """Whether a ball may be in play at a peak, and look so large there."""
        level = self._ring.level
        rows, columns = self._allowed.shape
        i, j = int(peak[1]) // level, int(peak[0]) // level
        if not (0 <= i < rows and 0 <= j < columns) or not self._allowed[i, j]:
            return False
        low, high = kernels.radius_at(peak[0], peak[1], self._cell, self._r_min, self._r_max)
        return bool(0.5 * low < peak[maps.RADIUS] < 2.0 * high)

    # --- where it is asked -----------------------------------------------------------------------
    def _search(self, k: int) -> FloatArray:
        """Peaks of frame k: where a ball was or will be; and anywhere, in every n-th frame."""
        n = self._every
        guessed = self._expected.uv_px
        if len(guessed) and k % (n * self._network.rest_when_tracked):
            found = self._crops(k, guessed)
            step = guessed - self._middle.uv_px[self._expected.back]
            flies = np.hypot(*step.T) > _FLIES * self._expected.radius_px  # heads go slowly
            on_trail = flies & (self._expected.length >= _TRAIL)
            near = np.hypot(*(found[:, None, :2] - guessed[None, on_trail]).transpose(2, 0, 1))
            sure = found[:, maps.SCORE] > self._network.sure_peak
            if np.any(near[sure] < _CROP / 4):
                seen = np.concatenate([self._last, self._scouted.get(k, self._last[:0])])
                others = self._sure_apart(seen, guessed)
                if not len(others):
                    return found
                wide = self._pieces(k, others[:, :2], self._window, self._shrink)
                return self._refined(k, wide, guessed)
        first = k // n * n
        ahead = min(first + n - 1, self._count - 1)
        after, before = self._scout(ahead), self._scouted.get(first - 1)
        if k == ahead:
            return self._refined(k, after, guessed, self._last[:, :2])
        if len(after) and (before is None or not len(before)) and not len(self._last):
            # it came into sight: find out when
            return self._refined(k, self._scout(k))
        places = [self._last[:, :2], guessed]
        if ahead - k == 1:
            places.append(after[:, :2])
        if before is not None:
            share = (k - first + 1) / n
            places += [
                (1 - share) * p[None, :2] + share * q[None, :2]
                for p in before[:3] for q in after[:3]
            ]  # fmt: skip
        centres = _apart(np.concatenate(places), 0.3 * self._window * self._shrink)
        if not len(centres):
            return np.zeros((0, maps.COLUMNS))
        return self._refined(k, self._pieces(k, centres, self._window, self._shrink), guessed)

    def _sees_another(self) -> bool:
        followed = self._expected.uv_px[self._expected.back == self._sure]
        return len(self._sure_apart(self._last, followed)) > 0

    def _sure_apart(self, peaks: FloatArray, places: FloatArray) -> FloatArray:
        """Those of the peaks that are surely a ball, and none of these.

        While the ball of the last rally still rolls somewhere, the next one is served.
        """
        peaks = peaks[peaks[:, maps.SCORE] > self._network.sure_peak]
        apart = np.hypot(*(peaks[:, None, :2] - places[None]).transpose(2, 0, 1))
        return peaks[np.all(apart > _CROP / 2, axis=1)]

    def _scout(self, k: int) -> FloatArray:
        """Peaks of the whole frame k, wherever something moves in it."""
        if k not in self._scouted:
            found = self._pieces(k, self._moving_tiles(k), _TILE, self._shrink, _MARGIN)
            self._scouted[k] = found[found[:, maps.SCORE] > self._network.worth_following]
        return self._scouted[k]

    def _refined(self, k: int, found: FloatArray, *more: FloatArray) -> FloatArray:
        """Peaks at full size, around those of the smaller picture and other places."""
        places = _apart(np.concatenate([found[:, :2], *more]), 0.25 * _CROP)
        return self._crops(k, places)

    def _crops(self, k: int, places: FloatArray) -> FloatArray:
        """Peaks of crops at full size, where the picture changes as a ball changes it."""
        found = self._pieces(k, places, _CROP, 1)
        ring, slots = self._ring, np.array(self._frames(k))
        change = changes(ring.luma, ring.cb, ring.cr, slots, found)
        return found[change >= self._network.least_change]

    def _moving_tiles(self, k: int) -> FloatArray:
        """(n, 2) centres of tiles in which something moves [px]."""
        ring = self._ring
        slot, before = ring.slot(k), ring.slot(max(k - 1, 0))
        assert slot is not None
        if before is None:
            before = slot
        moved = cv2.absdiff(ring.small_luma[slot], ring.small_luma[before])
        least = max(_MOVED, _MOVED_NOISE * float(cv2.mean(moved)[0]))
        if k == 0:
            moved[:], least = 255, 0.0  # nothing is known of the first frame
        moved = cv2.threshold(moved, least, 1.0, cv2.THRESH_BINARY)[1]
        moved = cv2.bitwise_and(moved, self._allowed)
        step = (_TILE - 2 * _MARGIN) * self._shrink  # [px]
        width, height = self._size
        us = np.arange(step // 2, max(width - step // 2, step // 2 + 1) + step - 1, step)
        vs = np.arange(step // 2, max(height - step // 2, step // 2 + 1) + step - 1, step)
        half = step // (2 * ring.level)
        centres = [
            (float(u), float(v))
            for v in vs for u in us
            if np.count_nonzero(
                moved[max(v // ring.level - half, 0) : v // ring.level + half,
                      max(u // ring.level - half, 0) : u // ring.level + half]
            ) >= _MOVED_PIXELS
        ]  # fmt: skip
        return np.array(centres).reshape(-1, 2)

    def _pieces(
        self, k: int, centres: FloatArray, side: int, shrink: int, margin: int = 0
    ) -> FloatArray:
        """Peaks in square pieces of frame k, best first, in pixels of the frame.

        `margin` is how much of each piece is seen but searched by its neighbours.
        """
        parts = [np.zeros((0, maps.COLUMNS))]
        slots = self._frames(k)
        stride = self._detector.stride
        for first in range(0, len(centres), _BATCH):
            corners = [self._corner(c, side * shrink) for c in centres[first : first + _BATCH]]
            cut = [self._cut(slots, u, v, side, shrink) for u, v in corners]
            out = self._detector.maps(np.stack([y for y, _ in cut]), np.stack([c for _, c in cut]))
            for one, (u, v) in zip(out, corners, strict=True):
                if margin:
                    one[0] = _inner(one[0], margin // stride, (u, v), side * shrink, self._size)
                found = maps.peaks(one, stride, self._network.least_peak)
                found[:, :2] = (found[:, :2] + 0.5) * shrink - 0.5 + [u, v]
                found[:, maps.SD :] *= shrink
                parts.append(found)
        found = np.concatenate(parts)
        return maps.apart(found[np.argsort(-found[:, maps.SCORE], kind="stable")])

    def _frames(self, k: int) -> list[int]:
        """Slots of the frames that the detector sees, oldest first; the oldest is repeated."""
        slots: list[int] = []
        for i in range(self._detector.frames):
            slot = self._ring.slot(k - i)
            slots.append(slots[-1] if slot is None else slot)
        return slots[::-1]

    def _corner(self, centre: FloatArray, side: int) -> tuple[int, int]:
        """Top left of a piece, inside the picture where it fits; multiples of 4."""
        u, v = (
            int(np.clip(c - side / 2, 0, max(n - side, 0))) // 4 * 4
            for c, n in zip(centre, self._size, strict=True)
        )
        return u, v

    def _cut(
        self, slots: list[int], u: int, v: int, side: int, shrink: int
    ) -> tuple[ByteImage, ByteImage]:
        """Planes (frames, side, side) and (2 frames, side/2, side/2) of a piece."""
        ring, wide = self._ring, side * shrink
        luma = np.empty((len(slots), side, side), np.uint8)
        chroma = np.empty((2 * len(slots), side // 2, side // 2), np.uint8)
        for i, slot in enumerate(slots):
            if shrink == ring.level:
                at = (
                    slice(v // shrink, v // shrink + side),
                    slice(u // shrink, u // shrink + side),
                )
                _put(luma[i], ring.small_luma[slot][at])
            else:
                _put(luma[i], ring.luma[slot, v : v + wide, u : u + wide])
            at = (slice(v // 2, (v + wide) // 2), slice(u // 2, (u + wide) // 2))
            for j, plane in enumerate((ring.cb, ring.cr)):
                part = plane[slot][at]
                if shrink > 1:
                    size = (max(part.shape[1] // shrink, 1), max(part.shape[0] // shrink, 1))
                    part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
                _put(chroma[2 * i + j], part)
        return luma, chroma


def _put(out: ByteImage, part: ByteImage) -> None:
    """Copy a piece; beyond the picture its edge goes on."""
    h, w = part.shape
    if (h, w) == out.shape:
        out[:] = part
        return
    out[:] = np.pad(part, ((0, out.shape[0] - h), (0, out.shape[1] - w)), mode="edge")


def _inner(
    logit: "np.typing.NDArray[np.float32]", rim: int, corner: tuple[int, int], side: int,
    size: tuple[int, int],
) -> "np.typing.NDArray[np.float32]":  # fmt: skip
    """The score without the rim, but for the sides on which the picture ends."""
    out = logit.copy()
    if corner[0] > 0:
        out[:, :rim] = -np.inf
    if corner[1] > 0:
        out[:rim] = -np.inf
    if corner[0] + side < size[0]:
        out[:, -rim:] = -np.inf
    if corner[1] + side < size[1]:
        out[-rim:] = -np.inf
    return out


def _apart(places: FloatArray, least: float) -> FloatArray:
    """Places without those that lie closer than `least` to an earlier one."""
    keep: list[FloatArray] = []
    for place in places:
        if np.isfinite(place).all() and all(np.hypot(*(place - k)) >= least for k in keep):
            keep.append(place)
    return np.array(keep).reshape(-1, 2)
