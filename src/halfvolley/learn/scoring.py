"""How good a detector is on footage of which something is known: found, missed, invented, how
exactly, and when."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np

from halfvolley.errors import Unknown
from halfvolley.learn.answers import Answers
from halfvolley.learn.measured import (
    Found,
    average_precision,
    calibration_error,
    precision_recall,
)
from halfvolley.match.intervals import wilson
from halfvolley.types import BoolArray, Detections, FloatArray, IntArray

SURE = 0.5  # a detection counts from this score on; average precision takes all
CHI2_95 = 5.991  # of two degrees of freedom
THOUGHT = 0.05  # calibration looks at scores from here on: finders report few below
LEAST_FOR_GROUPS = 12  # balls
_BLOCK = 60  # frames that are drawn together: neighbours fail together
_DRAWS = 300
_PLACES = tuple(f"{row} {column}" for row in ("upper", "lower")
                for column in ("left", "middle", "right"))  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Finds:
    """Detections that are a ball which was asked for, or false. n rows."""

    score: FloatArray  # (n,)
    right: BoolArray  # (n,) within one radius
    half: BoolArray  # (n,) within half a radius
    off_px: FloatArray  # (n,) from the ball's centre; NaN where false
    chi2: FloatArray  # (n,) squared error in claimed covariance; NaN where false
    uv_px: FloatArray  # (n, 2)
    radius_px: FloatArray  # (n,)
    streak_px: FloatArray  # (n, 2)
    place: FloatArray  # (n, 2) shares of the picture's width and height
    empty: BoolArray  # (n,) in a frame without a ball
    clip: IntArray  # (n,) its number
    frame: IntArray  # (n,)
    block: IntArray  # (n,) frames that are drawn together have one number


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """Balls that were asked for. m rows."""

    score: FloatArray  # (m,) of the detection that found it; 0 none
    off_px: FloatArray  # (m,) its distance from the centre; NaN none
    ball: FloatArray  # (m, 5) u, v, radius, streak u, v [px]
    speed_px: FloatArray  # (m,) from frame to frame [px]; NaN unknown
    luma: FloatArray  # (m,) brightness [8-bit steps]; NaN unknown
    place: FloatArray  # (m, 2) shares of the picture's width and height
    clip: IntArray  # (m,)
    frame: IntArray  # (m,)
    block: IntArray  # (m,)


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """What one detector found, held against answers."""

    finds: Finds
    asked: Asked
    n_frames: int
    film_s: float  # of frames in which all that is found is judged
    empty_s: float  # of frames without a ball
    took_s: float  # by the finder alone
    searched: int  # frames that it was given


@dataclass(frozen=True, slots=True)
class Figures:
    """A detector in figures. Shares are 0-1; None where nothing tells."""

    frames: int
    balls: int
    found: int
    false: int
    recall: float | None
    recall_95: tuple[float, float] | None
    precision: float | None
    precision_95: tuple[float, float] | None
    average_precision: float | None  # within one radius
    average_precision_half: float | None  # within half a radius
    off_px: float | None  # median
    off_radii: float | None  # median
    inside_95: float | None  # share of centres inside the claimed 95 % ellipse
    calibration_error: float | None  # of scores from `THOUGHT` on
    false_a_minute: float | None
    false_a_minute_empty: float | None  # in frames without a ball
    empty_s: float
    frames_per_s: float | None

    @property
    def worth(self) -> float:
        """What decides between two detectors: mean average precision of both tolerances."""
        return 0.5 * ((self.average_precision or 0.0) + (self.average_precision_half or 0.0))


@dataclass(frozen=True, slots=True)
class Group:
    """Balls of a kind."""

    by: str  # speed, blur, size, brightness or place
    name: str
    balls: int
    found: int
    recall_95: tuple[float, float] | None
    off_px: float | None  # median
    false: int | None  # detections of that kind that are no ball; None where that is not known


def hold(
    found: Detections, answers: Answers, luma: FloatArray, *, clip: int = 0,
    interval_s: float, took_s: float, searched: int,
) -> Held:  # fmt: skip
    """Detections of one clip against its answers.

    A ball must be found within one radius; the best detection there counts, others are false.

    Parameters
    ----------
    found : Detections
        Of the clip; those of frames that are not asked about are left out.
    answers : Answers
        n frames.
    luma : (n,) float64
        Brightness of the ball in each; NaN unknown.
    clip : int
        Its number.
    interval_s : float
        From frame to frame [s].
    took_s : float
        By the finder alone [s].
    searched : int
        Frames that it was given.
    """
    rows: list[tuple[float, ...]] = []
    best, off_px = np.zeros(len(answers)), np.full(len(answers), np.nan)
    first = np.searchsorted(found.frame, answers.frame)
    last = np.searchsorted(found.frame, answers.frame, side="right")
    for i, k in enumerate(answers.frame.tolist()):
        mine = np.arange(first[i], last[i])
        neither, refuted = (t[t[:, 0] == k] for t in (answers.neither, answers.refuted))
        for row in mine[np.argsort(-found.score[mine], kind="stable")]:
            uv = found.uv_px[row]
            off = uv - answers.ball[i, :2]
            far = float(np.hypot(*off))
            if answers.asked[i] and not best[i] and far <= answers.ball[i, 2]:
                best[i], off_px[i] = max(float(found.score[row]), 1e-9), far
                chi2 = float(off @ np.linalg.pinv(found.cov_uv_px2[row]) @ off)
                rows.append((row, i, 1, far <= 0.5 * answers.ball[i, 2], far, chi2))
            elif _lies_on(uv, refuted) or (answers.whole[i] and not _lies_on(uv, neither)):
                rows.append((row, i, 0, 0, np.nan, np.nan))
    t = np.array(rows, float).reshape(-1, 6)
    row, at = t[:, 0].astype(int), t[:, 1].astype(int)
    size = np.array(answers.size_px, float)
    block = clip * 10**7 + answers.frame // _BLOCK
    finds = Finds(
        found.score[row], t[:, 2] > 0, t[:, 3] > 0, t[:, 4], t[:, 5], found.uv_px[row],
        found.radius_px[row], found.streak_px[row], found.uv_px[row] / size,
        answers.empty[at], np.full(len(row), clip), answers.frame[at], block[at],
    )  # fmt: skip
    a = np.flatnonzero(answers.asked)
    asked = Asked(
        best[a], off_px[a], answers.ball[a], answers.speed_px[a], luma[a],
        answers.ball[a, :2] / size, np.full(len(a), clip), answers.frame[a], block[a],
    )  # fmt: skip
    return Held(
        finds, asked, len(answers), float(answers.whole.sum()) * interval_s,
        float(answers.empty.sum()) * interval_s, took_s, searched,
    )  # fmt: skip


def _lies_on(uv: FloatArray, places: FloatArray) -> bool:
    return bool(np.any(np.hypot(places[:, 1] - uv[0], places[:, 2] - uv[1]) < places[:, 3]))


def together(parts: Sequence[Held]) -> Held:
    """Several clips as one."""
    return Held(
        _stacked([p.finds for p in parts]), _stacked([p.asked for p in parts]),
        sum(p.n_frames for p in parts), sum(p.film_s for p in parts),
        sum(p.empty_s for p in parts), sum(p.took_s for p in parts),
        sum(p.searched for p in parts),
    )  # fmt: skip


T = TypeVar("T", Finds, Asked)


def _stacked(tables: Sequence[T]) -> T:
    names = [f.name for f in fields(tables[0])]
    return type(tables[0])(*(np.concatenate([getattr(t, name) for t in tables]) for name in names))


def found_of(held: Held, *, half: bool = False, least: float = 0.0) -> Found:
    """The same as `measured` takes it: within one radius or half of it, from a score on."""
    t, chosen = held.finds, held.finds.score >= least
    right = (t.half if half else t.right)[chosen]
    nothing = np.full(len(right), np.nan)
    return Found(
        t.score[chosen], right, t.off_px[chosen], nothing, nothing, nothing,
        len(held.asked.score), held.n_frames,
    )  # fmt: skip


def figures(held: Held) -> Figures:
    """The figures of one detector."""
    t, asked = held.finds, held.asked
    sure = t.score >= SURE
    good, false = sure & t.right, sure & ~t.right
    hit = asked.score >= SURE
    n, n_hit, n_false = len(hit), int(hit.sum()), int(false.sum())
    thought = found_of(held, least=THOUGHT)
    return Figures(
        held.n_frames, n, n_hit, n_false, n_hit / n if n else None, _share_95(n_hit, n),
        n_hit / (n_hit + n_false) if n_hit + n_false else None,
        _share_95(n_hit, n_hit + n_false),
        average_precision(found_of(held)) if n else None,
        average_precision(found_of(held, half=True)) if n else None,
        _median(asked.off_px[hit]), _median(asked.off_px[hit] / asked.ball[hit, 2]),
        float(np.mean(t.chi2[good] < CHI2_95)) if n_hit else None,
        calibration_error(thought) if len(thought.score) else None,
        _rate(n_false, held.film_s), _rate(int(np.sum(false & t.empty)), held.empty_s),
        held.empty_s, held.searched / held.took_s if held.took_s > 0.0 else None,
    )  # fmt: skip


def _median(values: FloatArray) -> float | None:
    return float(np.median(values)) if len(values) else None


def _rate(n: int, film_s: float) -> float | None:
    """A minute; None on less than a second."""
    return 60.0 * n / film_s if film_s >= 1.0 else None


def _share_95(hits: int, n: int) -> tuple[float, float] | None:
    found = wilson(hits, n)
    return None if isinstance(found, Unknown) else (found.low, found.high)


def curve(held: Held, *, half: bool = False) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Precision, recall and threshold, from the best detection down."""
    return precision_recall(found_of(held, half=half))


