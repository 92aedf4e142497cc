"""Short smooth trails of spots: what flies, where it should be next, and what stands still."""

import math
from dataclasses import dataclass, fields

import numpy as np

from halfvolley.ball import swept
from halfvolley.types.arrays import FloatArray, IntArray

_MEMORY_FRAMES = 120  # over which a place's blinking is counted
CELL_PX = 8
_MOST_EXPECTED = 4  # trails followed into the next frame
_MOST_MISSED = 3  # frames that a trail is followed without a spot


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """What linking needs of the spots of one frame."""

    uv_px: FloatArray  # (n, 2)
    radius_px: FloatArray  # (n,)
    streak_px: FloatArray  # (n, 2)
    colour: FloatArray  # (n, 3) luma, cb, cr
    score: FloatArray  # (n,)
    length: IntArray  # (n,) spots of the trail that ends here; 1 where none does
    back: IntArray  # (n,) row of the spot before in the frame before, -1 none
    trail_radius_px: FloatArray  # (n,) mean radius along the trail
    missed: IntArray  # (n,) frames in a row in which the trail was only guessed; 0 for a spot


def start_points(
    uv_px: FloatArray, radius_px: FloatArray, streak_px: FloatArray, colour: FloatArray,
    score: FloatArray,
) -> Points:  # fmt: skip
    """Spots that no trail has reached yet.

    Parameters
    ----------
    uv_px : (n, 2) float64
        Centres [px].
    radius_px : (n,) float64
        Radii [px].
    streak_px : (n, 2) float64
        Travel during the exposure [px].
    colour : (n, 3) float64
        Luma, cb, cr.
    score : (n,) float64
        How much each looks like the ball.

    Returns
    -------
    Points
        Each a trail of its own.
    """
    n = len(uv_px)
    # in one piece, whatever they were cut from: each layout would be compiled by itself
    uv_px, radius_px, streak_px = (
        np.ascontiguousarray(a) for a in (uv_px, radius_px, streak_px)
    )  # fmt: skip
    return Points(
        uv_px, radius_px, streak_px, colour, score, np.ones(n, np.int64),
        np.full(n, -1, np.int64), radius_px.copy(), np.zeros(n, np.int64),
    )  # fmt: skip


def no_points() -> Points:
    """A frame without spots."""
    return start_points(
        np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0)
    )


def link(first: Points, middle: Points, last: Points, longest_px: float) -> Points:
    """The last frame's points with the trails that reach them.

    Three spots are a trail where the way bends and stretches little, as under gravity, and where
    size and colour stay alike.

    Parameters
    ----------
    first, middle, last : Points
        Of three frames in a row.
    longest_px : float
        Farthest that a ball goes between two frames [px].

    Returns
    -------
    Points
        `last` with length, back and trail_radius_px.
    """
    n = len(last.uv_px)
    if n == 0 or len(middle.uv_px) == 0 or len(first.uv_px) == 0:
        return last
    length, back = np.ones(n, np.int64), np.full(n, -1, np.int64)
    radius = last.radius_px.copy()
    _link(
        first.uv_px, first.radius_px, first.colour, middle.uv_px, middle.radius_px, middle.colour,
        middle.length, middle.trail_radius_px, last.uv_px, last.radius_px, last.colour,
        longest_px, length, back, radius,
    )  # fmt: skip
    return Points(
        last.uv_px, last.radius_px, last.streak_px, last.colour, last.score, length, back, radius,
        last.missed,
    )  # fmt: skip


@swept.exactly
def _link(  # type: ignore[no-untyped-def]
    uv_a,
    r_a,
    colour_a,
    uv_b,
    r_b,
    colour_b,
    length_b,
    trail_r_b,
    uv_c,
    r_c,
    colour_c,
    longest,
    length,
    back,
    radius,
):
    """Write length, back and mean radius of the spots c from those of the two frames before."""
    for k in range(len(uv_c)):
        best = -np.inf
        for j in range(len(uv_b)):
            du, dv = uv_c[k, 0] - uv_b[j, 0], uv_c[k, 1] - uv_b[j, 1]
            go = math.hypot(du, dv)
            if go >= longest or not _alike(r_b[j], colour_b[j], r_c[k], colour_c[k]):
                continue
            for i in range(len(uv_a)):
                eu, ev = uv_b[j, 0] - uv_a[i, 0], uv_b[j, 1] - uv_a[i, 1]
                came = math.hypot(eu, ev)
                if came >= longest or not _alike(r_a[i], colour_a[i], r_b[j], colour_b[j]):
                    continue
                bend = math.hypot(du - eu, dv - ev)
                way = 0.5 * (go + came)
                if bend >= 0.15 * way + 0.35 * r_b[j] or way <= 0.5 * r_b[j]:
                    continue
                # long trails first, then smooth ones
                worth = min(length_b[j], 8) - bend / r_b[j]
                if worth > best:
                    best = worth
                    back[k] = j
        if back[k] >= 0:
            length[k] = max(length_b[back[k]], 2) + 1
            share = 1.0 / min(length[k], 8)
            radius[k] = trail_r_b[back[k]] * (1.0 - share) + r_c[k] * share


