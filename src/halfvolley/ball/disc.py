"""The image of a moving ball: a soft disc swept along a straight line, fitted to pixels.

Symbols. (u, v) centre of the streak, r radius, (sx, sy) travel of the centre during the exposure,
rho_k distance of a pixel to the k-th of n places along the travel, w edge blur (sd):

    alpha = 1/n sum_k Phi((r - rho_k) / w)                                                     (1)

    luma  = (1 - alpha) background + alpha (c0 + cx x + cy y + cz z)                            (2)

with x, y = (pixel - centre) / r and z = sqrt(1 - x^2 - y^2) the parts of a sphere's normal, so that
a lit sphere, bright above and dark beneath, does not pull the centre towards its bright side.
Chroma follows the same alpha with the shading that luma found, on its own half-size grid.
"""

import math

import numpy as np
from numba import njit

from halfvolley.types.arrays import ByteImage, FloatArray, IntArray

# rows of the result of `fit_disc`
U, V, R, STREAK_X, STREAK_Y, COV, QUALITY, CONTRAST, NOISE, LUMA, CB, CR, OUTSIDE, SNR, SHADE, N_REF = (
    0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17,
)  # fmt: skip
RESULT_COLUMNS = 18

MAX_SIDE = 220  # longest side of a window [px]
PARAMETERS = 11  # u, v, r, sx, sy, c0, cx, cy, cz, cb, cr
STEPS = 9


@njit(cache=True, nogil=True)
def _phi_table(n: int) -> FloatArray:
    """Phi and phi at -3.5 .. 3.5 in n steps."""
    table = np.empty((n + 2, 2))
    for k in range(n + 2):
        x = -3.5 + 7.0 * k / n
        table[k, 0] = 0.5 * math.erfc(-x / math.sqrt(2.0))
        table[k, 1] = math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    return table


_TABLE_STEPS = 512
_TABLE = _phi_table(_TABLE_STEPS)


@njit(cache=True, nogil=True)
def swept_disc(x, y, u, v, r, sx, sy, w, n, table, d):  # type: ignore[no-untyped-def]
    """Equation (1) at one pixel; `d` takes the derivatives by u, v, r, sx, sy."""
    alpha = 0.0
    d[0] = 0.0
    d[1] = 0.0
    d[2] = 0.0
    d[3] = 0.0
    d[4] = 0.0
    far = r + 3.5 * w
    near = r - 3.5 * w
    scale = (len(table) - 2) / 7.0
    for k in range(n):
        tau = (k + 0.5) / n - 0.5
        dx = x - u - tau * sx
        dy = y - v - tau * sy
        q = dx * dx + dy * dy
        if q >= far * far:
            continue
        if near > 0.0 and q <= near * near:
            alpha += 1.0
            continue
        rho = math.sqrt(q)
        t = ((r - rho) / w + 3.5) * scale
        t = min(max(t, 0.0), len(table) - 2.001)
        i = int(t)
        f = t - i
        alpha += table[i, 0] + f * (table[i + 1, 0] - table[i, 0])
        g = (table[i, 1] + f * (table[i + 1, 1] - table[i, 1])) / w
        d[2] += g
        if rho > 1e-6:
            gx = g * dx / rho
            gy = g * dy / rho
            d[0] += gx
            d[1] += gy
            d[3] += tau * gx
            d[4] += tau * gy
    for k in range(5):
        d[k] /= n
    return alpha / n


@njit(cache=True, nogil=True)
def _solve(a, b, n):  # type: ignore[no-untyped-def]
    """Solve a x = b in place by Cholesky; False where a is not positive definite."""
    for j in range(n):
        s = a[j, j]
        for k in range(j):
            s -= a[j, k] * a[j, k]
        if s <= 1e-12:
            return False
        a[j, j] = math.sqrt(s)
        for i in range(j + 1, n):
            t = a[i, j]
            for k in range(j):
                t -= a[i, k] * a[j, k]
            a[i, j] = t / a[j, j]
    for i in range(n):
        t = b[i]
        for k in range(i):
            t -= a[i, k] * b[k]
        b[i] = t / a[i, i]
    for i in range(n - 1, -1, -1):
        t = b[i]
        for k in range(i + 1, n):
            t -= a[k, i] * b[k]
        b[i] = t / a[i, i]
    return True


