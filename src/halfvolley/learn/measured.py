"""How good a detector is on crops with labels: what it finds, what it invents, how exactly."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfvolley.ball import maps as ball_maps
from halfvolley.learn.made import BALL, IGNORED
from halfvolley.types import FloatArray

LEAST_SCORE = 0.01  # peaks below it are not looked at
_MOST_GIVEN_UP = 0.02  # of the balls found, to invent no more
_COUNTS_NEITHER = 2.0  # radii, and half the streak, around what counts neither way


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Peaks of many pictures, each held against what is true there."""

    score: FloatArray  # (n,)
    is_ball: NDArray[np.bool_]  # (n,) the one within reach of a ball
    off_px: FloatArray  # (n,) distance of the centre; NaN where no ball
    sd_px: FloatArray  # (n,) claimed, of each coordinate
    radius_px: FloatArray  # (n,) true; NaN where no ball
    blur_px: FloatArray  # (n,) true streak length; NaN where no ball
    n_balls: int
    n_pictures: int


@dataclass(frozen=True, slots=True)
class Goodness:
    """A detector in figures. Shares are 0-1."""

    n_balls: int
    n_pictures: int
    average_precision: float  # within one radius
    average_precision_half: float  # within half a radius
    recall_at_99: float  # at the threshold where 99 % of the found are balls
    threshold_at_99: float
    off_px_median: float
    off_radii_median: float
    inside_68: float  # share of centres inside the claimed 68 % ellipse
    calibration_error: float  # mean distance of score and share of balls, weighted


def hold_against(
    found: list[FloatArray], kind: FloatArray, ball: FloatArray, others_px: FloatArray,
    reach_radii: float = 1.0,
) -> Found:  # fmt: skip
    """Peaks of pictures held against their labels.

    Parameters
    ----------
    found : list of (k, maps.COLUMNS) arrays
        Peaks of each picture.
    kind, ball, others_px : arrays
        As in `Examples`.
    reach_radii : float
        How far a peak may be from the true centre [radii].
    """
    rows = []
    for peaks, k, b, others in zip(found, kind, ball, others_px, strict=True):
        taken = False
        for p in peaks:
            off = float(np.hypot(*(p[:2] - b[:2]))) if k != 0 else np.inf
            if k == BALL and off <= reach_radii * max(b[2], 1.0) and not taken:
                taken = True
                rows.append((p[ball_maps.SCORE], 1.0, off, p[ball_maps.SD], b[2],
                             np.hypot(b[3], b[4])))  # fmt: skip
                continue
            wide = _COUNTS_NEITHER * max(b[2], 3.0) + 0.5 * np.hypot(b[3], b[4]) if k else 0.0
            if k == IGNORED and off < wide:
                continue
            apart = np.hypot(*(others - p[:2]).T)
            if np.any(apart < 20.0):
                continue
            rows.append((p[ball_maps.SCORE], 0.0, np.nan, p[ball_maps.SD], np.nan, np.nan))
    t = np.array(rows, float).reshape(-1, 6)
    return Found(
        t[:, 0], t[:, 1] > 0, t[:, 2], t[:, 3], t[:, 4], t[:, 5], int(np.sum(kind == BALL)),
        len(kind),
    )  # fmt: skip