def reliability(held: Held, bins: int = 10) -> tuple[FloatArray, FloatArray, IntArray]:
    """Mean score, share of balls and count of detections in bins of equal width; empty ones out."""
    t = found_of(held, least=THOUGHT)
    which = np.minimum((t.score * bins).astype(int), bins - 1)
    count = np.bincount(which, minlength=bins)
    there = count > 0
    score = np.bincount(which, t.score, bins)[there] / count[there]
    share = np.bincount(which, t.is_ball, bins)[there] / count[there]
    return score, share, count[there]


# --- by what the ball is like --------------------------------------------------------------------
def groups(held: Held) -> tuple[Group, ...]:
    """Recall and centre by thirds of speed, blur, size and brightness, and by place."""
    asked = held.asked
    if len(asked.score) < LEAST_FOR_GROUPS:
        return ()
    false = (held.finds.score >= SURE) & ~held.finds.right
    blur, false_blur = (np.hypot(*s.T) for s in (asked.ball[:, 3:], held.finds.streak_px[false]))
    out: list[Group] = []
    for by, unit, values, of_false in (
        ("speed", "px a frame", asked.speed_px, None),
        ("blur", "px", blur, false_blur),
        ("size", "px radius", asked.ball[:, 2], held.finds.radius_px[false]),
        ("brightness", "of 255", asked.luma, None),
    ):
        out += _thirds(asked, by, unit, values, of_false)
    mine, theirs = _sixth(asked.place), _sixth(held.finds.place[false])
    for i, name in enumerate(_PLACES):
        out.append(_group(asked, "place", name, mine == i, int(np.sum(theirs == i))))
    return tuple(out)


