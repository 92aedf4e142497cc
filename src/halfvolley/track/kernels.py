"""Compiled linking of detections into smooth image paths.

Symbols: x position [px], s velocity [px/s], a acceleration [px/s^2], P covariance of (x, s, a),
shared by both axes; q spectral density of jerk [px^2/s^5]; r variance of one detection [px^2].
"""

from typing import Any

import numpy as np
from numba import njit

from halfvolley.types.arrays import FloatArray, IntArray


@njit(cache=True, nogil=True)
def _predict(x: FloatArray, P: FloatArray, dt: float, q: float) -> tuple[FloatArray, FloatArray]:
    """Constant-acceleration step; x is (3, 2), P (3, 3). White jerk as in Bar-Shalom eq. 6.2.3."""
    F = np.array([[1.0, dt, 0.5 * dt * dt], [0.0, 1.0, dt], [0.0, 0.0, 1.0]])
    Q = q * np.array(
        [
            [dt**5 / 20.0, dt**4 / 8.0, dt**3 / 6.0],
            [dt**4 / 8.0, dt**3 / 3.0, dt**2 / 2.0],
            [dt**3 / 6.0, dt**2 / 2.0, dt],
        ]
    )
    return F @ x, F @ P @ np.ascontiguousarray(F.T) + Q


@njit(cache=True, nogil=True)
def _start(
    t: FloatArray, uv: FloatArray, r: FloatArray, i: int, j: int, k: int, a_sd: float
) -> tuple[Any, Any]:
    """State at detection k through i, j, k, with a prior of sd `a_sd` on the acceleration."""
    N = np.zeros((3, 3))
    b = np.zeros((3, 2))
    N[2, 2] = 1.0 / (a_sd * a_sd)
    for m in (i, j, k):
        dt = t[m] - t[k]
        h = np.array([1.0, dt, 0.5 * dt * dt])
        for p in range(3):
            for c in range(3):
                N[p, c] += h[p] * h[c] / r[m]
            for c in range(2):
                b[p, c] += h[p] * uv[m, c] / r[m]
    P = np.ascontiguousarray(np.linalg.inv(N))
    return P @ b, P


@njit(cache=True, nogil=True)
def grow(
    seed: IntArray,
    frame: IntArray,
    t: FloatArray,
    uv: FloatArray,
    r: FloatArray,
    size: FloatArray,
    first: IntArray,
    max_gap_s: float,
    a_sd: float,
    q: float,
    gate: float,
    size_ratio: float,
) -> IntArray:
    """Extend a seed of three detections forward in time while the next one lies in the gate.

    `first[f]` is the first row of frame f, `first[f + 1]` its end. Returns rows in frame order.
    """
    n_frames = len(first) - 1
    rows = np.empty(n_frames - frame[seed[0]] + 3, np.int64)
    rows[:3] = seed
    n = 3
    x, P = _start(t, uv, r, seed[0], seed[1], seed[2], a_sd)
    last = seed[2]
    radius = (size[seed[0]] + size[seed[1]] + size[seed[2]]) / 3.0
    f = frame[last] + 1
    while f < n_frames:
        lo, hi = first[f], first[f + 1]
        if lo == hi:
            f += 1
            continue
        dt = t[lo] - t[last]
        if dt > max_gap_s:
            break
        xp, Pp = _predict(x, P, dt, q)
        best, best_d2 = -1, gate
        for m in range(lo, hi):
            if size[m] > radius * size_ratio or size[m] < radius / size_ratio:
                continue
            s2 = Pp[0, 0] + r[m]
            du, dv = uv[m, 0] - xp[0, 0], uv[m, 1] - xp[0, 1]
            d2 = (du * du + dv * dv) / s2
            if d2 < best_d2:
                best, best_d2 = m, d2
        if best >= 0:
            g = Pp[0, :] / (Pp[0, 0] + r[best])
            for c in range(2):
                x[:, c] = xp[:, c] + g * (uv[best, c] - xp[0, c])
            P = Pp - np.outer(g, Pp[0, :])
            rows[n] = best
            n += 1
            last = best
            radius += 0.2 * (size[best] - radius)
        f += 1
    return rows[:n].copy()


