"""Quadrilaterals from directed lines; compiled.

A directed line is (a, b, c) with a u + b v + c > 0 on its dark side, a^2 + b^2 = 1. Its support is
a running sum of covered length over `CELL_PX` steps of the coordinate along (-b, a).
"""

import math

import numba
import numpy as np

from halfvolley.camera.kernels import (
    matrix_product,
    project_point_jacobian,
    rotation,
    solve_small,
)
from halfvolley.types.arrays import BoolArray, FloatArray

CELL_PX = 4.0


@numba.njit(cache=True)
def crossing(lines: FloatArray, i: int, k: int, out: FloatArray) -> bool:
    det = lines[i, 0] * lines[k, 1] - lines[k, 0] * lines[i, 1]
    if abs(det) < 0.05:
        return False
    out[0] = (lines[i, 1] * lines[k, 2] - lines[k, 1] * lines[i, 2]) / det
    out[1] = (lines[k, 0] * lines[i, 2] - lines[i, 0] * lines[k, 2]) / det
    return True


@numba.njit(cache=True)
def covered(running: FloatArray, zero: float, t0: float, t1: float) -> float:
    """Supported length between two coordinates along a line."""
    n = running.shape[0] - 1
    low = min(max((min(t0, t1) + zero) / CELL_PX, 0.0), float(n))
    high = min(max((max(t0, t1) + zero) / CELL_PX, 0.0), float(n))
    i, j = int(low), int(high)
    a = running[i] + (low - i) * (running[min(i + 1, n)] - running[i])
    b = running[j] + (high - j) * (running[min(j + 1, n)] - running[j])
    return b - a


