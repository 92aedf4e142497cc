"""A ball that lies still at known places: found as what differs from the empty place, and measured.

Small windows around the places are kept, a few times a second. The median of a window over the clip
is the empty place, since the ball lies elsewhere most of the time. A stretch in which a window
stands still and differs from it is something that lies there; the image of a ball is fitted to each
of its pictures. Hands come and go, and seldom stand still; where one does, no disc fits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.ball import disc, swept
from halfvolley.ball.look import Look
from halfvolley.ball.scoring import centre_covariances
from halfvolley.errors import BadInput, Unknown
from halfvolley.types import ByteImage, ClipInfo, FloatArray, Frame, IntArray


@dataclass(frozen=True, slots=True)
class RestSettings:
    """How a lying ball is told from a hand and from the empty place."""

    interval_s: float = 0.1  # between pictures that are kept
    most_pictures: int = 600  # of a longer clip every second one is dropped, again and again
    reach_px: float = 14.0  # at 1920 wide: how far from its place the ball may be seen
    shortest_s: float = 1.0  # a hand stands still for less
    still: float = 4.0  # in the noise of two pictures: more change is motion
    different: float = 6.0  # 8-bit steps over the ball's disc: less is the empty place
    size_sd_share: float = 0.06  # how well the camera foretells the ball's size
    least_quality: float = 0.6  # share of the change that a disc explains
    most_around: float = 0.5  # change around the disc against that in it: a hand is larger
    shared_sd_px: float = 0.15  # of all pictures alike: shading, the shadow on the table, coding
    most_fits: int = 40  # of one stretch


@dataclass(frozen=True, slots=True, eq=False)
class RestingBall:
    """A ball at rest, from all pictures of one stretch."""

    t0_s: float  # stamps of the first and last picture in which it lies there
    t1_s: float
    n_pictures: int  # fitted
    uv_px: FloatArray  # (2,) centre; (0, 0) is the centre of the top left pixel
    cov_uv_px2: FloatArray  # (2, 2)
    radius_px: float


_DEFAULTS = RestSettings()


class RestFinder:
    """Collects windows around places from the frames of one clip, in order.

    Parameters
    ----------
    info : ClipInfo
        The clip.
    places_px : (n, 2) array
        Where the ball is expected [px].
    radius_px : (n,) array
        How large it looks there [px].
    settings : RestSettings
        Limits.

    Raises
    ------
    BadInput
        If places and radii do not belong together.
    """

    def __init__(
        self, info: ClipInfo, places_px: FloatArray, radius_px: FloatArray,
        settings: RestSettings = _DEFAULTS,
    ) -> None:  # fmt: skip
        self._settings = settings
        self._places = np.asarray(places_px, dtype=np.float64).reshape(-1, 2)
        self._radius = np.asarray(radius_px, dtype=np.float64).reshape(-1)
        if len(self._places) != len(self._radius):
            raise BadInput(f"{len(self._places)} places and {len(self._radius)} radii were given")
        self._size = info.size_px
        self._black = 0.0 if info.full_range else 16.0
        self._look = Look(info.size_px)
        scale = max(info.size_px[0] / 1920.0, 0.5)
        self._reach = settings.reach_px * scale
        self._half = [int(np.ceil(3.0 * r + self._reach)) + 4 for r in self._radius]
        self._interval_s = settings.interval_s
        self._due_s = -np.inf
        self._t_s: list[float] = []
        self._windows: list[list[tuple[ByteImage, ByteImage, ByteImage]]] = [
            [] for _ in self._radius
        ]

    def feed(self, frame: Frame) -> None:
        """Keep the windows of a frame, or pass it over."""
        if frame.t_s < self._due_s:
            return
        self._due_s = frame.t_s + self._interval_s - 1e-4
        self._t_s.append(frame.t_s)
        for k, kept in enumerate(self._windows):
            box = self._box(k)
            if box is not None:
                u0, v0, u1, v1 = box
                half = (slice(v0 // 2, v1 // 2), slice(u0 // 2, u1 // 2))
                kept.append(
                    (
                        frame.luma[v0:v1, u0:u1].copy(), frame.cb[half].copy(),
                        frame.cr[half].copy(),
                    )
                )  # fmt: skip
        if len(self._t_s) > self._settings.most_pictures:
            self._interval_s *= 2.0
            self._t_s = self._t_s[::2]
            self._windows = [kept[::2] for kept in self._windows]

    def finish(self) -> tuple[RestingBall | Unknown, ...]:
        """The ball at each place, or why it was not found there."""
        return tuple(self._at(k) for k in range(len(self._radius)))

    def _box(self, k: int) -> tuple[int, int, int, int] | None:
        """Left, top, right and bottom of a window, even; None where it leaves the picture."""
        u, v = self._places[k]
        if not np.isfinite(u + v):
            return None
        u0, v0 = (int(np.floor(x)) // 2 * 2 - self._half[k] // 2 * 2 for x in (u, v))
        side = 2 * (self._half[k] // 2 * 2) + 2
        width, height = (n // 2 * 2 for n in self._size)
        u0, v0 = max(u0, 0), max(v0, 0)
        u1, v1 = min(u0 + side, width), min(v0 + side, height)
        need = self._radius[k] + 2.0
        if not (u0 + need < u < u1 - need and v0 + need < v < v1 - need):
            return None
        return u0, v0, u1, v1

    def _at(self, k: int) -> RestingBall | Unknown:
        box = self._box(k)
        if box is None:
            return Unknown("the mark lies outside the picture")
        if len(self._t_s) < 5:
            return Unknown("the clip is too short")
        place = self._places[k] - np.array(box[:2])
        luma, cb, cr = (np.stack([w[i] for w in self._windows[k]]) for i in range(3))
        empty = tuple(np.median(p, axis=0).astype(np.uint8) for p in (luma, cb, cr))
        found: list[tuple[float, RestingBall]] = []
        reason = "nothing lay still there for a second"
        for run in self._stretches(luma, empty[0], place, self._radius[k]):
            fit = self._fit(luma, cb, cr, empty, run, place, self._radius[k])
            if isinstance(fit, Unknown):
                reason = fit.reason
                continue
            ball = self._mean(fit, run, np.array(box[:2], dtype=np.float64))
            found.append((float(len(run)), ball))
        if not found:
            return Unknown(reason)
        return max(found, key=lambda item: item[0])[1]

    def _stretches(
        self, luma: ByteImage, empty: ByteImage, place: FloatArray, radius: float
    ) -> list[IntArray]:
        """Runs of pictures in which the place stands still and is not empty."""
        s = self._settings
        v, u = np.mgrid[0 : luma.shape[1], 0 : luma.shape[2]]
        near = np.hypot(u - place[0], v - place[1]) < radius + self._reach
        core = luma[:, near].astype(np.float32)
        change = np.sqrt(np.mean(np.diff(core, axis=0) ** 2, axis=1))
        noise = max(float(np.median(change)), 0.7)
        moving = change > s.still * noise
        # a ball covers a part of the reach: the mean over its own area counts
        share = (radius / (radius + self._reach)) ** 2
        off = np.mean(np.abs(core - empty[near].astype(np.float32)), axis=1)
        rest = float(np.median(off))
        differs = off - rest > s.different * share
        runs: list[list[int]] = []
        for i in np.flatnonzero(differs).tolist():
            if runs and runs[-1][-1] == i - 1 and not moving[i - 1]:
                runs[-1].append(i)
            else:
                runs.append([i])
        t = np.array(self._t_s)
        return [np.array(run) for run in runs if t[run[-1]] - t[run[0]] >= s.shortest_s]

    def _fit(
        self, luma: ByteImage, cb: ByteImage, cr: ByteImage, empty: tuple[ByteImage, ...],
        run: IntArray, place: FloatArray, radius: float,
    ) -> FloatArray | Unknown:  # fmt: skip
        """(n, RESULT_COLUMNS) fits to the pictures of a run."""
        s = self._settings
        if len(run) > 4:
            run = run[1:-1]  # hands have gone
        run = run[np.linspace(0, len(run) - 1, min(len(run), s.most_fits)).round().astype(int)]
        rings = [
            np.concatenate([whole[run], plane[None]])
            for whole, plane in zip((luma, cb, cr), empty, strict=True)
        ]
        n = len(run)
        gain = np.ones((n + 1, rings[1].shape[1]))
        start = np.zeros((1, disc.RESULT_COLUMNS))
        start[0, :2] = _heaviest(luma[run], empty[0], place, radius, self._reach)
        start[0, swept.R] = radius
        prior = np.zeros((1, 2, swept.PARAMETERS))
        prior[0, 0, :5] = start[0, :5]
        prior[0, 1, :2] = self._reach
        prior[0, 1, swept.R] = s.size_sd_share * radius
        prior[0, 1, swept.STREAK_X : swept.STREAK_Y + 1] = 0.05  # it lies still
        prior[0, :, swept.LIGHT] = 120.0**2, 10 * 120.0**2  # any light and colour
        prior[0, 1, swept.CB : swept.CR + 1] = 100.0
        prior[0, :, swept.BLUR] = self._look.blur
        prior[0, :, swept.SITE] = self._look.site
        fits = []
        for slot in range(n):
            begin = start
            for coarse in (True, False):
                out = np.zeros((1, disc.RESULT_COLUMNS))
                ok = disc.fit_many(
                    *rings, gain, self._black, slot, np.array([n]), begin, prior,
                    self._look.shade, np.array([2.0 * radius]), 4.0 * radius,
                    coarse, out,
                )  # fmt: skip
                if not ok:
                    break
                begin = out
            else:
                fits.append(out[0])
        off = 4.0 * s.size_sd_share * radius + 0.5
        good = [
            f
            for f in fits
            if f[disc.QUALITY] > s.least_quality
            and f[disc.OUTSIDE] < s.most_around * f[disc.SNR]
            and abs(f[swept.R] - radius) < off
        ]
        if len(good) < 0.6 * n:
            return Unknown("what lay there has not the image of a ball")
        return np.array(good)

    def _mean(self, fits: FloatArray, run: IntArray, corner: FloatArray) -> RestingBall:
        uv = np.median(fits[:, :2], axis=0)
        spread = 1.4826 * np.median(np.abs(fits[:, :2] - uv), axis=0)
        # what one fit does not know of itself is shared by all pictures of a still ball
        cov = np.mean(centre_covariances(fits), axis=0)
        cov = cov + np.diag(spread**2 / len(fits)) + self._settings.shared_sd_px**2 * np.eye(2)
        return RestingBall(
            self._t_s[run[0]], self._t_s[run[-1]], len(fits), uv + corner, cov,
            float(np.median(fits[:, swept.R])),
        )  # fmt: skip


def _heaviest(
    luma: ByteImage, empty: ByteImage, place: FloatArray, radius: float, reach: float
) -> FloatArray:
    """(2,) where in the window the disc of most change lies."""
    change = np.abs(np.mean(luma.astype(np.float64), axis=0) - empty)
    v, u = np.mgrid[0 : change.shape[0], 0 : change.shape[1]]
    best, at = -1.0, place
    for dv in np.arange(-reach, reach + 0.1, 1.0):
        for du in np.arange(-reach, reach + 0.1, 1.0):
            inside = (u - place[0] - du) ** 2 + (v - place[1] - dv) ** 2 < radius**2
            total = float(change[inside].sum()) - 0.02 * (du * du + dv * dv)
            if total > best:
                best, at = total, place + np.array([du, dv])
    return np.asarray(at, dtype=np.float64)


def find_resting(
    frames: Sequence[Frame], info: ClipInfo, places_px: FloatArray, radius_px: FloatArray,
    settings: RestSettings = _DEFAULTS,
) -> tuple[RestingBall | Unknown, ...]:  # fmt: skip
    """The ball at rest at known places of a clip; see `RestFinder`.

    Parameters
    ----------
    frames : iterable of Frame
        In order of display.
    info : ClipInfo
        The clip that they come from.
    places_px : (n, 2) array
        Where the ball is expected [px].
    radius_px : (n,) array
        How large it looks there [px].
    settings : RestSettings
        Limits.

    Returns
    -------
    tuple of RestingBall or Unknown
        One for each place.
    """
    finder = RestFinder(info, places_px, radius_px, settings)
    for frame in frames:
        finder.feed(frame)
    return finder.finish()