@njit(cache=True, nogil=True)
def _is_used(bits: int, place: int) -> bool:
    return place < 64 and (bits >> np.uint64(place)) & np.uint64(1) != 0


@njit(cache=True, nogil=True)
def link(
    frame: IntArray,
    t: FloatArray,
    uv: FloatArray,
    r: FloatArray,
    size: FloatArray,
    first: IntArray,
    min_step_px: float,
    max_speed: float,
    max_gap_s: float,
    a_max: float,
    q: float,
    gate: float,
    size_ratio: float,
) -> tuple[IntArray, IntArray]:
    """All smooth pieces: rows one after another, and where each piece starts (with a last end).

    A pair already inside a piece of five or more is not a seed again, unless it is one of that
    piece's first three: a seed that straddles a contact grows along the path beyond it, but the
    clean seed just after the contact still has to be tried.
    """
    n = len(frame)
    n_frames = len(first) - 1
    used = np.zeros(n, np.uint64)  # of each row, one bit for each of the rows that may follow it
    out = np.empty(max(60 * n, 64), np.int64)
    starts = np.empty(max(10 * n, 64), np.int64)
    n_out, n_pieces = 0, 0
    starts[0] = 0
    for i in range(n):
        f1 = frame[i] + 1
        while f1 < n_frames and first[f1] < n and t[first[f1]] - t[i] <= max_gap_s:
            for j in range(first[f1], first[f1 + 1]):
                if _is_used(used[i], j - first[frame[i] + 1]):
                    continue
                dt1 = t[j] - t[i]
                du1, dv1 = uv[j, 0] - uv[i, 0], uv[j, 1] - uv[i, 1]
                d1 = np.hypot(du1, dv1)
                if d1 > max_speed * dt1 or d1 < min_step_px:
                    continue
                if size[j] > size[i] * size_ratio or size[j] < size[i] / size_ratio:
                    continue
                f2 = frame[j] + 1
                found = False
                while (
                    f2 < n_frames
                    and not found
                    and first[f2] < n
                    and t[first[f2]] - t[j] <= max_gap_s
                ):
                    for k in range(first[f2], first[f2 + 1]):
                        if _is_used(used[j], k - first[frame[j] + 1]):
                            continue
                        dt2 = t[k] - t[j]
                        du = uv[k, 0] - uv[j, 0] - du1 * dt2 / dt1
                        dv = uv[k, 1] - uv[j, 1] - dv1 * dt2 / dt1
                        noise = 4.0 * np.sqrt(r[k] + r[j] * 4.0 + r[i])
                        if np.hypot(du, dv) > noise + 0.5 * a_max * dt2 * (dt1 + dt2):
                            continue
                        if size[k] > size[j] * size_ratio or size[k] < size[j] / size_ratio:
                            continue
                        seed = np.array([i, j, k], np.int64)
                        rows = grow(
                            seed,
                            frame,
                            t,
                            uv,
                            r,
                            size,
                            first,
                            max_gap_s,
                            a_max / 2.0,
                            q,
                            gate,
                            size_ratio,
                        )
                        if n_out + len(rows) > len(out):
                            out = np.concatenate((out, np.empty(len(out) + len(rows), np.int64)))
                        if n_pieces + 2 > len(starts):
                            starts = np.concatenate((starts, np.empty(len(starts), np.int64)))
                        out[n_out : n_out + len(rows)] = rows
                        n_out += len(rows)
                        n_pieces += 1
                        starts[n_pieces] = n_out
                        found = True
                        if len(rows) >= 5:
                            for m in range(3, len(rows) - 1):
                                place = rows[m + 1] - first[frame[rows[m]] + 1]
                                if place < 64:
                                    used[rows[m]] |= np.uint64(1) << np.uint64(place)
                    f2 += 1
            f1 += 1
    return out[:n_out], starts[: n_pieces + 1]
