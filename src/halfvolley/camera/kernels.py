"""Projection as compiled functions of floats and arrays; the hot loops of other rooms call these.

Symbols: f focal length [px]; cx, cy principal point [px]; k1, k2 radial distortion; R (3, 3) and
t (3,) camera_from_world; (x, y) = (X/Z, Y/Z) in the camera's frame, s = x^2 + y^2;
g = 1 + k1 s + k2 s^2; (u, v) = f g (x, y) + (cx, cy).
"""

import math

import numba
import numpy as np

from halfvolley.types.arrays import FloatArray

MIN_DEPTH_M = 1e-6


@numba.njit(cache=True)
def project_point(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, t: FloatArray,
    x: float, y: float, z: float,
) -> tuple[float, float]:  # fmt: skip
    """(u, v) [px] of one world point [m]; NaN behind the camera."""
    X = R[0, 0] * x + R[0, 1] * y + R[0, 2] * z + t[0]
    Y = R[1, 0] * x + R[1, 1] * y + R[1, 2] * z + t[1]
    Z = R[2, 0] * x + R[2, 1] * y + R[2, 2] * z + t[2]
    if not Z > MIN_DEPTH_M:
        return math.nan, math.nan
    a = X / Z
    b = Y / Z
    s = a * a + b * b
    g = f * (1.0 + s * (k1 + k2 * s))
    return g * a + cx, g * b + cy


@numba.njit(cache=True)
def project_points(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, t: FloatArray,
    xyz: FloatArray,
) -> FloatArray:  # fmt: skip
    """(n, 2) pixels of (n, 3) world points; NaN behind the camera."""
    n = xyz.shape[0]
    uv = np.empty((n, 2))
    for i in range(n):
        uv[i, 0], uv[i, 1] = project_point(f, cx, cy, k1, k2, R, t, xyz[i, 0], xyz[i, 1], xyz[i, 2])
    return uv


