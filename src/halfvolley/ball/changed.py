"""Does a place look other than it did? A ball that flies covers what was seen there before; grain
that a coder keeps, and replaces block by block, changes each pixel but hardly their mean."""
# mypy: allow-untyped-defs

import numpy as np
from numba import njit

from halfvolley.ball import maps
from halfvolley.types.arrays import ByteImage, FloatArray, IntArray


def changes(
    luma: ByteImage, cb: ByteImage, cr: ByteImage, slots: IntArray, peaks: FloatArray
) -> FloatArray:
    """(n,) how much the mean of what each peak covers differs from an earlier frame, at most.

    Parameters
    ----------
    luma : (m, h, w) uint8
        Kept frames.
    cb, cr : (m, h/2, w/2) uint8
        The same in colour.
    slots : (f,) int64
        Those of the frames to compare, oldest first; the peaks are of the last one.
    peaks : (n, maps.COLUMNS) float64
        From `maps.peaks`, in pixels of the frame.

    Returns
    -------
    (n,) float64
        In 8-bit steps of luma or of twice the colour, whichever changed more.
    """
    return np.asarray(_changes(luma, cb, cr, slots, peaks))


@njit(cache=True, nogil=True)
def _changes(luma, cb, cr, slots, peaks):
    out = np.zeros(len(peaks))
    means = np.empty((len(slots), 3))
    for n in range(len(peaks)):
        p = peaks[n]
        for i in range(len(slots)):
            means[i, 0] = _mean(luma[slots[i]], p, 1.0)
            means[i, 1] = 2.0 * _mean(cb[slots[i]], p, 0.5)
            means[i, 2] = 2.0 * _mean(cr[slots[i]], p, 0.5)
        for i in range(len(slots) - 1):
            for c in range(3):
                out[n] = max(out[n], abs(means[-1, c] - means[i, c]))
    return out


@njit(cache=True)
def _mean(plane, peak, scale):
    """Mean of a plane within a peak's radius of its streak."""
    h, w = plane.shape
    u, v = (peak[0] + 0.5) * scale - 0.5, (peak[1] + 0.5) * scale - 0.5
    r = max(peak[maps.RADIUS] * scale, 1.0)
    su, sv = 0.5 * peak[maps.STREAK_U] * scale, 0.5 * peak[maps.STREAK_V] * scale
    half2 = su * su + sv * sv
    j0, j1 = max(int(v - r - abs(sv)), 0), min(int(v + r + abs(sv)) + 1, h - 1)
    i0, i1 = max(int(u - r - abs(su)), 0), min(int(u + r + abs(su)) + 1, w - 1)
    total, count = 0.0, 0
    for j in range(j0, j1 + 1):
        for i in range(i0, i1 + 1):
            du, dv = i - u, j - v
            along = 0.0 if half2 < 1e-9 else (du * su + dv * sv) / half2
            along = min(max(along, -1.0), 1.0)
            du, dv = du - along * su, dv - along * sv
            if du * du + dv * dv <= r * r:
                total += plane[j, i]
                count += 1
    return total / max(count, 1)