@njit(cache=True, nogil=True)
def _along(x, y, u, v, sx, sy):  # type: ignore[no-untyped-def]
    """Distance of a pixel to the segment that the centre travels."""
    q = sx * sx + sy * sy
    t = 0.0
    if q > 1e-9:
        t = ((x - u) * sx + (y - v) * sy) / q
        t = min(max(t, -0.5), 0.5)
    dx = x - u - t * sx
    dy = y - v - t * sy
    return math.sqrt(dx * dx + dy * dy)


@njit(cache=True, nogil=True)
def _choose_references(  # type: ignore[no-untyped-def]
    ring_y,
    ring_cb,
    ring_cr,
    gain,
    black,
    slot,
    others,
    u,
    v,
    r,
    sx,
    sy,
    x0,
    x1,
    y0,
    y1,
    most,
    chosen,
):
    """Pick the frames in which the spot is empty and its surroundings look the same."""
    n = len(others)
    inside = np.zeros(n)
    outside = np.zeros(n)
    n_in = 0
    n_out = 0
    step = 1 if (x1 - x0) * (y1 - y0) < 900 else 2
    for y in range(y0, y1 + 1, step):
        for x in range(x0, x1 + 1, step):
            rho = _along(x, y, u, v, sx, sy)
            if rho <= 0.8 * r:
                n_in += 1
            elif rho > r + 2.5:
                n_out += 1
            else:
                continue
            t = float(ring_y[slot, y, x])
            b = float(ring_cb[slot, y >> 1, x >> 1])
            c = float(ring_cr[slot, y >> 1, x >> 1])
            g = gain[slot, y >> 1]
            for k in range(n):
                o = others[k]
                m = abs(t - black - (ring_y[o, y, x] - black) * g / gain[o, y >> 1])
                m += 1.5 * abs(b - ring_cb[o, y >> 1, x >> 1])
                m += 1.5 * abs(c - ring_cr[o, y >> 1, x >> 1])
                if rho <= 0.8 * r:
                    inside[k] += m
                else:
                    outside[k] += m
    if n_in == 0 or n_out == 0:
        return 0
    top = 0.0
    for k in range(n):
        inside[k] /= n_in
        outside[k] /= n_out
        top = max(top, inside[k] - outside[k])
    count = 0
    while count < most:
        best = -1
        for k in range(n):
            if inside[k] - outside[k] < 0.7 * top or outside[k] < 0.0:
                continue
            if best < 0 or outside[k] < outside[best]:
                best = k
        if best < 0:
            break
        chosen[count] = others[best]
        outside[best] = -1.0
        count += 1
    return count


