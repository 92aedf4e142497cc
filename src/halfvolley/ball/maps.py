"""From the network's output maps to places: peaks, centres, streaks, radii."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from halfvolley.types.arrays import BoolArray, FloatArray, IntArray

STREAK_UNIT_PX = 10.0
RADIUS_UNIT_PX = 5.0
U, V, SCORE, SD, STREAK_U, STREAK_V, RADIUS = range(7)
COLUMNS = 7


def peaks(maps: NDArray[np.float32], stride: int, least: float, most: int = 8) -> FloatArray:
    """(n, COLUMNS) local maxima of the score of one picture, best first.

    Parameters
    ----------
    maps : (7, h, w) float32
        Score logit (calibrated), offset of the centre from the middle of the cell in u and v and
        the log of its sd [cells], streak as twice its angle, log of the radius.
    stride : int
        Pixels from cell to cell.
    least : float
        Scores below are left out, 0-1.
    most : int
        How many are kept.

    Returns
    -------
    (n, COLUMNS) float64
        u, v [px], score 0-1, sd of the centre [px], streak u, v [px], radius [px].
    """
    out = np.empty((most, COLUMNS))
    floor = np.float32(np.log(least / (1.0 - least)))
    return apart(out[: _read(maps, stride, floor, out)])


@njit(cache=True, nogil=True)
def _read(maps, stride, floor, out):  # type: ignore[no-untyped-def]
    """Fill `out` with the highest maxima, best first; return how many."""
    logit = maps[0]
    h, w = logit.shape
    most = len(out)
    rows = np.empty(most, np.int64)
    columns = np.empty(most, np.int64)
    n = 0
    for i in range(h):
        for j in range(w):
            here = logit[i, j]
            if here < floor or (n == most and here <= logit[rows[n - 1], columns[n - 1]]):
                continue
            top = True
            for k in range(max(i - 1, 0), min(i + 2, h)):
                for m in range(max(j - 1, 0), min(j + 2, w)):
                    top &= logit[k, m] <= here
            if not top:
                continue
            n = min(n + 1, most)
            place = n - 1
            while place > 0 and here > logit[rows[place - 1], columns[place - 1]]:
                rows[place], columns[place] = rows[place - 1], columns[place - 1]
                place -= 1
            rows[place], columns[place] = i, j
    for k in range(n):
        i, j = rows[k], columns[k]
        out[k, U] = (j + 0.5 + maps[1, i, j]) * stride - 0.5
        out[k, V] = (i + 0.5 + maps[2, i, j]) * stride - 0.5
        out[k, SCORE] = 1.0 / (1.0 + math.exp(-maps[0, i, j]))
        out[k, SD] = math.exp(min(max(maps[3, i, j], -4.0), 3.0)) * stride
        length = math.hypot(maps[4, i, j], maps[5, i, j]) * STREAK_UNIT_PX
        angle = 0.5 * math.atan2(maps[5, i, j], maps[4, i, j])
        out[k, STREAK_U] = length * math.cos(angle)
        out[k, STREAK_V] = length * math.sin(angle)
        out[k, RADIUS] = RADIUS_UNIT_PX * math.exp(min(max(maps[6, i, j], -2.5), 3.0))
    return n


def peaks_of_pieces(
    maps: NDArray[np.float32], stride: int, least: float, corners: IntArray, shrink: int = 1,
    most: int = 8,
) -> FloatArray:  # fmt: skip
    """(n, COLUMNS) peaks of several pieces of a picture, best first, in pixels of the picture.

    Parameters
    ----------
    maps : (m, 7, h, w) float32
        Of each piece, as `peaks` takes them.
    stride, least, most
        As for `peaks`; `most` of each piece.
    corners : (m, 2) int64
        Left and top of each piece in the picture [px].
    shrink : int
        How often the pieces were shrunk.

    Returns
    -------
    (n, COLUMNS) float64
        Each place once.
    """
    floor = np.float32(np.log(least / (1.0 - least)))
    out = np.empty((len(maps) * most, COLUMNS))
    return best_first(out[: _read_pieces(maps, stride, floor, corners, shrink, most, out)])


@njit(cache=True, nogil=True)
def _read_pieces(maps, stride, floor, corners, shrink, most, out):  # type: ignore[no-untyped-def]
    n = 0
    room = np.empty((most, COLUMNS))
    for k in range(len(maps)):
        found = apart(room[: _read(maps[k], stride, floor, room)])
        for i in range(len(found)):
            out[n] = found[i]
            for axis in range(2):
                out[n, axis] = (found[i, axis] + 0.5) * shrink - 0.5 + corners[k, axis]
            out[n, SD:] *= shrink
            n += 1
    return n


@njit(cache=True, nogil=True)
def best_first(found: FloatArray) -> FloatArray:
    """Peaks in the order of their scores, each place once."""
    return apart(found[np.argsort(-found[:, SCORE], kind="mergesort")])


@njit(cache=True, nogil=True)
def scores_on(found: FloatArray, fit: FloatArray) -> FloatArray:
    """(n,) the highest score of the peaks on which a spot lies, 0 where it lies on none.

    On a peak is within a radius, and half the streak along it; spots begin with their place.
    """
    out = np.zeros(len(fit))
    for k in range(len(found)):
        for i in range(len(fit)):
            if _lies_on(found[k], fit[i, 0], fit[i, 1]):
                out[i] = max(out[i], found[k, SCORE])
    return out


@njit(cache=True, nogil=True)
def shared(found: FloatArray, uv_px: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Which of several places belongs to a peak: the nearest to its centre.

    Parameters
    ----------
    found : (k, COLUMNS) float64
        Peaks, best first. A place belongs to the first on which it lies.
    uv_px : (n, 2) float64
        Places [px].

    Returns
    -------
    second : (n,) bool
        Places that lie on a peak to whose centre another is nearer.
    met : (k,) bool
        Peaks on which a place lies.
    """
    second, taken = np.zeros(len(uv_px), np.bool_), np.zeros(len(uv_px), np.bool_)
    met = np.zeros(len(found), np.bool_)
    for k in range(len(found)):
        first, least = -1, np.inf
        for i in range(len(uv_px)):
            if not _lies_on(found[k], uv_px[i, 0], uv_px[i, 1]):
                continue
            met[k] = True
            if taken[i]:
                continue
            taken[i] = second[i] = True
            gap = math.hypot(uv_px[i, 0] - found[k, U], uv_px[i, 1] - found[k, V])
            if gap < least:
                first, least = i, gap
        if first >= 0:
            second[first] = False
    return second, met


@njit(cache=True, nogil=True)
def _lies_on(peak, u, v):  # type: ignore[no-untyped-def]
    """Whether a place is within a peak's radius, and half the streak along it."""
    su, sv = peak[STREAK_U], peak[STREAK_V]
    length = math.hypot(su, sv)
    r = max(peak[RADIUS], 2.0)
    du, dv = u - peak[U], v - peak[V]
    if length < 1.0:
        return math.hypot(du, dv) < r + 0.5 * length
    along = abs(du * su + dv * sv) / length
    across = abs(du * sv - dv * su) / length
    return along < r + 0.5 * length and across < 1.2 * r


@njit(cache=True, nogil=True)
def apart(found: FloatArray) -> FloatArray:
    """Without those that lie within a radius of a better one."""
    kept = np.empty(len(found), np.int64)
    n = 0
    for i in range(len(found)):
        near = False
        for k in kept[:n]:
            gap = math.hypot(found[i, U] - found[k, U], found[i, V] - found[k, V])
            near |= gap < max(found[k, RADIUS], 3.0)
        if not near:
            kept[n] = i
            n += 1
    return found[kept[:n]]