def _sixth(place: FloatArray) -> IntArray:
    """(n,) index in `_PLACES`."""
    column = np.clip((place[:, 0] * 3).astype(int), 0, 2)
    return np.asarray(column + 3 * (place[:, 1] >= 0.5))


def _thirds(
    asked: Asked, by: str, unit: str, values: FloatArray, of_false: FloatArray | None
) -> list[Group]:
    known = np.isfinite(values)
    if known.sum() < LEAST_FOR_GROUPS:
        return []
    low, a, b, high = np.quantile(values[known], [0.0, 1 / 3, 2 / 3, 1.0])
    out = []
    for least, most, name in (
        (-np.inf, a, f"{low:.1f}-{a:.1f} {unit}"), (a, b, f"{a:.1f}-{b:.1f} {unit}"),
        (b, np.inf, f"{b:.1f}-{high:.1f} {unit}"),
    ):  # fmt: skip
        mine = known & (values > least) & (values <= most)
        n = None if of_false is None else int(np.sum((of_false > least) & (of_false <= most)))
        out.append(_group(asked, by, name, mine, n))
    return out


def _group(asked: Asked, by: str, name: str, mine: BoolArray, false: int | None) -> Group:
    hit = mine & (asked.score >= SURE)
    n, found = int(mine.sum()), int(hit.sum())
    return Group(by, name, n, found, _share_95(found, n), _median(asked.off_px[hit]), false)


# --- old against new -----------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Gain:
    """By how much the worth of one detector is above that of another, on the same frames."""

    gain: float
    low: float  # of the 95 % interval
    high: float
    blocks: int  # of a second of film or so, drawn with replacement


def gain(old: Held, new: Held, rng: np.random.Generator) -> Gain:
    """What a new detector gains, with its interval by drawing blocks of frames again.

    Parameters
    ----------
    old, new : Held
        Of the same answers.
    rng : numpy.random.Generator
        Source of chance.

    References
    ----------
    Efron and Tibshirani 1993, "An Introduction to the Bootstrap", section 13.3: percentiles;
    blocks, because what neighbouring frames show is nearly the same.
    """
    blocks = np.unique(np.concatenate([old.asked.block, old.finds.block, new.finds.block]))
    n = len(blocks)
    drawn = []
    for _ in range(_DRAWS if n > 1 else 0):
        times = np.bincount(rng.integers(n, size=n), minlength=n)
        drawn.append(_worth(new, blocks, times) - _worth(old, blocks, times))
    low, high = np.quantile(drawn, [0.025, 0.975]) if drawn else (-np.inf, np.inf)
    return Gain(figures(new).worth - figures(old).worth, float(low), float(high), n)


def _worth(held: Held, blocks: IntArray, times: IntArray) -> float:
    """Worth where each block counts so many times."""
    each = times[np.searchsorted(blocks, held.finds.block)]
    rows = np.repeat(np.arange(len(each)), each)
    n = int(times[np.searchsorted(blocks, held.asked.block)].sum())
    nothing = np.zeros(len(rows))
    score = held.finds.score[rows]
    return 0.5 * sum(
        average_precision(Found(score, right[rows], nothing, nothing, nothing, nothing, n, n))
        for right in (held.finds.right, held.finds.half)
    )