@swept.exactly
def _alike(r_a, colour_a, r_b, colour_b):  # type: ignore[no-untyped-def]
    """Whether radius and colour of two spots may belong to one thing."""
    chroma = abs(colour_a[1] - colour_b[1]) + abs(colour_a[2] - colour_b[2])
    ratio = r_a / r_b
    return ratio > 0.6 and ratio < 1.67 and chroma < 25.0 and abs(colour_a[0] - colour_b[0]) < 60.0


def expect(before: Points, middle: Points) -> Points:
    """Where the trails should be in the next frame, longest first, as guessed points.

    Parameters
    ----------
    before, middle : Points
        Of the last two frames.

    Returns
    -------
    Points
        `back` are rows of `middle`; `missed` counts what follows without a spot.
    """
    rows = np.flatnonzero((middle.length >= 3) & (middle.missed < _MOST_MISSED))
    if not len(rows):
        return no_points()
    rows = rows[np.argsort(-middle.length[rows], kind="stable")][:_MOST_EXPECTED]
    step = middle.uv_px[rows] - before.uv_px[middle.back[rows]]
    return Points(
        middle.uv_px[rows] + step, middle.trail_radius_px[rows], middle.streak_px[rows],
        middle.colour[rows], middle.score[rows], middle.length[rows], rows,
        middle.trail_radius_px[rows], middle.missed[rows] + 1,
    )  # fmt: skip


def follow(uv_px: FloatArray, expected: Points, middle: Points) -> IntArray:
    """Which expected point each place agrees with, -1 for none.

    Parameters
    ----------
    uv_px : (n, 2) float64
        Places in the frame that was expected [px].
    expected, middle : Points
        As `expect` gave them, and the frame before.

    Returns
    -------
    (n,) int64
        Rows of `expected` whose trail has four spots at least.
    """
    return _follow(
        np.ascontiguousarray(uv_px), expected.uv_px, expected.radius_px, expected.length,
        expected.missed, expected.back, middle.uv_px,
    )  # fmt: skip


@swept.exactly
def _follow(uv, guess, r, length, missed, back, before):  # type: ignore[no-untyped-def]
    out = np.full(len(uv), -1, np.int64)
    for i in range(len(guess) - 1, -1, -1):  # the longest trail has the last word
        if length[i] < 4 or missed[i] != 1:
            continue
        b = back[i]
        way = math.hypot(guess[i, 0] - before[b, 0], guess[i, 1] - before[b, 1])
        for k in range(len(uv)):
            gap = math.hypot(uv[k, 0] - guess[i, 0], uv[k, 1] - guess[i, 1])
            if gap < 0.12 * way + 0.5 * r[i]:
                out[k] = i
    return out


def with_guesses(points: Points, expected: Points) -> Points:
    """Points of a frame, and the expected ones that none of them continues.

    Parameters
    ----------
    points, expected : Points
        Linked points of a frame, and what was expected in it.

    Returns
    -------
    Points
        The points first, in their order.
    """
    if not len(expected.back):
        return points
    continued = set(points.back[points.back >= 0].tolist())
    rows = [i for i, k in enumerate(expected.back.tolist()) if k not in continued]
    if not rows:
        return points
    return Points(
        *(
            np.concatenate([getattr(points, f.name), getattr(expected, f.name)[rows]])
            for f in fields(Points)
        )
    )


class Blinkers:
    """Places where spots appear again and again without flying: lamps, noise, look-alikes."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        width, height = size_px
        self.rate = np.zeros((height // CELL_PX + 1, width // CELL_PX + 1))

    def note(self, points: Points) -> None:
        """Count the spots of one frame that no trail reaches."""
        _note(self.rate, points.uv_px, (points.length < 3) & (points.missed == 0))


@swept.exactly
def _note(rate, uv, loose):  # type: ignore[no-untyped-def]
    rows, columns = rate.shape
    share = 1.0 / _MEMORY_FRAMES
    for i in range(rows):
        for j in range(columns):
            rate[i, j] *= 1.0 - share
    counted = np.empty(len(uv), np.int64)
    n = 0
    for k in range(len(uv)):
        i = min(max(int(uv[k, 1] // CELL_PX), 0), rows - 1)
        j = min(max(int(uv[k, 0] // CELL_PX), 0), columns - 1)
        cell = i * columns + j
        if loose[k] and not np.any(counted[:n] == cell):  # two spots of a cell count once
            counted[n] = cell
            n += 1
            rate[i, j] += share
