"""The image of a moving ball: a soft disc swept along a straight line, held against pixels.

Symbols. (u, v) centre of the streak, r radius, (sx, sy) travel of the centre during the exposure,
rho_k distance of a pixel to the k-th of n places along the travel, w edge blur (sd), B background:

    alpha = 1/n sum_k S((r - rho_k) / w)                                                       (1)

    luma^2 = (1 - alpha) B^2 + alpha (c0 + cx x + cy y + cz z)                                  (2)

    chroma = (1 - alpha) B + alpha (128 + k light)                                              (3)

S is the integral of the triweight kernel, 35/32 (1 - t^2)^3, at unit variance. Light adds up before
the camera bends it into code values, and the usual curve is close to a square root; so the squares
of luma (above black) mix, and a bright ball does not seem larger and higher than it is. x, y =
(pixel - centre) / r and z = sqrt(1 - x^2 - y^2) are the parts of a sphere's normal: a lit sphere,
bright above and dark beneath, has exactly these four terms where all of it sees the lamps. `light`
is the square root of that shading, 1 at c0. Chroma lies on its own half-size grid, at 2 i + q with
a q that is 0 or 1/2 by the maker of the file and is fitted along.

The loops are short and free of branches, so that the compiler makes vectors of them.
"""

import math

import numpy as np
from numba import njit

# the parameters, in this order; shading and light are of squared luma, cb and cr above 128
U, V, R, STREAK_X, STREAK_Y, LIGHT, SHADE_X, SHADE_Y, SHADE_Z, BLUR, CB, CR, SITE = range(13)
PARAMETERS = 13
# rows of the pixels: place, what is seen, what is there without the ball, distance from the travel
X, Y, SEEN, BACK, RHO = range(5)
PIXEL_ROWS = 5
# rows of the cover: equation (1), its derivatives, and room for work
ALPHA, D_U, D_V, D_R, D_STREAK_X, D_STREAK_Y, D_BLUR, WORK_A, WORK_B = range(9)
COVER_ROWS = 9
# rows of the comparison: derivatives by the parameters, what is left, its weight, and room
LEFT, WEIGHT, WORK_C = PARAMETERS, PARAMETERS + 1, PARAMETERS + 2
COMPARED_ROWS = PARAMETERS + 3
# sums over the pixels of the ball in units of noise, and over those outside it
CHANGE2, REST2, COUNT, WEIGHTED2, WEIGHTS, OUTSIDE_CHANGE2, OUTSIDE_COUNT = range(7)
SUMS = 7

_LUMA_KNOWS = np.array([U, V, R, STREAK_X, STREAK_Y, LIGHT, SHADE_X, SHADE_Y, SHADE_Z, BLUR])
_CB_KNOWS = np.array([U, V, R, STREAK_X, STREAK_Y, BLUR, CB, SITE])
_CR_KNOWS = np.array([U, V, R, STREAK_X, STREAK_Y, BLUR, CR, SITE])
_INFORMATION = 1.0 / 25.0  # of a pixel: coding misfits in patches, not pixel by pixel
_CHROMA_SHARE = 0.5  # of that: coded chroma repeats itself
_OWN_BLUR = 0.3  # [px^2] that chroma's larger pixels add
_APART_PX = 1.6  # of the places along the travel
_MOST_PLACES = 48
_ON_BALL = 0.02  # least alpha of a pixel of the ball

# error_model: no check for division by zero in the loops; all divisors are kept above zero
compiled = njit(cache=True, nogil=True, error_model="numpy", fastmath=True)
exactly = njit(cache=True, nogil=True, error_model="numpy")  # where NaN has a meaning

# numbers of single precision stay so: twice as many fit into a vector
_F = np.float32
_0, _HALF, _1, _3, _TINY = _F(0.0), _F(0.5), _F(1.0), _F(3.0), _F(1e-9)
_PEAK, _SIX_TENTHS, _SEVENTH = _F(35.0 / 32.0), _F(0.6), _F(1.0 / 7.0)


@compiled
def _row(a, row, first, last):  # type: ignore[no-untyped-def]
    """Part of a row; sliced after it is taken, so that it is known to lie in one piece."""
    return a[row][first:last]


