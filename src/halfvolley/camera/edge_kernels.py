"""Where a white line lies across its own direction, to a fraction of a pixel; compiled.

A picture of a line, cut across, is modelled as three levels blurred by a Gaussian of width sigma:
outside a, line a + b, inside a + b - c, with the known width w of the line between the flanks:

    p(s) = a + b Phi((s - s0 + w/2) / sigma) - c Phi((s - s0 - w/2) / sigma)      (1)

s [px] grows towards the inside. Fitting both flanks at once with the width known takes the pull
away that thin lines and unequal levels have on single edges.
"""

import math

import numba
import numpy as np

from halfvolley.camera.kernels import solve_small
from halfvolley.types.arrays import ByteImage, FloatArray

STEP_PX = 0.5  # two samples a pixel: what bilinear sampling of one pixel supports


@numba.njit(cache=True)
def cut_across(
    luma: ByteImage, light: FloatArray, u: float, v: float, nx: float, ny: float,
    half_along: float, reach: float, out: FloatArray,
) -> bool:  # fmt: skip
    """Fill `out` (2 reach / STEP_PX + 1) with the light across (u, v), averaged along the line.

    False where the cut leaves the picture.
    """
    height, width = luma.shape
    n = out.shape[0]
    n_along = int(half_along)
    tx, ty = -ny, nx
    far_u = abs(nx) * reach + abs(tx) * n_along
    far_v = abs(ny) * reach + abs(ty) * n_along
    if not (u - far_u >= 0.0 and u + far_u < width - 1.0):
        return False
    if not (v - far_v >= 0.0 and v + far_v < height - 1.0):
        return False
    share = 1.0 / (2 * n_along + 1)
    for j in range(n):
        s = -reach + j * STEP_PX
        total = 0.0
        for i in range(-n_along, n_along + 1):
            x = u + s * nx + i * tx
            y = v + s * ny + i * ty
            x0 = int(x)
            y0 = int(y)
            dx = x - x0
            dy = y - y0
            top = light[luma[y0, x0]] * (1.0 - dx) + light[luma[y0, x0 + 1]] * dx
            low = light[luma[y0 + 1, x0]] * (1.0 - dx) + light[luma[y0 + 1, x0 + 1]] * dx
            total += top * (1.0 - dy) + low * dy
        out[j] = total * share
    return True