def precision_recall(found: Found) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Precision, recall and threshold, each (n,), from the best peak down.

    Peaks of one score count together.
    """
    order = np.argsort(-found.score, kind="stable")
    score = found.score[order]
    hits = np.cumsum(found.is_ball[order])
    last = np.append(np.diff(score) < 0, True) if len(score) else np.zeros(0, bool)
    n = np.arange(1, len(score) + 1)
    return (hits / n)[last], (hits / max(found.n_balls, 1))[last], score[last]


def average_precision(found: Found) -> float:
    """Area under precision over recall, precision made non-increasing."""
    precision, recall, _ = precision_recall(found)
    if not len(precision):
        return 0.0
    best = np.maximum.accumulate(precision[::-1])[::-1]
    return float(np.sum(np.diff(recall, prepend=0.0) * best))


def calibration_error(found: Found, bins: int = 10) -> float:
    """Mean distance between score and share of balls in bins of equal width, weighted by count."""
    if not len(found.score):
        return 0.0
    which = np.minimum((found.score * bins).astype(int), bins - 1)
    total = 0.0
    for b in range(bins):
        mine = which == b
        if np.any(mine):
            total += float(abs(found.score[mine].mean() - found.is_ball[mine].mean()) * mine.sum())
    return total / len(found.score)


def goodness(
    found: list[FloatArray], kind: FloatArray, ball: FloatArray, others_px: FloatArray
) -> Goodness:
    """All figures of one detector on labelled pictures; arguments as for `hold_against`."""
    whole = hold_against(found, kind, ball, others_px)
    half = hold_against(found, kind, ball, others_px, 0.5)
    precision, recall, threshold = precision_recall(whole)
    good = np.flatnonzero(precision >= 0.99)
    at = int(good[-1]) if len(good) else -1
    hit = whole.is_ball & (whole.score > 0.5)
    inside = whole.off_px[hit] ** 2 < 2.279 * whole.sd_px[hit] ** 2
    return Goodness(
        whole.n_balls,
        whole.n_pictures,
        average_precision(whole),
        average_precision(half),
        float(recall[at]) if at >= 0 else 0.0,
        float(threshold[at]) if at >= 0 else 1.0,
        float(np.median(whole.off_px[hit])) if np.any(hit) else float("nan"),
        float(np.median((whole.off_px / whole.radius_px)[hit])) if np.any(hit) else float("nan"),
        float(np.mean(inside)) if np.any(hit) else float("nan"),
        calibration_error(whole),
    )


def calibrate(found: Found) -> tuple[float, float]:
    """Slope and shift of the logit under which score is the share of balls (Platt scaling).

    References
    ----------
    Platt 1999, "Probabilistic outputs for support vector machines", section 2.2: Newton's method
    on the logistic likelihood, with targets drawn in from 0 and 1 by the counts.
    """
    p = np.clip(found.score, 1e-6, 1 - 1e-6)
    x = np.log(p / (1 - p))
    n_ball = int(found.is_ball.sum())
    n_not = len(x) - n_ball
    if not n_ball or not n_not:
        return 1.0, 0.0
    target = np.where(found.is_ball, (n_ball + 1) / (n_ball + 2), 1 / (n_not + 2))
    a, b = 1.0, 0.0
    for _ in range(50):
        q = 1.0 / (1.0 + np.exp(-(a * x + b)))
        g = np.array([np.sum((q - target) * x), np.sum(q - target)])
        w = np.maximum(q * (1 - q), 1e-9)
        H = np.array([[np.sum(w * x * x), np.sum(w * x)], [np.sum(w * x), np.sum(w)]])
        step = np.linalg.solve(H + 1e-6 * np.eye(2), g)
        step *= min(1.0, 1.0 / max(np.abs(step).max(), 1e-12))
        a, b = a - step[0], b - step[1]
        if np.abs(step).max() < 1e-8:
            break
    return float(a), float(b)


def no_more_false(found: Found, scale: tuple[float, float], allowed: int) -> tuple[float, float]:
    """A scale with the shift lowered until so many false finds, at most, seem likely balls.

    What a start found was few and sure; a detector that finds more is not to invent more. Where
    that would cost more than `_MOST_GIVEN_UP` of the balls found, it goes no further.

    Parameters
    ----------
    found : Found
        What a detector found in whole pictures.
    scale : tuple of float
        Slope and shift of the logit, see `calibrate`.
    allowed : int
        False finds with a score of a half or more.

    Returns
    -------
    tuple of float
        Slope and shift.
    """
    slope, shift = scale
    p = np.clip(found.score, 1e-6, 1 - 1e-6)
    x = slope * np.log(p / (1 - p)) + shift
    likely = x[found.is_ball & (x > 0.0)]
    false = np.sort(x[~found.is_ball])[::-1]
    if len(false) <= allowed or not len(likely):
        return scale
    lower = min(float(false[allowed]) + 1e-3, float(np.quantile(likely, _MOST_GIVEN_UP)))
    return slope, shift - max(lower, 0.0)