@compiled
def cover_of(pixels, first, last, at, r, sx, sy, w, cover):  # type: ignore[no-untyped-def]
    """Write equation (1) and its derivatives by u, v, r, sx, sy, w, at pixels first to last.

    `at` is the centre (u, v).
    """
    x, y = _row(pixels, X, first, last), _row(pixels, Y, first, last)
    u, v = at
    n = int(min(_MOST_PLACES, max(3.0, math.hypot(sx, sy) / _APART_PX + 2.0)))
    share = _1 / _F(n)
    reach = _1 / (_3 * _F(w))  # the kernel of unit variance ends at 3
    alpha, d_r = _row(cover, ALPHA, first, last), _row(cover, D_R, first, last)
    d_u, d_v = _row(cover, D_U, first, last), _row(cover, D_V, first, last)
    d_sx, d_sy = _row(cover, D_STREAK_X, first, last), _row(cover, D_STREAK_Y, first, last)
    d_w = _row(cover, D_BLUR, first, last)
    rho, slope = _row(cover, WORK_A, first, last), _row(cover, WORK_B, first, last)
    cover[:WORK_A, first:last] = _0
    for k in range(n):
        tau = (_F(k) + _HALF) * share - _HALF
        cu = _F(u) + tau * _F(sx)
        cv = _F(v) + tau * _F(sy)
        for i in range(len(x)):
            dx = x[i] - cu
            dy = y[i] - cv
            rho[i] = math.sqrt(dx * dx + dy * dy + _TINY)
        for i in range(len(x)):
            t = min(max((_F(r) - rho[i]) * reach, -_1), _1)
            q = t * t
            alpha[i] += share * (
                _HALF + _PEAK * t * (_1 - q * (_1 - q * (_SIX_TENTHS - q * _SEVENTH)))
            )
        for i in range(len(x)):
            t = min(max((_F(r) - rho[i]) * reach, -_1), _1)
            q = _1 - t * t
            s = _PEAK * share * reach * q * q * q
            d_r[i] += s
            d_w[i] -= s * t * _3
            slope[i] = s / rho[i]
        for i in range(len(x)):
            s = slope[i] * (x[i] - cu)
            d_u[i] += s
            d_sx[i] += tau * s
        for i in range(len(x)):
            s = slope[i] * (y[i] - cv)
            d_v[i] += s
            d_sy[i] += tau * s


@compiled
def _compare(pixels, cover, first, last, plane, at, theta, chain, noise, trust, out, sums):  # type: ignore[no-untyped-def]
    """Hold the pixels of a plane against equation (2) or (3); return the robust cost.

    `at` is the centre on the grid of the plane, `chain` the derivative of its blur by that of luma.
    """
    u, v = at
    c0, cx, cy, cz = theta[LIGHT], theta[SHADE_X], theta[SHADE_Y], theta[SHADE_Z]
    length = math.hypot(theta[STREAK_X], theta[STREAK_Y])
    ex = theta[STREAK_X] / max(length, 1e-9)
    ey = theta[STREAK_Y] / max(length, 1e-9)
    inv_r = 1.0 / theta[R]
    # along the sweep the shading is stretched over disc and travel
    stretch = 1.0 - 1.0 / (1.0 + 0.5 * length * inv_r)
    level = 1.0 / max(c0, 100.0)
    cost = 0.0
    for i in range(first, last):
        nx = (pixels[X, i] - u) * inv_r
        ny = (pixels[Y, i] - v) * inv_r
        along = (nx * ex + ny * ey) * stretch
        nx -= along * ex
        ny -= along * ey
        q = nx * nx + ny * ny
        edge = 1.0 / math.sqrt(max(q, 1.0))
        nx *= edge
        ny *= edge
        nz = math.sqrt(max(1.0 - q, 0.0)) - 0.6
        shade = c0 + cx * nx + cy * ny + cz * nz
        seen = pixels[SEEN, i] * 1.0
        back = pixels[BACK, i] * 1.0
        alpha = cover[ALPHA, i]
        if plane == 0:
            # squares mix; a step of one code value is 2 luma steps of the square
            inv = 1.0 / (noise * max(seen + back, 50.0))
            change = seen * seen - back * back
            gap = shade - back * back
            out[LIGHT, i] = alpha
            out[SHADE_X, i] = alpha * nx
            out[SHADE_Y, i] = alpha * ny
            out[SHADE_Z, i] = alpha * nz
        else:
            inv = 1.0 / noise
            light = math.sqrt(min(max(shade * level, 0.05), 3.0))
            change = seen - back
            gap = 128.0 + theta[BLUR + plane] * light - back
            out[BLUR + plane, i] = alpha * light
            out[SITE, i] = -cover[D_U, i] * gap
        out[U, i] = cover[D_U, i] * gap
        out[V, i] = cover[D_V, i] * gap
        out[R, i] = cover[D_R, i] * gap
        out[STREAK_X, i] = cover[D_STREAK_X, i] * gap
        out[STREAK_Y, i] = cover[D_STREAK_Y, i] * gap
        out[BLUR, i] = cover[D_BLUR, i] * gap * chain
        left = change - alpha * gap
        inv *= inv
        rest = left * left * inv
        # shadow, net and limbs next to the ball must not pull: far misfits lose their weight
        soft = 25.0 + trust * gap * gap * inv
        weight = soft / (soft + rest)
        cost += rest * weight
        weight *= weight
        out[LEFT, i] = left
        out[WEIGHT, i] = weight * inv
        if alpha > _ON_BALL:
            sums[CHANGE2] += change * change * inv
            sums[REST2] += rest
            sums[COUNT] += 1.0
            sums[WEIGHTED2] += weight * rest
            sums[WEIGHTS] += weight
        else:
            sums[OUTSIDE_CHANGE2] += change * change * inv
            sums[OUTSIDE_COUNT] += 1.0
    return cost


