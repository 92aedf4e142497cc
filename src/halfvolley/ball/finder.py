"""The classical finder: what moved, is compact, and has the image of a moving ball."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from halfvolley.ball import disc, kernels
from halfvolley.ball.ring import FrameRing, same_rows
from halfvolley.ball.settings import FinderSettings, RadiusMap
from halfvolley.types.arrays import ByteImage, FloatArray
from halfvolley.types.detections import Detections, concatenate
from halfvolley.types.frames import ClipInfo, Frame

_OLD_SPACING_S = 0.13  # seven samples span about a second: a flying ball is in one or two of them
_MAX_RUNS = 30_000
_MAX_BLOBS = 1500


@dataclass(frozen=True, slots=True, eq=False)
class _Spots:
    """Measured spots of one frame: rows as laid out in `disc`, and what scoring needs."""

    frame: int
    t_s: float
    fit: FloatArray  # (n, RESULT_COLUMNS)
    shape_score: FloatArray  # (n,)


class BallFinder:
    """Finds possible ball images, a few frames behind the newest frame.

    Parameters
    ----------
    info : ClipInfo
        The clip that the frames come from.
    settings : FinderSettings
        Limits.
    masks : sequence of (k, 2) arrays
        Polygons in which nothing is looked for, as a person drew them [px].
    expected_radius : RadiusMap, optional
        How large the ball can look at each place, from the camera.
    """

    def __init__(
        self,
        info: ClipInfo,
        settings: FinderSettings = FinderSettings(),
        *,
        masks: Iterable[FloatArray] = (),
        expected_radius: RadiusMap | None = None,
    ) -> None:
        self._settings = settings
        width, height = info.size_px
        self._size = (width, height)
        self._max_radius = height * settings.max_radius_share
        self._max_streak = width * settings.max_streak_share
        self._radius_map = expected_radius
        lag = settings.lag_frames
        self._ring = FrameRing(
            info.size_px, ahead=lag, behind=8,
            old_step=max(2, round(_OLD_SPACING_S / info.frame_interval_s)),
            black=0.0 if info.full_range else 16.0,
        )  # fmt: skip
        rows, columns = self._ring.small_shape
        padded = -(-columns // 8) * 8
        self._allowed = self._allowed_places(masks, rows, columns)
        self._change = np.zeros((rows, padded), np.uint8)
        self._table = np.zeros((_MAX_BLOBS, kernels.BLOB_COLUMNS))
        self._phi = disc._TABLE
        self._count = 0
        self._judged = 0
        self._stamps: dict[int, tuple[int, float]] = {}

    def _allowed_places(self, masks: Iterable[FloatArray], rows: int, columns: int) -> ByteImage:
        level = self._ring.level
        allowed = np.full((rows, columns), 255, np.uint8)
        if self._radius_map is not None:
            v, u = np.mgrid[0:rows, 0:columns] * level + level / 2
            places = np.stack([u.ravel(), v.ravel()], axis=1)
            inside = np.isfinite(self._radius_map.at(places)).all(axis=1)
            allowed[~inside.reshape(rows, columns)] = 0
        for polygon in masks:
            corners = np.round((np.asarray(polygon) + 0.5) / level - 0.5).astype(np.int32)
            cv2.fillPoly(allowed, [corners.reshape(-1, 1, 2)], (0,))
        return allowed

    def feed(self, frame: Frame) -> Detections:
        """Take the next frame; return the detections of the frame that is now ripe.

        Parameters
        ----------
        frame : Frame
            The next one in order of display.

        Returns
        -------
        Detections
            Of one earlier frame, `lag_frames` back; empty at first.
        """
        self._ring.add(self._count, frame)
        self._stamps[self._count] = (frame.index, frame.t_s)
        self._count += 1
        if self._count - self._judged <= self._settings.lag_frames:
            return Detections.empty()
        return self._judge()

    def finish(self) -> Detections:
        """Detections of the frames that were still waiting for later ones."""
        parts = []
        while self._judged < self._count:
            parts.append(self._judge())
        return concatenate(parts)

    def _judge(self) -> Detections:
        k = self._judged
        self._judged += 1
        index, t_s = self._stamps.pop(k)
        spots = self._measure(k, index, t_s, self._blobs(k))
        return self._report(spots)

    def _change_mask(self, slot: int, a: int | None, b: int | None) -> ByteImage:
        """Change against two frames, or against the slow background where a frame is None."""
        ring = self._ring
        rows, columns = ring.small_shape
        sides = []
        for other in (a, b):
            if other is None:
                assert ring.background is not None
                planes = ring.background
                gain = ring.gain[slot] / ring.background_gain
            else:
                planes = (ring.small_luma[other], ring.small_cb[other], ring.small_cr[other])
                gain = ring.gain[slot] / ring.gain[other]
            sides.append((*planes, same_rows(gain, rows, ring.level)))
        kernels.change_between(
            ring.small_luma[slot], ring.small_cb[slot], ring.small_cr[slot], *sides[0], *sides[1],
            ring.black, self._settings.min_change, self._allowed, self._change[:, :columns],
        )  # fmt: skip
        return self._change

    def _blobs(self, k: int) -> FloatArray:
        """(n, 7): u, v, r, streak x, y, mean change, fill; of blobs that may be the ball."""
        ring = self._ring
        slot = ring.slot(k)
        assert slot is not None
        found = []
        for near in (1, 3, 0):
            if near:
                change = self._change_mask(slot, ring.slot(k - near), ring.slot(k + near))
            else:
                change = self._change_mask(slot, None, None)
            floor = self._threshold(change)
            for factor in (1.0, 2.0, 4.0):
                if floor * factor > 160:
                    break
                n = kernels.find_blobs(change, int(floor * factor), _MAX_RUNS, self._table)
                if n:
                    found.append(self._ball_like(self._table[:n]))
        if not found:
            return np.zeros((0, 7))
        return self._distinct(np.concatenate(found))

    def _threshold(self, change: ByteImage) -> float:
        some = change[::7, ::5]
        level = float(np.quantile(some, 0.75)) if some.size else 0.0
        return max(self._settings.min_change, 1.5 * level)

    def _ball_like(self, table: FloatArray) -> FloatArray:
        level = self._ring.level
        area = table[:, kernels.AREA]
        weight = table[:, kernels.SW]
        x = table[:, kernels.SX] / weight
        y = table[:, kernels.SY] / weight
        xx = table[:, kernels.SXX] / weight - x * x + 1 / 12
        yy = table[:, kernels.SYY] / weight - y * y + 1 / 12
        xy = table[:, kernels.SXY] / weight - x * y
        half = np.hypot((xx - yy) / 2, xy)
        small = np.maximum((xx + yy) / 2 - half, 0.02)
        large = (xx + yy) / 2 + half
        angle = 0.5 * np.arctan2(2 * xy, xx - yy)
        r = 2.0 * np.sqrt(small) * level
        streak = np.sqrt(12.0 * np.maximum(large - small, 0.0)) * level
        fill = area * level * level / (np.pi * r * r + 2 * r * streak)
        keep = (
            (r >= 0.5 * self._settings.min_radius_px)
            & (r <= 1.5 * self._max_radius)
            & (streak <= self._max_streak)
            & (fill > 0.45)
            & (area >= 3)
        )
        r = np.clip(r, self._settings.min_radius_px, self._max_radius)
        out = np.stack(
            [
                x * level + (level - 1) / 2, y * level + (level - 1) / 2, r,
                streak * np.cos(angle), streak * np.sin(angle), weight / area, fill,
            ],
            axis=1,
        )  # fmt: skip
        return out[keep]

    def _distinct(self, blobs: FloatArray) -> FloatArray:
        """The strongest of those that lie on each other, and of these the strongest."""
        order = np.argsort(-blobs[:, 5] * np.minimum(blobs[:, 6], 1.0), kind="stable")
        blobs = blobs[order]
        kept: list[int] = []
        for i in range(len(blobs)):
            near = False
            for j in kept:
                gap = np.hypot(blobs[i, 0] - blobs[j, 0], blobs[i, 1] - blobs[j, 1])
                if gap < 0.5 * min(blobs[i, 2], blobs[j, 2]):
                    near = True
                    break
            if not near:
                kept.append(i)
            if len(kept) == self._settings.max_fits:
                break
        return blobs[kept]

    def _measure(self, k: int, index: int, t_s: float, blobs: FloatArray) -> _Spots:
        ring = self._ring
        slot = ring.slot(k)
        assert slot is not None
        others = ring.others(k)
        rows = []
        out = np.zeros(disc.RESULT_COLUMNS)
        for blob in blobs:
            prior = np.array([blob[2], 100.0])
            if self._radius_map is not None:
                low, high = self._radius_map.at(blob[None, :2])[0]
                if np.isfinite(low):
                    prior = np.array([(low + high) / 2, 0.5 * (high - low) + 0.3])
            out[:] = 0.0
            if disc.fit_disc(
                ring.luma, ring.cb, ring.cr, ring.gain, ring.no_gain, ring.black, slot, others,
                blob[:5].copy(), self._settings.blur_sd_px, prior, self._max_streak,
                self._phi, out,
            ):  # fmt: skip
                rows.append(out.copy())
        fit = np.array(rows).reshape(-1, disc.RESULT_COLUMNS)
        return _Spots(index, t_s, fit, self._shape_score(fit))

    def _shape_score(self, fit: FloatArray) -> FloatArray:
        r = fit[:, disc.R]
        score = np.clip(fit[:, disc.QUALITY], 0.0, 1.0)
        score = score * (1.0 - np.exp(-0.15 * fit[:, disc.SNR]))
        ok = (r > 0.6 * self._settings.min_radius_px) & (r < 1.3 * self._max_radius)
        if self._radius_map is not None and len(fit):
            low, high = self._radius_map.at(fit[:, :2]).T
            off = np.maximum(np.maximum(low - r, r - high), 0.0)
            score = score * np.where(np.isfinite(low), np.exp(-off), 0.0)
        return np.where(ok, score, 0.0)

    def _report(self, spots: _Spots) -> Detections:
        order = np.argsort(-spots.shape_score, kind="stable")
        kept: list[int] = []
        for i in order:
            if spots.shape_score[i] < self._settings.min_score:
                break
            gap = np.hypot(*(spots.fit[kept, :2] - spots.fit[i, :2]).T)
            if np.all(gap > np.maximum(spots.fit[kept, disc.R], spots.fit[i, disc.R])):
                kept.append(int(i))
            if len(kept) == self._settings.max_candidates:
                break
        fit = spots.fit[kept]
        n = len(kept)
        cov = np.empty((n, 2, 2))
        cov[:, 0, 0] = fit[:, disc.COV] + 0.1**2
        cov[:, 0, 1] = cov[:, 1, 0] = fit[:, disc.COV + 1]
        cov[:, 1, 1] = fit[:, disc.COV + 2] + 0.1**2
        return Detections(
            frame=np.full(n, spots.frame, np.int64),
            t_s=np.full(n, spots.t_s),
            uv_px=fit[:, :2].copy(),
            cov_uv_px2=cov,
            radius_px=fit[:, disc.R].copy(),
            streak_px=fit[:, disc.STREAK_X : disc.STREAK_Y + 1].copy(),
            score=np.clip(spots.shape_score[kept], 0.0, 1.0),
            source=np.zeros(n, np.int64),
        )


def iter_detections(
    frames: Iterable[Frame],
    info: ClipInfo,
    settings: FinderSettings = FinderSettings(),
    *,
    masks: Iterable[FloatArray] = (),
    expected_radius: RadiusMap | None = None,
) -> Iterator[Detections]:
    """Yield the detections of each frame in order, one table a frame, a few frames late.

    Parameters
    ----------
    frames : iterable of Frame
        In order of display.
    info : ClipInfo
        The clip that they come from.
    settings : FinderSettings
        Limits.
    masks : sequence of (k, 2) arrays
        Polygons in which nothing is looked for [px].
    expected_radius : RadiusMap, optional
        How large the ball can look at each place.

    Yields
    ------
    Detections
        Of one frame, best first; may be empty. The last one holds all frames that were waiting.
    """
    finder = BallFinder(info, settings, masks=masks, expected_radius=expected_radius)
    for frame in frames:
        yield finder.feed(frame)
    yield finder.finish()


def find_ball(
    frames: Iterable[Frame],
    info: ClipInfo,
    settings: FinderSettings = FinderSettings(),
    *,
    masks: Iterable[FloatArray] = (),
    expected_radius: RadiusMap | None = None,
) -> Detections:
    """Possible ball images of a whole clip.

    Parameters
    ----------
    frames : iterable of Frame
        In order of display.
    info : ClipInfo
        The clip that they come from.
    settings : FinderSettings
        Limits.
    masks : sequence of (k, 2) arrays
        Polygons in which nothing is looked for [px].
    expected_radius : RadiusMap, optional
        How large the ball can look at each place.

    Returns
    -------
    Detections
        In frame order, best first within a frame.
    """
    return concatenate(
        list(iter_detections(frames, info, settings, masks=masks, expected_radius=expected_radius))
    )