@njit(cache=True, nogil=True)
def _median(a, n):  # type: ignore[no-untyped-def]
    for i in range(1, n):
        t = a[i]
        j = i - 1
        while j >= 0 and a[j] > t:
            a[j + 1] = a[j]
            j -= 1
        a[j + 1] = t
    return a[n // 2] if n % 2 else 0.5 * (a[n // 2 - 1] + a[n // 2])


@njit(cache=True, nogil=True)
def _background(ring, gain, black, slot, chosen, count, x0, x1, y0, y1, shift, out):  # type: ignore[no-untyped-def]
    values = np.empty(8)
    for y in range(y0, y1 + 1):
        row = y >> shift
        for x in range(x0, x1 + 1):
            for k in range(count):
                o = chosen[k]
                values[k] = black + (ring[o, y, x] - black) * gain[slot, row] / gain[o, row]
            out[y - y0, x - x0] = _median(values, count)


@njit(cache=True, nogil=True)
def _outer_noise(ring, slot, back, x0, x1, y0, y1, size, off, u, v, r, sx, sy):  # type: ignore[no-untyped-def]
    """Median absolute difference from the background around the streak."""
    values = np.empty((x1 - x0 + 1) * (y1 - y0 + 1))
    n = 0
    for y in range(y0, y1 + 1):
        for x in range(x0, x1 + 1):
            if _along(x * size, y * size + off, u, v, sx, sy) > r + 2.5:
                values[n] = abs(float(ring[slot, y, x]) - back[y - y0, x - x0])
                n += 1
    if n < 4:
        return 20.0
    return float(np.median(values[:n]))


@njit(cache=True, nogil=True)
def fit_disc(
    ring_y: ByteImage, ring_cb: ByteImage, ring_cr: ByteImage, gain: FloatArray, one: FloatArray,
    black: float, slot: int, others: IntArray, start: FloatArray, blur: float, prior_r: FloatArray,
    longest: float, table: FloatArray, out: FloatArray,
) -> bool:  # fmt: skip
    """Fit equations (1) and (2) to one spot; False where nothing could be fitted.

    `ring_*` hold whole pictures, `gain` their brightness by half-size row, `others` the slots that
    may serve as background. `start` is u, v, r, sx, sy. `prior_r` is the plausible radius and its
    sd. `out` is laid out by the names at the top of this file.
    """
    height, width = ring_y.shape[1:]
    p = start.copy()
    r = p[2]
    margin = 1.25 * r + 5.0
    x0 = int(max(0.0, math.floor(p[0] - abs(p[3]) / 2 - margin)))
    x1 = int(min(width - 1.0, math.ceil(p[0] + abs(p[3]) / 2 + margin)))
    y0 = int(max(0.0, math.floor(p[1] - abs(p[4]) / 2 - margin)))
    y1 = int(min(height - 1.0, math.ceil(p[1] + abs(p[4]) / 2 + margin)))
    if x1 - x0 < 6 or y1 - y0 < 6 or x1 - x0 >= MAX_SIDE or y1 - y0 >= MAX_SIDE:
        return False
    chosen = np.empty(8, np.int64)
    count = _choose_references(
        ring_y, ring_cb, ring_cr, gain, black, slot, others, p[0], p[1], r, p[3], p[4],
        x0, x1, y0, y1, 5, chosen,
    )  # fmt: skip
    if count == 0:
        return False
    back = np.empty((y1 - y0 + 1, x1 - x0 + 1))
    _background(ring_y, gain, black, slot, chosen, count, x0, x1, y0, y1, 1, back)
    ch, cw = ring_cb.shape[1:]
    cx0, cx1 = x0 // 2, min(x1 // 2, cw - 1)
    cy0, cy1 = y0 // 2, min(y1 // 2, ch - 1)
    back_b = np.empty((cy1 - cy0 + 1, cx1 - cx0 + 1))
    back_r = np.empty((cy1 - cy0 + 1, cx1 - cx0 + 1))
    _background(ring_cb, one, 0.0, slot, chosen, count, cx0, cx1, cy0, cy1, 0, back_b)
    _background(ring_cr, one, 0.0, slot, chosen, count, cx0, cx1, cy0, cy1, 0, back_r)

    args = (p[0], p[1], r, p[3], p[4])
    mad = _outer_noise(ring_y, slot, back, x0, x1, y0, y1, 1.0, 0.0, *args)
    mad_b = _outer_noise(ring_cb, slot, back_b, cx0, cx1, cy0, cy1, 2.0, 0.5, *args)
    mad_r = _outer_noise(ring_cr, slot, back_r, cx0, cx1, cy0, cy1, 2.0, 0.5, *args)
    sd = max(1.4826 * mad, 1.5)
    sd_b = max(1.4826 * mad_b, 1.0)
    sd_r = max(1.4826 * mad_r, 1.0)

    blur_c = math.sqrt(blur * blur + 0.35)
    normal = np.zeros((PARAMETERS, PARAMETERS))
    kept = np.zeros((PARAMETERS, PARAMETERS))
    grad = np.zeros(PARAMETERS)
    work = np.zeros((PARAMETERS, PARAMETERS))
    step = np.zeros(PARAMETERS)
    d = np.zeros(5)
    jac = np.zeros(PARAMETERS)
    theta = np.zeros(PARAMETERS)
    theta[:5] = p
    level = 0.0
    n_core = 0
    for y in range(y0, y1 + 1):
        for x in range(x0, x1 + 1):
            if _along(x, y, p[0], p[1], p[3], p[4]) < 0.7 * r:
                level += ring_y[slot, y, x]
                n_core += 1
    theta[5] = level / n_core if n_core else 128.0
    theta[9] = 128.0
    theta[10] = 128.0
    old = theta.copy()
    damping = 1e-2
    best = 1e300
    # the first pass finds the colours only; each pass measures the cost of what the last proposed
    total = 0.0
    explained = 0.0
    for it in range(STEPS):
        normal[:] = 0.0
        grad[:] = 0.0
        cost = 0.0
        total = 0.0
        left = 0.0
        n_used = 0
        u, v, r, sx, sy = theta[0], theta[1], theta[2], theta[3], theta[4]
        n_sweep = int(min(40.0, max(3.0, math.hypot(sx, sy) / 1.5 + 2.0)))
        limit = r + 3.0
        base = max(theta[5] + 0.6 * theta[8] - black, 8.0)
        for plane in range(3):
            if plane == 0:
                px0, px1, py0, py1 = x0, x1, y0, y1
                s_n, w = sd, blur
            else:
                px0, px1, py0, py1 = cx0, cx1, cy0, cy1
                s_n, w = (sd_b if plane == 1 else sd_r), blur_c
            for yi in range(py0, py1 + 1):
                for xi in range(px0, px1 + 1):
                    if plane == 0:
                        x, y = float(xi), float(yi)
                    else:
                        x, y = 2.0 * xi, 2.0 * yi + 0.5
                    rho = _along(x, y, u, v, sx, sy)
                    if rho > limit + 1.0:
                        continue
                    alpha = swept_disc(x, y, u, v, r, sx, sy, w, n_sweep, table, d)
                    nx = (x - u) / r
                    ny = (y - v) / r
                    q = math.hypot(nx, ny)
                    if q > 1.0:
                        nx /= q
                        ny /= q
                    nz = math.sqrt(max(0.0, 1.0 - nx * nx - ny * ny))
                    shade = theta[5] + theta[6] * nx + theta[7] * ny + theta[8] * nz
                    jac[:] = 0.0
                    if plane == 0:
                        seen = float(ring_y[slot, yi, xi])
                        b = back[yi - y0, xi - x0]
                        colour = shade
                        jac[5] = alpha
                        jac[6] = alpha * nx
                        jac[7] = alpha * ny
                        jac[8] = alpha * nz
                    else:
                        light = min(max((shade - black) / base, 0.3), 1.7)
                        if plane == 1:
                            seen = float(ring_cb[slot, yi, xi])
                            b = back_b[yi - cy0, xi - cx0]
                        else:
                            seen = float(ring_cr[slot, yi, xi])
                            b = back_r[yi - cy0, xi - cx0]
                        k = 8 + plane
                        colour = 128.0 + (theta[k] - 128.0) * light
                        jac[k] = alpha * light
                    res = seen - b - alpha * (colour - b)
                    for k in range(5):
                        jac[k] = d[k] * (colour - b)
                    z2 = (res / s_n) ** 2
                    # Cauchy weight: shadow, net and limbs next to the ball must not pull
                    soft = 9.0 + 0.02 * ((colour - b) / s_n) ** 2
                    weight = 1.0 / (1.0 + z2 / soft)
                    cost += soft * math.log1p(z2 / soft)
                    f = weight / (s_n * s_n)
                    if plane > 0:
                        f *= 0.5  # upsampled and coded chroma repeats itself
                    for a in range(PARAMETERS):
                        if jac[a] == 0.0:
                            continue
                        grad[a] += f * jac[a] * res
                        for c in range(a + 1):
                            normal[a, c] += f * jac[a] * jac[c]
                    total += ((seen - b) / s_n) ** 2
                    left += z2
                    n_used += 1
        # priors: the radius where the camera told it; shading stays within what a lit sphere shows
        f = 1.0 / (prior_r[1] * prior_r[1])
        normal[2, 2] += f
        grad[2] += f * (prior_r[0] - theta[2])
        cost += f * (prior_r[0] - theta[2]) ** 2
        depth = 0.35 * base
        for k in range(6, 9):
            f = 1.0 / (depth * depth)
            normal[k, k] += f
            grad[k] -= f * theta[k]
            cost += f * theta[k] ** 2
        for k in range(3, 5):
            normal[k, k] += 1.0 / (longest * longest)
            grad[k] -= theta[k] / (longest * longest)
        normal[9, 9] += 1e-4
        normal[10, 10] += 1e-4
        if it <= 1 or cost <= best:
            best = cost
            old[:] = theta
            kept[:] = normal
            explained = 1.0 - left / max(total, 1e-9)
            out[SNR] = math.sqrt(max(total, 0.0) / max(n_used, 1))
            out[OUTSIDE] = math.sqrt(left / max(n_used, 1))
            damping *= 0.3
        else:
            theta[:] = old
            normal[:] = kept
            damping *= 10.0
            if damping > 1e3:
                break
            # the gradient of the kept place is gone: shorten the last step instead
            for k in range(PARAMETERS):
                step[k] *= 0.3
                theta[k] += step[k]
            continue
        if it == STEPS - 1:
            break
        for a in range(PARAMETERS):
            for c in range(a + 1):
                work[a, c] = normal[a, c]
            step[a] = grad[a]
            if a < 5:
                work[a, a] += damping * normal[a, a] + 1e-6
                if it == 0:
                    work[a, a] += 1e9
        if not _solve(work, step, PARAMETERS):
            return False
        big = max(abs(step[0]), abs(step[1])) / (0.6 * r + 0.5)
        big = max(big, abs(step[2]) / (0.35 * r))
        big = max(big, max(abs(step[3]), abs(step[4])) / (r + 2.0))
        if big > 1.0:
            for k in range(PARAMETERS):
                step[k] /= big
        theta += step
        theta[2] = max(theta[2], 1.0)
        small = max(abs(step[0]), abs(step[1]), abs(step[2]))
        if it > 1 and small < 0.01 and max(abs(step[3]), abs(step[4])) < 0.05:
            break
    theta[:] = old
    # covariance of u, v from the whole normal matrix
    for c in range(2):
        for a in range(PARAMETERS):
            for k in range(a + 1):
                work[a, k] = kept[a, k]
            work[a, a] += 1e-9
            step[a] = 0.0
        step[c] = 1.0
        if not _solve(work, step, PARAMETERS):
            return False
        if c == 0:
            out[COV] = step[0]
            out[COV + 1] = step[1]
        else:
            out[COV + 2] = step[1]
    out[U:COV] = theta[:5]
    out[QUALITY] = explained
    out[NOISE] = sd
    out[LUMA] = theta[5] + 0.6 * theta[8]
    out[CB] = theta[9]
    out[CR] = theta[10]
    centre_b = back[
        min(max(int(round(theta[1])) - y0, 0), y1 - y0),
        min(max(int(round(theta[0])) - x0, 0), x1 - x0),
    ]
    out[CONTRAST] = out[LUMA] - centre_b
    out[SHADE] = math.hypot(theta[6], theta[7])
    out[N_REF] = count
    return (
        x0 - 2 < theta[0] < x1 + 2
        and y0 - 2 < theta[1] < y1 + 2
        and math.hypot(theta[3], theta[4]) < 1.5 * longest
    )
