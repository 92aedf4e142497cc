"""The classical finder: what moved, is compact, and has the image of a moving ball."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from halfvolley.ball import disc, expected, kernels, scoring, swept
from halfvolley.ball.look import Look
from halfvolley.ball.ring import FrameRing, Planes, same_rows
from halfvolley.ball.settings import FinderSettings, RadiusMap
from halfvolley.ball.trail import (
    CELL_PX,
    Blinkers,
    Points,
    expect,
    follow,
    link,
    no_points,
    start_points,
    with_guesses,
)
from halfvolley.types.arrays import BoolArray, ByteImage, FloatArray, IntArray
from halfvolley.types.detections import Detections, concatenate
from halfvolley.types.frames import ClipInfo, Frame

_DEFAULTS = FinderSettings()
_OLD_SPACING_S = 0.22  # of seven samples: even a ball that comes at the camera is in few of them
_KNOWN = 0.3  # trust from which the ball's colour is used
_MAX_RUNS = 30_000
_MAX_BLOBS = 1500
_MAX_SPOTS = 96  # kept of all masks and thresholds before the best are looked at
_WORTH_A_LOOK = 0.2  # share of the best rank, once the ball's colour is known
_WORTH_A_FIT = 0.3  # share of the best look's score from which a spot is measured finely
_WORTH_A_REPORT = 0.08  # share of the best score from which a spot is reported
_SURE = 0.3  # surety from which a ball in flight is followed without looking elsewhere
_SURE_LENGTH = 6  # spots that its trail needs for that
_STILL_SURE = 0.6  # share of its last score that its next image must reach
_ALONE_FRAMES = 9  # so long, then the whole picture is searched
_WHOLE_FRAMES = 3  # so often in a row: another ball makes a trail of three spots
_RIVAL = 0.1  # surety from which such a trail may be another ball


@dataclass(frozen=True, slots=True)
class Loaded:
    """A frame that a finder has taken in and not yet searched."""

    slot: int
    index: int
    t_s: float


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
    waiting : int
        Frames that a thread may `load` ahead of the one that is searched.
    """

    _source = 0  # of its detections

    def __init__(
        self,
        info: ClipInfo,
        settings: FinderSettings = _DEFAULTS,
        *,
        masks: Iterable[FloatArray] = (),
        expected_radius: RadiusMap | None = None,
        waiting: int = 0,
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
            black=0.0 if info.full_range else 16.0, waiting=waiting + 1,
        )  # fmt: skip
        rows, columns = self._ring.small_shape
        self._allowed = self._allowed_places(masks, rows, columns)
        self._change: dict[tuple[int, int], ByteImage] = {}  # room for it, by shape
        self._runs = np.zeros((3, _MAX_RUNS), np.int32)
        self._higher = np.zeros((3, _MAX_RUNS), np.int32)
        self._work = np.zeros((2, _MAX_RUNS), np.int32)
        self._table = np.zeros((_MAX_BLOBS, kernels.BLOB_COLUMNS))
        self._spots = np.zeros((_MAX_SPOTS, kernels.SPOT_COLUMNS))
        most = max(settings.max_looks, settings.known_looks)
        self._kept = np.zeros((most, kernels.SPOT_COLUMNS))
        self._look = Look(info.size_px)
        self._distance: dict[int, ByteImage] = {}
        self._blinkers = Blinkers(info.size_px)
        self._before = self._middle = self._expected = no_points()
        self._sure = -1  # row of `_middle` that is surely a ball in flight
        self._sure_fit = np.zeros(disc.RESULT_COLUMNS)
        self._alone = 0  # frames since the whole picture was searched
        self._whole = 0  # frames in a row in which it was
        if expected_radius is None:
            self._cell = max(width, height)
            self._r_min = np.full((1, 1), settings.min_radius_px)
            self._r_max = np.full((1, 1), self._max_radius)
        else:
            self._cell = expected_radius.cell_px
            self._r_min = np.ascontiguousarray(expected_radius.r_min_px, np.float64)
            self._r_max = np.ascontiguousarray(expected_radius.r_max_px, np.float64)
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
        return self.search(self.load(frame))

    def load(self, frame: Frame) -> Loaded:
        """The first half of `feed`, which a thread that works ahead may do, frame by frame."""
        return Loaded(self._ring.load(frame), frame.index, frame.t_s)

    def search(self, loaded: Loaded) -> Detections:
        """The second half of `feed`."""
        self._ring.place(self._count, loaded.slot)
        self._distance.pop(loaded.slot, None)
        if self._ring.background_is_due:
            self._distance.pop(-1, None)
        self._stamps[self._count] = (loaded.index, loaded.t_s)
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
        slot = self._ring.slot(k)
        assert slot is not None
        fit, score, n_fine = self._find(slot, k)
        kept = scoring.best_rows(
            fit, score, self._settings.min_score, _WORTH_A_REPORT, self._settings.max_candidates
        )
        fit, score = fit[kept], score[kept]
        self._learn(fit, score, kept < n_fine)
        return _as_detections(index, t_s, fit, score, self._source)

    @property
    def _known(self) -> bool:
        """Whether the ball's colour has been learned."""
        return self._look.colour.trust > _KNOWN

    def _find(self, slot: int, k: int) -> tuple[FloatArray, FloatArray, int]:
        """Fits and scores: along the trails only while one is surely a ball, else everywhere."""
        if self._sure >= 0 and self._may_follow(k):
            fit = self._follow(slot, k)
            score = self._score(fit)
            if len(fit) and score[0] > _STILL_SURE * self._middle.score[self._sure]:
                self._alone += 1
                return fit, score, 1
        if self._alone:
            self._alone = self._whole = 0
        self._whole += 1
        fit, n_fine = self._measure(slot, k, self._look_for_spots(k, slot))
        return fit, self._score(fit), n_fine

    def _may_follow(self, k: int) -> bool:
        """Whether frame k need not be searched for other balls than the one that is followed."""
        del k
        return self._whole >= _WHOLE_FRAMES and self._alone < _ALONE_FRAMES

    def _follow(self, slot: int, k: int) -> FloatArray:
        """(1, RESULT_COLUMNS) fit where the ball should be, from its last one; (0, ...) if none."""
        rows = np.flatnonzero(self._expected.back == self._sure)
        if not len(rows):  # longer trails were followed instead
            return np.zeros((0, disc.RESULT_COLUMNS))
        start = self._sure_fit[None].copy()
        start[:, :2] = self._expected.uv_px[rows[:1]]
        priors = self._narrow(start, self._priors(start))
        fit = self._fit(slot, self._ring.others(k), start, priors, coarse=False)
        went_on = follow(fit[:, :2], self._expected, self._middle) == rows[:1]
        return fit[went_on & np.any(fit != start, axis=1)]

    def _look_for_spots(self, k: int, slot: int) -> FloatArray:
        """(n, SPOT_COLUMNS) places worth a look: blobs of change, best first."""
        ring = self._ring
        known = self._known
        count = 0
        for near in (1, 3, 0):
            before = ring.slot(k - near) if near else None
            after = ring.slot(k + near) if near else None
            if near != 3 or not known:
                change = self._changed(slot, before, after)
                # the ball's change can be stronger than that of what it touches: part by height
                factors = (1.0, 4.0) if known else (1.0, 2.0, 4.0)
                count = self._add_spots(change, ring.small(slot), ring.background, factors, count)
            if known:
                change = self._came_nearer(slot, before, after)
                count = self._add_spots(
                    change, ring.small(slot), ring.background, (1.0, 2.5), count
                )  # fmt: skip
        share = _WORTH_A_LOOK if known else 0.0
        most = self._settings.known_looks if known else self._settings.max_looks
        n = kernels.distinct_spots(self._spots, count, most, share, self._kept)
        return self._kept[:n]

    def _changed(self, slot: int, before: int | None, after: int | None) -> ByteImage:
        """Change against two frames, or against the slow background where a frame is None."""
        ring = self._ring
        planes = [ring.background if s is None else ring.small(s) for s in (slot, before, after)]
        return self._change_between((slot, before, after), planes, self._allowed, slice(None))

    def _change_between(
        self, slots: tuple[int, int | None, int | None], planes: list[Planes], allowed: ByteImage,
        rows: slice,
    ) -> ByteImage:  # fmt: skip
        """Change of a frame against two others at 1/`level` of the size.

        `planes` and `allowed` are of the small pictures or of a part with these `rows`. Columns are
        added to a multiple of 8 and stay zero.
        """
        ring = self._ring
        gain, *others = (ring.background_gain if s is None else ring.gain[s] for s in slots)
        by_row = [same_rows(gain / o, ring.small_shape[0], ring.level)[rows] for o in others]
        out = self._room_for_change(*allowed.shape)
        kernels.change_between(
            *planes[0], *planes[1], by_row[0], *planes[2], by_row[1], ring.black,
            self._settings.min_change, allowed, out[:, : allowed.shape[1]],
        )  # fmt: skip
        return out

    def _room_for_change(self, rows: int, columns: int) -> ByteImage:
        shape = (rows, -(-columns // 8) * 8)
        if shape not in self._change:
            self._change[shape] = np.zeros(shape, np.uint8)
        return self._change[shape]

    def _came_nearer(self, slot: int, before: int | None, after: int | None) -> ByteImage:
        """Where the colour came nearer to the ball's than in both other pictures."""
        rows, columns = self._ring.small_shape
        out = self._room_for_change(rows, columns)
        kernels.nearer_than_both(
            self._colour_distance(slot), self._colour_distance(before),
            self._colour_distance(after), int(self._settings.min_change), self._allowed,
            out[:, :columns],
        )  # fmt: skip
        return out

    def _colour_distance(self, slot: int | None) -> ByteImage:
        """Distance to the ball's colour, of a kept frame or of the slow background."""
        ring = self._ring
        key = -1 if slot is None else slot
        known = self._distance.get(key)
        if known is not None:
            return known
        if slot is None:
            planes, gain = ring.background, ring.background_gain
        else:
            planes, gain = ring.small(slot), ring.gain[slot]
        out = np.empty(ring.small_shape, np.uint8)
        rows = same_rows(gain, ring.small_shape[0], ring.level)
        kernels.colour_distance(*planes, rows, ring.black, self._look.colour.mean, out)
        self._distance[key] = out
        return out

    def _add_spots(
        self, change: ByteImage, seen: Planes, behind: Planes, factors: tuple[float, ...],
        count: int, corner: tuple[int, int] = (0, 0),
    ) -> int:  # fmt: skip
        """Blobs of a change picture at several heights, added to the spots.

        `seen` is the small picture or a part of it from `corner` (row, column) on, `behind` the
        same without the blobs.
        """
        level = self._ring.level
        floor = max(self._settings.min_change, 1.5 * kernels.typical_change(change, 0.75))
        longest = (1.2 * self._max_streak + 4.0 * self._max_radius) / level
        n_low = kernels.find_runs(change, int(floor), self._runs)
        for factor in factors:
            if floor * factor > 160:
                break
            runs, n_runs = self._runs, n_low
            if factor > 1.0:
                runs = self._higher
                n_runs = kernels.higher_runs(change, int(floor * factor), self._runs, n_low, runs)
            n = kernels.find_blobs(
                change, runs, n_runs, longest, *seen, *behind, self._work, self._table
            )  # fmt: skip
            count = kernels.pick_spots(
                self._table, n, change, corner, level, self._cell, self._r_min, self._r_max,
                self._max_streak, self._ring.black, self._look.colour.mean, self._look.colour.trust,
                self._look.size.model, self._spots, count,
            )  # fmt: skip
        return count

    def _measure(self, slot: int, k: int, spots: FloatArray) -> tuple[FloatArray, int]:
        """(n, RESULT_COLUMNS) fits, and how many of them, the first, used every pixel."""
        others = self._ring.others(k)
        guesses = self._expected
        starts = np.concatenate(
            [np.column_stack([guesses.uv_px, guesses.radius_px, guesses.streak_px]), spots[:, :5]]
        )
        looks = self._fit(slot, others, starts, self._priors(starts), coarse=True)
        score = self._score(looks)
        most = self._settings.known_fits if self._known else self._settings.max_fits
        best = scoring.best_rows(looks, score, self._settings.min_score, _WORTH_A_FIT, most)
        starts = looks[best]
        priors = self._narrow(starts, self._priors(starts))
        fine = self._fit(slot, others, starts, priors, coarse=False)
        apart = looks[:, None, :2] - fine[None, :, :2]
        near = np.hypot(apart[..., 0], apart[..., 1]) < np.maximum(looks[:, None, 2], fine[:, 2])
        rest = np.ones(len(looks), bool)
        rest[best] = False
        rest &= ~near.any(axis=1)
        return np.concatenate([fine, looks[rest]]), len(fine)

    def _fit(
        self, slot: int, others: IntArray, starts: FloatArray, priors: FloatArray, *, coarse: bool
    ) -> FloatArray:
        ring = self._ring
        out = np.empty((len(starts), disc.RESULT_COLUMNS))
        n = disc.fit_many(
            ring.luma, ring.cb, ring.cr, ring.gain, ring.black, slot, others, starts, priors,
            self._look.shade, self._largest(starts), self._max_streak, coarse, out,
        )  # fmt: skip
        return out[:n]

    def _largest(self, starts: FloatArray) -> FloatArray:
        """(n,) largest radius at the places where fits begin [px]."""
        return expected.largest(starts, self._cell, self._r_max, self._max_radius)

    def _priors(self, starts: FloatArray) -> FloatArray:
        """(n, 2, PARAMETERS) value and sd of each parameter, before a fit."""
        look = self._look
        return expected.priors(
            starts, self._cell, self._r_min, self._r_max, look.colour.mean, self._known,
            look.blur, look.site,
        )  # fmt: skip

    def _narrow(self, starts: FloatArray, prior: FloatArray) -> FloatArray:
        """The same, with what trails and the clip so far tell of radius and streak."""
        guesses, look = self._expected, self._look
        expected.narrow(
            starts, prior, look.size.model, look.exposure, guesses.radius_px, self._middle.uv_px,
            guesses.back, follow(starts[:, :2], guesses, self._middle),
        )  # fmt: skip
        return prior

    def _score(self, fit: FloatArray) -> FloatArray:
        colour = self._look.colour
        out: FloatArray = scoring.score_fits(
            fit, colour.mean, colour.trust, self._look.size.model, self._blinkers.rate, CELL_PX,
            self._allowed, self._ring.level, self._cell, self._r_min, self._r_max,
        )  # fmt: skip
        return out

    def _learn(self, fit: FloatArray, score: FloatArray, fine: BoolArray) -> None:
        """Link what flies; learn the ball's colour and the place of chroma from it."""
        points = start_points(
            fit[:, :2],
            fit[:, swept.R],
            fit[:, swept.STREAK_X : swept.STREAK_Y + 1],
            scoring.colours_of(fit),
            score,
        )
        points = link(self._before, self._middle, points, 0.15 * self._size[0])
        step = np.zeros((len(fit), 2))
        on_trail = points.length >= 3
        step[on_trail] = points.uv_px[on_trail] - self._middle.uv_px[points.back[on_trail]]
        surety = scoring.surety(fit, points.length, step)
        flying = surety > 0.05
        if flying.any():
            if self._look.add(
                fit[flying], points.colour[flying], step[flying], surety[flying], fine[flying]
            ):
                self._distance.clear()
        if not self._alone:
            self._blinkers.note(points)
        self._sure = self._surely_alone(points, surety)
        if self._sure >= 0:
            self._sure_fit = fit[self._sure]
        points = with_guesses(points, self._expected)
        self._before, self._middle = self._middle, points
        self._expected = expect(self._before, self._middle)

    def _surely_alone(self, points: Points, surety: FloatArray) -> int:
        """Row of the one spot that is surely a ball in flight; -1 for none, or with a rival."""
        flying = np.flatnonzero((points.length >= 3) & (surety > _RIVAL))
        if len(flying) != 1:
            return -1
        row = int(flying[0])
        return row if self._is_sure(points, row, float(surety[row])) else -1

    def _is_sure(self, points: Points, row: int, surety: float) -> bool:
        return self._known and bool(points.length[row] >= _SURE_LENGTH) and surety > _SURE


def _as_detections(
    index: int, t_s: float, fit: FloatArray, score: FloatArray, source: int
) -> Detections:
    n = len(fit)
    return Detections(
        frame=np.full(n, index, np.int64),
        t_s=np.full(n, t_s),
        uv_px=fit[:, :2].copy(),
        cov_uv_px2=scoring.centre_covariances(fit),
        radius_px=fit[:, swept.R].copy(),
        streak_px=fit[:, swept.STREAK_X : swept.STREAK_Y + 1].copy(),
        score=np.clip(score, 0.0, 1.0),
        source=np.full(n, source, np.int64),
    )


def iter_detections(
    frames: Iterable[Frame],
    info: ClipInfo,
    settings: FinderSettings = _DEFAULTS,
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
    settings: FinderSettings = _DEFAULTS,
    *,
    masks: Iterable[FloatArray] = (),
    expected_radius: RadiusMap | None = None,
) -> Detections:
    """Possible ball images of a whole clip, by the classical finder; `measure` uses a network.

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