@numba.njit(cache=True)
def _coarse(
    profile: FloatArray, reach: float, search: float, w: float, sigma: float, margin: float,
    levels: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """Best s0 on the sample grid (NaN: none) and the share it explains; `levels` gets a, b, c.

    On the grid the pattern of (1) is the same at every s0: it and the normal matrix of a, b, c are
    made once, and each s0 costs three sums.
    """
    half = int((0.5 * w + margin) / STEP_PX)
    n = 2 * half + 1
    scale = 1.0 / (sigma * math.sqrt(2.0))
    g = np.empty((n, 2))
    A = np.zeros((3, 3))
    for k in range(n):
        s = (k - half) * STEP_PX
        g1 = 0.5 * (1.0 + math.erf((s + 0.5 * w) * scale))
        g2 = -0.5 * (1.0 + math.erf((s - 0.5 * w) * scale))
        g[k, 0], g[k, 1] = g1, g2
        A[0, 1] += g1
        A[0, 2] += g2
        A[1, 1] += g1 * g1
        A[1, 2] += g1 * g2
        A[2, 2] += g2 * g2
    A[0, 0] = n
    A[1, 0], A[2, 0], A[2, 1] = A[0, 1], A[0, 2], A[1, 2]
    inverse = np.empty((3, 3))
    for i in range(3):
        B = A.copy()
        for k in range(3):
            B[k, k] += 1e-9
            inverse[i, k] = 1.0 if i == k else 0.0
        if not solve_small(B, inverse[i], 3):
            return math.nan, 0.0
    stride = 1 if search <= 4.0 else 2
    steps = int(round(search / STEP_PX)) // stride  # noqa: RUF046
    middle = int(round(reach / STEP_PX))  # noqa: RUF046
    best = -1.0
    spread = 1.0
    found = math.nan
    for i in range(-steps, steps + 1):
        first = middle + i * stride - half
        if first < 0 or first + n > profile.shape[0]:
            continue
        r0 = r1 = r2 = square = 0.0
        for k in range(n):
            p = profile[first + k]
            square += p * p
            r0 += p
            r1 += g[k, 0] * p
            r2 += g[k, 1] * p
        a = inverse[0, 0] * r0 + inverse[0, 1] * r1 + inverse[0, 2] * r2
        b = inverse[1, 0] * r0 + inverse[1, 1] * r1 + inverse[1, 2] * r2
        c = inverse[2, 0] * r0 + inverse[2, 1] * r1 + inverse[2, 2] * r2
        # spread that the pattern explains beyond a constant
        gain = a * r0 + b * r1 + c * r2 - r0 * r0 / n
        if c > 0.0 and b > -0.5 * c and gain > best:
            best = gain
            spread = square - r0 * r0 / n
            found = i * stride * STEP_PX
            levels[0], levels[1], levels[2] = a, b, c
    return found, best / max(spread, 1e-12)


@numba.njit(cache=True)
def fit_cut(
    profile: FloatArray, reach: float, search: float, w: float, free_width: bool, sigma: float,
    levels: FloatArray,
) -> tuple[float, float, float]:  # fmt: skip
    """Place s0 [px] of the line in one cut, its sd [px] and the share of spread explained.

    `levels` receives a, b, c. s0 is NaN where no bright line with a darker inside is there. With
    `free_width`, w is only a start: the band of a net shows its upper side too.
    """
    margin = 2.0 * sigma + 1.5
    wide = 1.0
    start, share = _coarse(profile, reach, search, w, sigma, margin, levels)
    if free_width:
        other_levels = np.zeros(3)
        for times in (1.5, 2.2):
            other, other_share = _coarse(
                profile, reach, search, times * w, sigma, margin, other_levels
            )
            if other_share > share:
                start, share, wide = other, other_share, times
                levels[:] = other_levels
        w *= wide
    if math.isnan(start):
        return math.nan, math.nan, 0.0
    # Gauss-Newton on (s0, a, b, c, w), samples fixed around the coarse place
    s0 = start
    low = start - 0.5 * w - margin
    high = start + 0.5 * w + margin
    a, b, c = levels[0], levels[1], levels[2]
    scale = 1.0 / (sigma * math.sqrt(2.0))
    density = 1.0 / (sigma * math.sqrt(2.0 * math.pi))
    n_free = 5 if free_width else 4
    w_least = 0.3 * w / wide
    w_most = 2.5 * w / wide + 2.0
    A = np.zeros((n_free, n_free))
    rhs = np.zeros(n_free)
    row = np.zeros(5)
    settled = False
    for iteration in range(8):
        A[:, :] = 0.0
        rhs[:] = 0.0
        sse = 0.0
        total = 0.0
        square = 0.0
        n = 0
        for j in range(profile.shape[0]):
            s = -reach + j * STEP_PX
            if s < low or s > high:
                continue
            z1 = (s - s0 + 0.5 * w) * scale
            z2 = (s - s0 - 0.5 * w) * scale
            g1 = 0.5 * (1.0 + math.erf(z1))
            g2 = 0.5 * (1.0 + math.erf(z2))
            p = profile[j]
            r = p - (a + b * g1 - c * g2)
            d1 = b * density * math.exp(-z1 * z1)
            d2 = c * density * math.exp(-z2 * z2)
            row[0] = d2 - d1
            row[1] = 1.0
            row[2] = g1
            row[3] = -g2
            row[4] = 0.5 * (d1 + d2)
            for k in range(n_free):
                for m in range(k, n_free):
                    A[k, m] += row[k] * row[m]
                rhs[k] += row[k] * r
            sse += r * r
            total += p
            square += p * p
            n += 1
        for k in range(n_free):
            for m in range(k):
                A[k, m] = A[m, k]
            A[k, k] += 1e-9
        if free_width:
            # a thin band trades width for brightness: a mild pull to the start
            A[4, 4] += 0.02 * (b * b + c * c) * density
        if iteration == 7 or settled:
            break
        if not solve_small(A, rhs, n_free):
            return math.nan, math.nan, 0.0
        move = min(max(rhs[0], -0.5), 0.5)
        s0 += move
        a += rhs[1]
        b += rhs[2]
        c += rhs[3]
        if free_width:
            w = min(max(w + min(max(rhs[4], -0.5), 0.5), w_least), w_most)
        settled = abs(move) < 2e-3
        if abs(s0 - start) > 2.0:
            return math.nan, math.nan, 0.0
    levels[0], levels[1], levels[2] = a, b, c
    # what s0 keeps when the others are free: Schur complement of the lower block
    B = A[1:, 1:].copy()
    x = A[1:, 0].copy()
    if not c > 0.0 or not solve_small(B, x, n_free - 1):
        return math.nan, math.nan, 0.0
    information = A[0, 0]
    for k in range(1, n_free):
        information -= A[0, k] * x[k - 1]
    if not information > 0.0:
        return math.nan, math.nan, 0.0
    # samples at half pixels share pixels: half as many independent ones
    sd = math.sqrt(2.0 * sse / max(n - n_free, 1) / information)
    return s0, sd, 1.0 - sse / max(square - total * total / n, 1e-12)


@numba.njit(cache=True, nogil=True)  # beside it another thread searches
def measure_cuts(
    luma: ByteImage, light: FloatArray, uv: FloatArray, normal: FloatArray, width: FloatArray,
    free_width: bool, half_along: float, search: float, sigma: float,
) -> FloatArray:  # fmt: skip
    """(n, 6): place s0 [px], its sd [px], share explained, levels a, b, c, for n cuts.

    uv (n, 2) where the model has the line, normal (n, 2) unit, towards the inside, width (n,) of
    the line along the normal [px]. NaN where nothing was found.
    """
    n = uv.shape[0]
    out = np.full((n, 6), math.nan)
    levels = np.zeros(3)
    for i in range(n):
        w = width[i]
        most = 2.2 * w if free_width else w
        reach = math.ceil(search + 0.5 * most + 2.0 * sigma + 2.0)
        profile = np.empty(int(2 * reach / STEP_PX) + 1)
        if not cut_across(
            luma, light, uv[i, 0], uv[i, 1], normal[i, 0], normal[i, 1], half_along, reach, profile
        ):
            continue
        s0, sd, share = fit_cut(profile, reach, search, w, free_width, sigma, levels)
        out[i, 0] = s0
        out[i, 1] = sd
        out[i, 2] = share
        out[i, 3] = levels[0]
        out[i, 4] = levels[1]
        out[i, 5] = levels[2]
    return out