@numba.njit(cache=True)
def quadrilaterals(
    lines: FloatArray, running: FloatArray, zero: float, alike: BoolArray, size: tuple[int, int],
    min_side: float, most: int,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Convex quadrilaterals whose four lines have their dark side inside.

    Returns (n, 4) line indices, the first and third opposite, and (n, 10): covered share of the
    perimeter, over-run share, then the corners 1-2, 2-3, 3-4, 4-1 (eight numbers).
    """
    n = lines.shape[0]
    width, height = size
    pairs = np.empty((n * n, 2), np.int64)
    n_pairs = 0
    for i in range(n):
        for j in range(i + 1, n):
            if not alike[i, j]:
                continue
            if lines[i, 0] * lines[j, 0] + lines[i, 1] * lines[j, 1] < 0.9:
                pairs[n_pairs, 0] = i
                pairs[n_pairs, 1] = j
                n_pairs += 1
    members = np.empty((most, 4), np.float64)
    facts = np.empty((most, 10), np.float64)
    found = 0
    corner = np.empty((4, 2))
    four = np.empty(4, np.int64)
    for p in range(n_pairs):
        i, j = pairs[p, 0], pairs[p, 1]
        for q in range(p + 1, n_pairs):
            k, m = pairs[q, 0], pairs[q, 1]
            if k == i or k == j or m == i or m == j:
                continue
            if not (alike[i, k] and alike[i, m] and alike[j, k] and alike[j, m]):
                continue
            four[0], four[1], four[2], four[3] = i, k, j, m
            good = True
            for s in range(4):
                if not crossing(lines, four[s], four[(s + 1) % 4], corner[s]):
                    good = False
                    break
                u, v = corner[s, 0], corner[s, 1]
                if not (-0.2 * width < u < 1.2 * width and -0.2 * height < v < 1.2 * height):
                    good = False
                    break
                for other in (four[(s + 2) % 4], four[(s + 3) % 4]):
                    if lines[other, 0] * u + lines[other, 1] * v + lines[other, 2] < 0.0:
                        good = False
                if not good:
                    break
            if not good:
                continue
            perimeter = 0.0
            supported = 0.0
            over = 0.0
            weakest = 1.0
            for s in range(4):
                # side s lies on line four[s] between corner s-1 and corner s
                line = four[s]
                du, dv = -lines[line, 1], lines[line, 0]
                a = corner[(s + 3) % 4]
                b = corner[s]
                t0 = a[0] * du + a[1] * dv
                t1 = b[0] * du + b[1] * dv
                length = abs(t1 - t0)
                if length < min_side:
                    good = False
                    break
                inside = covered(running[line], zero, t0, t1)
                slack = 6.0 + 0.01 * length
                low, high = min(t0, t1) - slack, max(t0, t1) + slack
                outside = covered(running[line], zero, -zero, low) + covered(
                    running[line], zero, high, zero
                )
                weakest = min(weakest, inside / length)
                perimeter += length
                supported += inside
                over += outside
            if not good or weakest < 0.06 or supported < 0.4 * perimeter:
                continue
            if over > 0.6 * perimeter:
                continue
            if found == most:
                return members[:found], facts[:found]
            for s in range(4):
                members[found, s] = four[s]
                facts[found, 2 + 2 * s] = corner[s, 0]
                facts[found, 3 + 2 * s] = corner[s, 1]
            facts[found, 0] = supported / perimeter
            facts[found, 1] = over / perimeter
            found += 1
    return members[:found], facts[:found]


@numba.njit(cache=True)
def fit_corners(
    H: FloatArray, f: float, xyz: FloatArray, uv: FloatArray, f_low: float, f_high: float
) -> tuple[float, FloatArray, FloatArray, float]:
    """Focal length, R, t and rms miss [px] of a camera that sees xyz (4, 3) at uv (4, 2).

    uv are counted from the principal point. The start is the homography H taken apart at focal
    length f, then Gauss-Newton on log f and pose. The first value is -1 where nothing fits.
    """
    R = np.empty((3, 3))
    t = np.empty(3)
    # columns of diag(1/f, 1/f, 1) H, scaled to unit length, made orthonormal with equal shares
    for k in range(3):
        q = 1.0 / f if k < 2 else 1.0
        R[k, 0], R[k, 1], t[k] = q * H[k, 0], q * H[k, 1], q * H[k, 2]
    len0 = math.sqrt(R[0, 0] ** 2 + R[1, 0] ** 2 + R[2, 0] ** 2)
    len1 = math.sqrt(R[0, 1] ** 2 + R[1, 1] ** 2 + R[2, 1] ** 2)
    if not (len0 > 0.0 and len1 > 0.0 and len0 + len1 < 1e12):
        return -1.0, R, t, math.inf
    sign = 1.0 if t[2] > 0.0 else -1.0
    for k in range(3):
        t[k] *= sign * 2.0 / (len0 + len1)
        a, b = sign * R[k, 0] / len0, sign * R[k, 1] / len1
        R[k, 0], R[k, 1] = a + b, a - b
    for j in range(2):
        norm = math.sqrt(R[0, j] ** 2 + R[1, j] ** 2 + R[2, j] ** 2)
        if not norm > 1e-9:
            return -1.0, R, t, math.inf
        for k in range(3):
            R[k, j] /= norm
    for k in range(3):
        a, b = R[k, 0], R[k, 1]
        R[k, 0], R[k, 1] = (a + b) / math.sqrt(2.0), (a - b) / math.sqrt(2.0)
    R[0, 2] = R[1, 0] * R[2, 1] - R[2, 0] * R[1, 1]
    R[1, 2] = R[2, 0] * R[0, 1] - R[0, 0] * R[2, 1]
    R[2, 2] = R[0, 0] * R[1, 1] - R[1, 0] * R[0, 1]
    log_f = math.log(f)
    miss = math.inf
    d_xyz = np.empty((2, 3))
    d_par = np.empty((2, 11))
    row = np.empty(7)
    A = np.empty((7, 7))
    step = np.empty(7)
    turn = np.empty((3, 3))
    for iteration in range(12):
        f = math.exp(log_f)
        A[:, :] = 0.0
        step[:] = 0.0
        total = 0.0
        for i in range(4):
            u, v = project_point_jacobian(
                f, 0.0, 0.0, 0.0, 0.0, R, t, xyz[i, 0], xyz[i, 1], xyz[i, 2], d_xyz, d_par
            )
            for k in range(2):
                r = uv[i, k] - (u if k == 0 else v)
                total += r * r
                row[0] = f * d_par[k, 0]
                row[1:] = d_par[k, 5:]
                for m in range(7):
                    step[m] += row[m] * r
                    for j in range(7):
                        A[m, j] += row[m] * row[j]
        if not total < 1e12:
            return -1.0, R, t, math.inf
        miss = math.sqrt(total / 4.0)
        if iteration == 11:
            break
        for k in range(7):
            A[k, k] *= 1.0 + 1e-4
        if not solve_small(A, step, 7):
            return -1.0, R, t, math.inf
        log_f = min(max(log_f + min(max(step[0], -0.3), 0.3), math.log(f_low)), math.log(f_high))
        rotation(step[1], step[2], step[3], turn)
        R = matrix_product(turn, R)
        for k in range(3):
            t[k] += step[4 + k]
        if not t[2] > 0.1:
            return -1.0, R, t, math.inf
    height = -(R[0, 2] * t[0] + R[1, 2] * t[1] + R[2, 2] * t[2])
    if height <= 0.0:
        return -1.0, R, t, math.inf
    return f, R, t, miss