@numba.njit(cache=True)
def project_point_jacobian(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, t: FloatArray,
    x: float, y: float, z: float, d_xyz: FloatArray, d_params: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """(u, v) of one point; fills d_xyz (2, 3) and d_params (2, 11), CAMERA_PARAMETERS' order.

    Behind the camera all three are NaN.
    """
    wx = R[0, 0] * x + R[0, 1] * y + R[0, 2] * z
    wy = R[1, 0] * x + R[1, 1] * y + R[1, 2] * z
    wz = R[2, 0] * x + R[2, 1] * y + R[2, 2] * z
    Z = wz + t[2]
    if not Z > MIN_DEPTH_M:
        d_xyz[:, :] = math.nan
        d_params[:, :] = math.nan
        return math.nan, math.nan
    a = (wx + t[0]) / Z
    b = (wy + t[1]) / Z
    s = a * a + b * b
    g = 1.0 + s * (k1 + k2 * s)
    h = 2.0 * (k1 + 2.0 * k2 * s)  # dg/ds times 2, so that dg = h (a da + b db)
    # d(u, v) / d(a, b)
    uaa = f * (g + h * a * a)
    uab = f * h * a * b
    vbb = f * (g + h * b * b)
    # d(u, v) / d(X, Y, Z)
    c00 = uaa / Z
    c01 = uab / Z
    c02 = -(uaa * a + uab * b) / Z
    c11 = vbb / Z
    c12 = -(uab * a + vbb * b) / Z
    for j in range(3):
        d_xyz[0, j] = c00 * R[0, j] + c01 * R[1, j] + c02 * R[2, j]
        d_xyz[1, j] = c01 * R[0, j] + c11 * R[1, j] + c12 * R[2, j]
    d_params[0, 0] = g * a
    d_params[1, 0] = g * b
    d_params[0, 1] = 1.0
    d_params[1, 1] = 0.0
    d_params[0, 2] = 0.0
    d_params[1, 2] = 1.0
    d_params[0, 3] = f * s * a
    d_params[1, 3] = f * s * b
    d_params[0, 4] = f * s * s * a
    d_params[1, 4] = f * s * s * b
    # d(r x w)/dr, w = R x: columns (0, -wz, wy), (wz, 0, -wx), (-wy, wx, 0)
    d_params[0, 5] = -c01 * wz + c02 * wy
    d_params[1, 5] = -c11 * wz + c12 * wy
    d_params[0, 6] = c00 * wz - c02 * wx
    d_params[1, 6] = c01 * wz - c12 * wx
    d_params[0, 7] = -c00 * wy + c01 * wx
    d_params[1, 7] = -c01 * wy + c11 * wx
    d_params[0, 8] = c00
    d_params[1, 8] = c01
    d_params[0, 9] = c01
    d_params[1, 9] = c11
    d_params[0, 10] = c02
    d_params[1, 10] = c12
    return f * g * a + cx, f * g * b + cy


@numba.njit(cache=True)
def project_points_jacobian(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, t: FloatArray,
    xyz: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """Pixels (n, 2), d_uv/d_xyz (n, 2, 3) and d_uv/d_params (n, 2, 11) of (n, 3) points."""
    n = xyz.shape[0]
    uv = np.empty((n, 2))
    d_xyz = np.empty((n, 2, 3))
    d_params = np.empty((n, 2, 11))
    for i in range(n):
        uv[i, 0], uv[i, 1] = project_point_jacobian(
            f, cx, cy, k1, k2, R, t, xyz[i, 0], xyz[i, 1], xyz[i, 2], d_xyz[i], d_params[i]
        )
    return uv, d_xyz, d_params


@numba.njit(cache=True)
def fold_radius(k1: float, k2: float) -> float:
    """Radius at which the distorted radius stops growing; inf where it always grows."""
    # smallest positive root s of 1 + 3 k1 s + 5 k2 s^2, in the form that survives k2 = 0
    discriminant = 9.0 * k1 * k1 - 20.0 * k2
    if discriminant < 0.0:
        return math.inf
    denominator = -3.0 * k1 + math.sqrt(discriminant)
    return math.sqrt(2.0 / denominator) if denominator > 0.0 else math.inf


@numba.njit(cache=True)
def undistort_radius(k1: float, k2: float, d: float) -> float:
    """r >= 0 with r (1 + k1 r^2 + k2 r^4) = d below the fold of the distortion; NaN if none.

    Newton, kept inside a bracket: past the fold the same d has other roots.
    """
    if d <= 0.0:
        return 0.0
    low = 0.0
    high = fold_radius(k1, k2)
    if high < math.inf and high * (1.0 + high * high * (k1 + k2 * high * high)) < d:
        return math.nan
    r = min(d, high)
    for _ in range(100):
        s = r * r
        miss = r * (1.0 + s * (k1 + k2 * s)) - d
        slope = 1.0 + s * (3.0 * k1 + 5.0 * k2 * s)
        if miss < 0.0:
            low = r
        else:
            high = r
        following = r - miss / slope if slope > 0.0 else math.nan
        if not low <= following <= high:
            following = 0.5 * (low + high) if high < math.inf else 2.0 * r
        if abs(following - r) <= 1e-15 * (1.0 + r):
            return following
        r = following
    return r


@numba.njit(cache=True)
def ray_direction(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, u: float, v: float
) -> tuple[float, float, float]:
    """Unit direction in the world frame of the ray through pixel (u, v); NaN past the fold."""
    a = (u - cx) / f
    b = (v - cy) / f
    d = math.sqrt(a * a + b * b)
    if d > 0.0:
        scale = undistort_radius(k1, k2, d) / d
        a *= scale
        b *= scale
    norm = math.sqrt(a * a + b * b + 1.0)
    return (
        (R[0, 0] * a + R[1, 0] * b + R[2, 0]) / norm,
        (R[0, 1] * a + R[1, 1] * b + R[2, 1]) / norm,
        (R[0, 2] * a + R[1, 2] * b + R[2, 2]) / norm,
    )


@numba.njit(cache=True)
def ray_directions(
    f: float, cx: float, cy: float, k1: float, k2: float, R: FloatArray, uv: FloatArray
) -> FloatArray:
    """(n, 3) unit directions in the world frame of the rays through (n, 2) pixels."""
    n = uv.shape[0]
    out = np.empty((n, 3))
    for i in range(n):
        out[i, 0], out[i, 1], out[i, 2] = ray_direction(f, cx, cy, k1, k2, R, uv[i, 0], uv[i, 1])
    return out


@numba.njit(cache=True)
def solve_small(A: FloatArray, b: FloatArray, n: int) -> bool:
    """Solve a small positive definite system in place: the solution replaces b, A is spoilt."""
    for i in range(n):
        if not A[i, i] > 1e-14:
            return False
        for j in range(i + 1, n):
            m = A[j, i] / A[i, i]
            for k in range(i, n):
                A[j, k] -= m * A[i, k]
            b[j] -= m * b[i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= A[i, k] * b[k]
        b[i] /= A[i, i]
    return True


@numba.njit(cache=True)
def rotation(x: float, y: float, z: float, out: FloatArray) -> None:
    """Fill `out` (3, 3) with the rotation by the Rodrigues vector (x, y, z) [rad]."""
    q = x * x + y * y + z * z
    a = math.sqrt(q)
    s = math.sin(a) / a if a > 1e-8 else 1.0
    c = (1.0 - math.cos(a)) / q if a > 1e-4 else 0.5 - q / 24.0
    out[0, 0] = 1.0 - c * (y * y + z * z)
    out[1, 1] = 1.0 - c * (x * x + z * z)
    out[2, 2] = 1.0 - c * (x * x + y * y)
    out[0, 1], out[1, 0] = c * x * y - s * z, c * x * y + s * z
    out[0, 2], out[2, 0] = c * x * z + s * y, c * x * z - s * y
    out[1, 2], out[2, 1] = c * y * z - s * x, c * y * z + s * x


@numba.njit(cache=True)
def matrix_product(A: FloatArray, B: FloatArray) -> FloatArray:
    """(3, 3) product, without the start-up cost of a linear algebra library."""
    out = np.zeros((3, 3))
    for i in range(3):
        for j in range(3):
            for k in range(3):
                out[i, j] += A[i, k] * B[k, j]
    return out


@numba.njit(cache=True, nogil=True)
def robust_step(
    r: FloatArray, A: FloatArray, noise: FloatArray, prior: FloatArray, least: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """x of r = A x with Tukey's weights, its information, what is left, and the weights.

    noise (n,) variances; prior (k,) information about x = 0; least: smallest spread believed. The
    scale follows what is left; eight rounds settle it.
    """
    n, k = A.shape
    miss = r - np.median(r)
    weight = np.empty(n)
    info = np.empty((k, k))
    scaled = np.empty((k, k))
    size = np.empty(k)
    x = np.empty(k)
    for _ in range(8):
        spread = max(1.4826 * np.median(np.abs(miss)), least)
        info[:] = 0.0
        x[:] = 0.0
        for i in range(n):
            variance = noise[i] + spread * spread
            z2 = miss[i] * miss[i] / (16.0 * variance)
            weight[i] = (1.0 - z2) ** 2 / variance if z2 < 1.0 else 0.0
            for a in range(k):
                wa = weight[i] * A[i, a]
                x[a] += wa * r[i]
                for b in range(a + 1):
                    info[a, b] += wa * A[i, b]
        for a in range(k):
            for b in range(a):
                info[b, a] = info[a, b]
            size[a] = math.sqrt(info[a, a] + prior[a])
        for a in range(k):
            for b in range(k):
                scaled[a, b] = info[a, b] / (size[a] * size[b])
            scaled[a, a] += prior[a] / (size[a] * size[a])
            x[a] /= size[a]
        solve_small(scaled, x, k)
        x /= size
        for i in range(n):
            miss[i] = r[i]
            for a in range(k):
                miss[i] -= A[i, a] * x[a]
    return x, info, miss, weight