@compiled
def _add_normal(compared, first, last, known, share, normal, grad):  # type: ignore[no-untyped-def]
    """Add J^T W J, its lower half, and J^T W left, of the parameters that a plane knows of."""
    weight, left = _row(compared, WEIGHT, first, last), _row(compared, LEFT, first, last)
    room = _row(compared, WORK_C, first, last)
    for a in known:
        row = _row(compared, a, first, last)
        total = 0.0
        for i in range(len(room)):
            room[i] = share * weight[i] * row[i]
        for i in range(len(room)):
            total += room[i] * left[i]
        grad[a] += total
        for c in known:
            if c > a:
                break
            other = _row(compared, c, first, last)
            total = 0.0
            for i in range(len(room)):
                total += room[i] * other[i]
            normal[a, c] += total


@compiled
def build(pixels, ends, theta, noise, trust, cover, compared, normal, grad, sums):  # type: ignore[no-untyped-def]
    """Normal matrix (lower half), gradient and robust cost of the pixels at `theta`.

    `pixels` (PIXEL_ROWS, m) float32 holds luma above black, then cb, then cr, which stop at the
    three `ends`; `noise` is the sd of each plane; `trust` how far a misfit may go before it loses
    its weight, in gaps between ball and background. `cover` (COVER_ROWS, m) float32 and `compared`
    (COMPARED_ROWS, m) are room for work; `sums` (SUMS,) is filled.
    """
    normal[:] = 0.0
    grad[:] = 0.0
    sums[:] = 0.0
    cost = 0.0
    softer = math.sqrt(theta[BLUR] ** 2 + _OWN_BLUR)
    first = 0
    for plane in range(3):
        last = ends[plane]
        at = (theta[U] - (theta[SITE] if plane else 0.0), theta[V])
        blur = softer if plane else theta[BLUR]
        cover_of(
            pixels, first, last, at, theta[R], theta[STREAK_X], theta[STREAK_Y], blur, cover
        )  # fmt: skip
        share = _INFORMATION * (_CHROMA_SHARE if plane else 1.0)
        chain = theta[BLUR] / blur
        cost += share * _compare(
            pixels, cover, first, last, plane, at, theta, chain, noise[plane], trust, compared, sums
        )  # fmt: skip
        known = _LUMA_KNOWS if plane == 0 else (_CB_KNOWS if plane == 1 else _CR_KNOWS)
        _add_normal(compared, first, last, known, share, normal, grad)
        first = last
    return cost
