"""The finder with a network: it says how much a place looks like the ball.

What follows a ball along its trail, measures its image with every pixel and learns the clip's look
is that of `BallFinder`; only the search and the score are the network's. Its cost grows with the
pixels that it sees, so it is shown little: where a trail goes on; small things that moved, near
where a ball was lost or, in every n-th frame, anywhere; and at last, seldom, all that moves.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from halfvolley.ball import kernels, maps, pieces
from halfvolley.ball.changed import changes
from halfvolley.ball.finder import BallFinder
from halfvolley.ball.network import Detector
from halfvolley.ball.ring import Part
from halfvolley.ball.settings import FinderSettings, RadiusMap
from halfvolley.ball.trail import Points
from halfvolley.errors import BadInput
from halfvolley.types.arrays import BoolArray, FloatArray, IntArray
from halfvolley.types.detections import Detections, concatenate
from halfvolley.types.frames import ClipInfo

_DEFAULTS = FinderSettings()
_TILE = 144  # side of a piece of the searched picture, and how much of it belongs to neighbours
_MARGIN = 16
_CROPS = (48, 15.0), (64, 24.0), (96, np.inf)  # side of a crop at full size, and the reach that it
# is good for: radius and half the streak of what is there [px]
_SLOW_CROPS = ((128, np.inf),)  # where a ball goes further between frames
_SLOW_S = 1.0 / 40.0  # from frame to frame
_FASTEST = 5.0  # widths of the picture that a ball flies in a second
_AGAIN = 30.0  # reach of what is looked for where it was [px]
_MET = 32.0  # from where a trail should go on [px]
_WINDOW = 160, 256  # side of a piece where a ball was lost: halved, at full size
_LOCAL = 320  # side of the place where small things are looked for near a lost ball [px]
_BATCH = 12  # pieces of one run; more of them leave the processor's memory
_FLIES = 1.5  # radii between frames
_TRAIL = 4  # spots of a trail that is followed without a look elsewhere
_SURE = 0.2  # surety from which the ball on it is the only thing looked at
_STILL_LIKELY = 0.6  # share of what its image scored that it must go on to score
_NEAR_PLACES, _NEAR_THINGS = 3, 4  # looked at where a ball was lost
_WORTH_A_LOOK = 0.4, 0.15  # share of the best rank: anywhere, where a ball was lost
_HEIGHTS = 1.0, 2.0, 4.0  # of change: the ball's can be stronger than that of what it touches
_MOVED = 9.0  # change from the frame before that counts as motion [8-bit steps]
_MOVED_NOISE = 4.0  # the same in mean changes of the whole picture: noise, lamps that pulse
_MOVED_PIXELS = 5  # of a tile
_SECOND = 0.4  # share of its score that a second fit on one peak keeps


@dataclass(frozen=True, slots=True)
class NetworkSettings:
    """How often and how doubtfully the network is asked.

    Who changes a default raises the version of the stage.
    """

    search_every: int = 4  # frames of 60 a second: a lost ball is searched everywhere in each n-th
    least_peak: float = 0.04  # scores below are no candidates
    least_change: float = 1.5  # of the mean of what a peak covers, in the frames seen [8-bit steps]
    worth_following: float = 0.15  # a peak is looked for again in the next frame
    sure_peak: float = 0.5  # on a trail: while there is one the whole picture is searched less
    rest_when_tracked: int = 2  # times less
    tiles_every: int = 48  # searches in which a lost ball is also looked for in all that moves
    small_things: int = 4  # most that are looked at in one search of a whole frame
    asked_again_every: int = 3  # frames in which a ball that is surely followed is judged anew
    look_again_s: float = 0.17  # so long a lost ball is looked for just where it was seen last,
    remember_s: float = 0.75  # and so long around there: it may come out behind a player
    alone_sd_radii: float = 0.5  # of a peak's place where no disc fits, added to what it claims

    def __post_init__(self) -> None:
        if not 1 <= self.search_every <= 6:
            raise BadInput(f"search_every is {self.search_every}, it must be from 1 to 6")


_NETWORK = NetworkSettings()


@dataclass(frozen=True, slots=True, eq=False)
class _Sighted:
    """Where a ball surely was, and how it went there."""

    frame: int
    uv_px: FloatArray  # (2,)
    step_px: FloatArray  # (2,) from the frame before; 0 where it was not seen there

    def then(self, frame: int, uv_px: FloatArray) -> "_Sighted":
        """The same in a later frame."""
        went_on = frame == self.frame + 1
        return _Sighted(frame, uv_px, uv_px - self.uv_px if went_on else np.zeros(2))


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

    _source = 1

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
        self._look_again = round(network.look_again_s / info.frame_interval_s)
        self._remember = round(network.remember_s / info.frame_interval_s)
        self._sides = _SLOW_CROPS if info.frame_interval_s > _SLOW_S else _CROPS
        self._peaks: FloatArray | None = None  # of the frame being judged; None: not asked
        self._last = np.zeros((0, maps.COLUMNS))  # of the frame before
        self._fastest_step = _FASTEST * self._size[0] * info.frame_interval_s  # [px]
        self._sighted = _Sighted(-1_000_000, np.zeros(2), np.zeros(2))  # never yet
        self._scouted: dict[int, FloatArray] = {}  # peaks of whole pictures
        self._frame = 0
        self._likely = 0.0  # how much the image of the ball that is followed looked like one
        # small things are hard to tell in a small picture
        self._tiles_every = network.tiles_every if self._shrink > 1 else 1

    # --- what is the network's ------------------------------------------------------------------
    def _look_for_spots(self, k: int, slot: int) -> FloatArray:
        """(n, SPOT_COLUMNS) what the network takes for a ball, best first."""
        del slot
        self._peaks = self._doubted(k, self._search(k))
        spots = np.zeros((len(self._peaks), kernels.SPOT_COLUMNS))
        spots[:, :2] = self._peaks[:, :2]
        spots[:, kernels.SPOT_R] = self._peaks[:, maps.RADIUS]
        spots[:, kernels.SPOT_SX] = self._peaks[:, maps.STREAK_U]
        spots[:, kernels.SPOT_SY] = self._peaks[:, maps.STREAK_V]
        spots[:, kernels.SPOT_RANK] = self._peaks[:, maps.SCORE]
        return spots

    def _score(self, fit: FloatArray) -> FloatArray:
        """(n,) 0-1: the score of the network's peak on which a spot lies.

        Where a ball is followed the network is asked here, every few frames, and `_peaks` filled.
        """
        likely = super()._score(fit)
        if self._peaks is None:  # a ball is followed
            if self._frame % self._network.asked_again_every:
                still = likely > _STILL_LIKELY * self._likely
                return np.where(still, self._middle.score[self._sure], 0.0)
            self._peaks = self._crops(self._frame, *_of_fits(fit))
        return np.where(likely > 0.0, maps.scores_on(self._peaks, fit), 0.0)

    def _judge(self) -> Detections:
        self._frame = k = self._judged
        self._peaks = None
        index, t_s = self._stamps[k]
        found = super()._judge()
        if self._peaks is None:
            peaks = np.zeros((0, maps.COLUMNS))
            self._last = peaks
            if self._sure >= 0:
                self._sighted = self._sighted.then(k, self._sure_fit[:2])
        else:
            peaks = self._peaks
            self._last = peaks[self._worth(peaks)]
            if len(sure := self._sure_ones(peaks)):
                self._sighted = self._sighted.then(k, sure[0, :2])
            if self._sure >= 0:
                self._likely = float(super()._score(self._sure_fit[None])[0])
        for old in [i for i in self._scouted if i < k - self._every]:
            del self._scouted[old]
        return self._one_a_peak(found, peaks, index, t_s)

    def _one_a_peak(
        self, found: Detections, peaks: FloatArray, index: int, t_s: float
    ) -> Detections:
        """A peak is one ball: what else lies on it has less of its score.

        Peaks near which no disc was fitted are added, known as well as the network says.
        """
        second, met = maps.shared(peaks, found.uv_px)
        if second.any():
            found = replace(found, score=np.where(second, _SECOND * found.score, found.score))
        far = [
            not np.any(np.hypot(*(found.uv_px - p[:2]).T) < max(p[maps.RADIUS], 3.0))
            and self._may_be(p)
            for p in peaks
        ]
        n = sum(far)
        if not n:
            return found
        t = peaks[far]
        score = np.where(met[far], _SECOND, 1.0) * t[:, maps.SCORE]
        sd = np.hypot(t[:, maps.SD], self._network.alone_sd_radii * t[:, maps.RADIUS])
        streak = t[:, maps.STREAK_U : maps.STREAK_V + 1]
        cov = sd[:, None, None] ** 2 * np.eye(2) + 0.04 * streak[:, :, None] * streak[:, None, :]
        alone = Detections(
            np.full(n, index, np.int64), np.full(n, t_s), t[:, :2].copy(), cov,
            t[:, maps.RADIUS].copy(), streak.copy(), np.clip(score, 0.0, 1.0),
            np.full(n, self._source, np.int64),
        )  # fmt: skip
        return concatenate([found, alone])

    def _may_be(self, peak: FloatArray) -> bool:
        """Whether a ball may be in play at a peak, and look so large there."""
        level = self._ring.level
        rows, columns = self._allowed.shape
        i, j = int(peak[1]) // level, int(peak[0]) // level
        if not (0 <= i < rows and 0 <= j < columns) or not self._allowed[i, j]:
            return False
        low, high = kernels.radius_at(peak[0], peak[1], self._cell, self._r_min, self._r_max)
        return bool(0.5 * low < peak[maps.RADIUS] < 2.0 * high)

    def _doubted(self, k: int, peaks: FloatArray) -> FloatArray:
        """(n, COLUMNS) peaks, those that neither the frame before nor the next has with less score.

        No ball is in one picture alone, but what a coder makes of grain is, and a limb in one pose.
        """
        sure = peaks[:, maps.SCORE] > self._network.sure_peak
        if not sure.any() or self._ring.slot(k + 1) is None:
            return peaks
        trails = self._expected.uv_px[self._expected.score > self._network.worth_following]
        known = np.concatenate([self._last[:, :2], trails])
        alone = sure & (_gaps(peaks, known) > self._fastest_step).all(axis=1)
        for row in np.flatnonzero(alone).tolist():
            then = self._crops(k + 1, peaks[row : row + 1, :2], np.array([_AGAIN]))
            if not self._worth(then).any():
                then = self._pieces(k + 1, peaks[row : row + 1, :2], self._window, self._shrink)
            alone[row] = not self._worth(then).any()
        if not alone.any():
            return peaks
        out = peaks.copy()
        out[alone, maps.SCORE] *= _SECOND
        return maps.best_first(out)

    def _worth(self, peaks: FloatArray) -> BoolArray:
        """(n,) which peaks are looked for again in the next frame."""
        return peaks[:, maps.SCORE] > self._network.worth_following

    # --- where it is asked -----------------------------------------------------------------------
    def _may_follow(self, k: int) -> bool:
        """Whether frame k need not be searched for other balls than the one that is followed."""
        return len(self._last) < 2 and not self._is_due(k)

    def _is_due(self, k: int) -> bool:
        """Whether other balls are looked for in frame k though one is followed."""
        return k % (self._every * self._network.rest_when_tracked) == 0

    def _is_sure(self, points: Points, row: int, surety: float) -> bool:
        return (
            bool(points.length[row] >= _TRAIL)
            and surety > _SURE
            and bool(points.score[row] > self._network.sure_peak)
        )

    def _search(self, k: int) -> FloatArray:
        """Peaks of frame k: on trails, near where a ball was lost, from time to time anywhere."""
        trails = self._expected
        found = self._crops(k, *_of_trails(trails))
        met = self._met(found, trails)
        lost = self._lost(trails, met)
        if len(lost):
            found = self._and(k, found, self._small_things(k, lost))
        if met.any():
            return _best_first(found, self._scout(k)) if self._is_due(k) else found
        n = self._every
        if not len(self._sure_ones(found)):
            found = self._where_it_was(k, found)
        ahead = min(k // n * n + n - 1, self._count - 1)
        # what comes into sight until then is looked for in this frame too, unless it is known
        apart = _gaps(self._scout(ahead), self._sure_ones(found)) > _LOCAL / 2
        if k == ahead or apart.all(axis=1).any():
            found = _best_first(found, self._scout(k))
        if k == ahead and k // n % self._tiles_every == 0 and not len(self._sure_ones(found)):
            found = self._and(k, found, self._moving(k))
        return found

    def _where_it_was(self, k: int, found: FloatArray) -> FloatArray:
        """(n, COLUMNS) peaks of frame k together with those near where the last sure one was.

        A ball that turns leaves its trail, and one before a shirt is no small thing that moved.
        """
        seen = self._sighted
        ago = k - seen.frame
        if ago > self._remember:
            return found
        if ago <= self._look_again:
            places = _apart(np.stack([seen.uv_px, seen.uv_px + ago * seen.step_px]), _AGAIN)
            found = _best_first(found, self._crops(k, places, np.full(len(places), _AGAIN)))
        if not len(self._sure_ones(found)) and k % self._every == 0:
            more = self._pieces(k, seen.uv_px[None], self._window, self._shrink)
            found = self._and(k, found, _of_peaks(more))
        return found

    def _sure_ones(self, found: FloatArray) -> FloatArray:
        return found[found[:, maps.SCORE] > self._network.sure_peak]

    def _met(self, found: FloatArray, trails: Points) -> BoolArray:
        """(m,) which trails of flying things go on at a sure peak."""
        if not len(trails.uv_px):
            return np.zeros(0, bool)
        step = trails.uv_px - self._middle.uv_px[trails.back]
        flies = np.hypot(*step.T) > _FLIES * trails.radius_px  # heads go slowly
        gap = _gaps(trails.uv_px, self._sure_ones(found))
        near = (gap < _MET).any(axis=1)
        met: BoolArray = near & flies & (trails.length >= _TRAIL)
        return met

    def _lost(self, trails: Points, met: BoolArray) -> FloatArray:
        """(n, 2) places near which a ball was that nobody follows now, the likeliest first [px]."""
        held = self._middle.uv_px[trails.back[met]]
        last = self._last[:, :2]
        loose = (_gaps(last, held) > 0.1 * _LOCAL).all(axis=1)
        flew = ~met & (trails.length >= _TRAIL)
        return _apart(np.concatenate([last[loose], trails.uv_px[flew]]), 0.3 * _LOCAL)

    def _scout(self, k: int) -> FloatArray:
        """Peaks of the whole frame k, on small things that move in it."""
        if k not in self._scouted:
            found = self._crops(k, *self._small_things(k))
            self._scouted[k] = found[self._worth(found)]
        return self._scouted[k]

    def _and(self, k: int, found: FloatArray, more: tuple[FloatArray, FloatArray]) -> FloatArray:
        """Peaks with those at other places, a place each and its reach."""
        places, reach = more
        new = (_gaps(places, found) > _MET / 2).all(axis=1)
        if not new.any():
            return found
        return _best_first(found, self._crops(k, places[new], reach[new]))

    def _crops(self, k: int, places: FloatArray, reach: FloatArray) -> FloatArray:
        """Peaks of crops at full size, where the picture changes as a ball changes it.

        `reach` [px] is half the size of what is there.
        """
        if not len(places):
            return np.zeros((0, maps.COLUMNS))
        parts, done = [], 0.0
        for side, most in self._sides:
            mine = (reach > done) & (reach <= most)
            done = most
            if mine.any():
                parts.append(self._pieces(k, places[mine], side, 1))
        found = parts[0] if len(parts) == 1 else _best_first(*parts)
        ring = self._ring
        change = changes(ring.luma, ring.cb, ring.cr, self._frames(k), found)
        return found[change >= self._network.least_change]

    def _small_things(
        self, k: int, near: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:  # fmt: skip
        """Centres and reach of small things that moved in frame k, anywhere or near places."""
        ring = self._ring
        # next to it in time, before and after; at the ends of the clip both on one side
        others = [s for i in (-1, 1, -2, 2) if (s := ring.slot(k + i)) is not None][:2]
        if len(others) < 2:
            return np.zeros((0, 2)), np.zeros(0)
        slot = ring.slot(k)
        assert slot is not None
        count = 0
        if near is None:
            most = self._network.small_things
            change = self._changed(slot, others[0], others[1])
            count = self._add_spots(change, ring.small(slot), ring.small(others[0]), _HEIGHTS, 0)
        else:
            most = _NEAR_THINGS
            for part in (self._around(place) for place in near[:_NEAR_PLACES]):
                slots = (slot, others[0], others[1])
                planes = [ring.small(s, part) for s in slots]
                allowed = np.ascontiguousarray(self._allowed[part])
                change = self._change_between(slots, planes, allowed, part[0])
                corner = (part[0].start, part[1].start)
                count = self._add_spots(change, planes[0], planes[1], _HEIGHTS, count, corner)
        share = _WORTH_A_LOOK[near is not None]
        n = kernels.distinct_spots(self._spots, count, most, share, self._kept)
        return _of_fits(self._kept[:n].copy())

    def _around(self, place: FloatArray) -> Part:
        """The part of the small picture around a place, as large everywhere."""
        level = self._ring.level
        starts, side = [], _LOCAL // level
        for at, n in zip(place[::-1], self._ring.small_shape, strict=True):
            starts.append(int(np.clip(at / level - side / 2, 0, max(n - side, 0))))
        rows, columns = (
            slice(a, min(a + side, n)) for a, n in zip(starts, self._ring.small_shape, strict=True)
        )
        return rows, columns

    def _moving(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Places and reach of what the network sees in tiles in which something moves."""
        found = self._pieces(k, self._moving_tiles(k), _TILE, self._shrink, _MARGIN)
        return _of_peaks(found[self._worth(found)])

    def _moving_tiles(self, k: int) -> FloatArray:
        """(n, 2) centres of tiles in which something moves [px]."""
        ring = self._ring
        slot, before = ring.slot(k), ring.slot(max(k - 1, 0))
        assert slot is not None
        if before is None:
            before = slot
        moved = cv2.absdiff(ring.small(slot)[0], ring.small(before)[0])
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
        parts = []
        ring, detector = self._ring, self._detector
        slots = self._frames(k)
        luma = ring.luma if shrink == 1 else ring.small_luma
        corners = pieces.corners_of(centres, side * shrink, self._size)
        for first in range(0, len(centres), _BATCH):
            here = corners[first : first + _BATCH]
            out = detector.maps(*pieces.cut(luma, ring.cb, ring.cr, slots, here, side, shrink))
            if margin:
                rim = margin // detector.stride
                for one, (u, v) in zip(out, here.tolist(), strict=True):
                    one[0] = _inner(one[0], rim, (u, v), side * shrink, self._size)
            least = self._network.least_peak
            parts.append(maps.peaks_of_pieces(out, detector.stride, least, here, shrink))
        return parts[0] if len(parts) == 1 else _best_first(*parts)

    def _frames(self, k: int) -> IntArray:
        """Slots of the frames that the detector sees, oldest first; the oldest is repeated."""
        slots: list[int] = []
        for i in range(self._detector.frames):
            slot = self._ring.slot(k - i)
            slots.append(slots[-1] if slot is None else slot)
        return np.array(slots[::-1])


def _gaps(a: FloatArray, b: FloatArray) -> FloatArray:
    """(n, m) distances of rows that begin with a place [px]."""
    step = a[:, None, :2] - b[None, :, :2]
    out: FloatArray = np.hypot(step[..., 0], step[..., 1])
    return out


def _best_first(*found: FloatArray) -> FloatArray:
    """Peaks together, each place once."""
    return maps.best_first(np.concatenate([np.zeros((0, maps.COLUMNS)), *found]))


def _of_fits(fit: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and reach (n,) of fits: rows that begin with centre, radius and streak [px]."""
    return fit[:, :2], fit[:, 2] + 0.5 * np.hypot(fit[:, 3], fit[:, 4])


def _of_trails(trails: Points) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and reach (n,) of where trails should go on [px]."""
    return trails.uv_px, trails.radius_px + 0.5 * np.hypot(*trails.streak_px.T)


def _of_peaks(peaks: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and reach (n,) of peaks [px]."""
    streak = np.hypot(peaks[:, maps.STREAK_U], peaks[:, maps.STREAK_V])
    return peaks[:, :2], peaks[:, maps.RADIUS] + 0.5 * streak


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
