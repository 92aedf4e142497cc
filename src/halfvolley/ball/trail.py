"""Short smooth trails of spots: what flies, where it should be next, and what stands still."""

from dataclasses import dataclass, fields

import numpy as np

from halfvolley.types.arrays import BoolArray, FloatArray, IntArray

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
    step_b = last.uv_px[None, :, :] - middle.uv_px[:, None, :]  # (m, n, 2)
    step_a = middle.uv_px[None, :, :] - first.uv_px[:, None, :]  # (f, m, 2)
    go_b = np.hypot(step_b[..., 0], step_b[..., 1])
    go_a = np.hypot(step_a[..., 0], step_a[..., 1])
    alike_b = _alike(middle, last) & (go_b < longest_px)
    alike_a = _alike(first, middle) & (go_a < longest_px)
    bend = step_b[None] - step_a[:, :, None]  # (f, m, n, 2)
    far = np.hypot(bend[..., 0], bend[..., 1])
    way = 0.5 * (go_a[:, :, None] + go_b[None])
    r = middle.radius_px[None, :, None]
    fine = alike_a[:, :, None] & alike_b[None] & (far < 0.15 * way + 0.35 * r) & (way > 0.5 * r)
    # long trails first, then smooth ones
    worth = np.where(fine, np.minimum(middle.length, 8)[None, :, None] - far / r, -np.inf)
    best = worth.reshape(-1, n)
    pick = np.argmax(best, axis=0)
    found = np.isfinite(best[pick, np.arange(n)])
    m = pick % len(middle.uv_px)
    length = np.where(found, np.maximum(middle.length[m], 2) + 1, 1)
    share = 1.0 / np.minimum(length, 8)
    radius = np.where(
        found, middle.trail_radius_px[m] * (1 - share) + last.radius_px * share, last.radius_px
    )
    return Points(
        last.uv_px, last.radius_px, last.streak_px, last.colour, last.score,
        length.astype(np.int64), np.where(found, m, -1), radius, last.missed,
    )  # fmt: skip


def _alike(a: Points, b: Points) -> BoolArray:
    """Whether radius and colour of each pair may belong to one thing."""
    ratio = a.radius_px[:, None] / b.radius_px[None, :]
    chroma = np.abs(a.colour[:, None, 1:] - b.colour[None, :, 1:]).sum(axis=2)
    luma = np.abs(a.colour[:, None, 0] - b.colour[None, :, 0])
    out: BoolArray = (ratio > 0.6) & (ratio < 1.67) & (chroma < 25.0) & (luma < 60.0)
    return out


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
    out = np.full(len(uv_px), -1, np.int64)
    for i in reversed(range(len(expected.uv_px))):  # the longest trail has the last word
        step = expected.uv_px[i] - middle.uv_px[expected.back[i]]
        gap = np.hypot(*(uv_px - expected.uv_px[i]).T)
        near = gap < 0.12 * float(np.hypot(*step)) + 0.5 * expected.radius_px[i]
        if expected.length[i] >= 4 and expected.missed[i] == 1:
            out[near] = i
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

    def _cells(self, uv_px: FloatArray) -> tuple[IntArray, IntArray]:
        cells = np.clip(uv_px // CELL_PX, 0, None).astype(np.int64)
        rows, columns = self.rate.shape
        return np.minimum(cells[:, 1], rows - 1), np.minimum(cells[:, 0], columns - 1)

    def note(self, points: Points) -> None:
        """Count the spots of one frame that no trail reaches."""
        self.rate *= 1.0 - 1.0 / _MEMORY_FRAMES
        self.rate[self._cells(points.uv_px[(points.length < 3) & (points.missed == 0)])] += (
            1.0 / _MEMORY_FRAMES
        )
