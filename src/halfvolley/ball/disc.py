"""Fitting the image of a moving ball (see `swept`) to a spot: background, pixels, descent."""

import math

import numpy as np

from halfvolley.ball import swept
from halfvolley.ball.swept import (
    BACK,
    BLUR,
    LIGHT,
    PARAMETERS,
    RHO,
    SEEN,
    SHADE_X,
    SHADE_Z,
    X,
    Y,
    compiled,
)
from halfvolley.types.arrays import ByteImage, FloatArray, IntArray

# the columns of a result: the parameters, their sds, and these
SD, COV_UV, QUALITY, NOISE, MISFIT, SNR, OUTSIDE, CONTRAST = 13, 26, 27, 28, 29, 30, 31, 32
RESULT_COLUMNS = 33

MAX_SIDE = 400  # longest side of a window [px]
_TIGHT = 0.15  # share of the prior sds on the second try: beside a hand a free fit runs away
_SMALLEST_BLUR = 0.3  # [px] what the area of a pixel alone does
_HOPELESS = 0.85  # share of the change that a coarse fit still leaves when it is given up
_FINE_STEPS = 5
_COARSE_STEPS = 4
_COARSE_PIXELS = 130.0  # luma pixels taken; a larger spot is read on a wider lattice
_FINE_PIXELS = 480.0
_MOST_REFERENCES = 5
_REFERENCE_PIXELS = 160.0  # looked at to choose them


@compiled
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
    _substitute(a, b, n)
    return True


@compiled
def _substitute(a, b, n):  # type: ignore[no-untyped-def]
    """Forward and back substitution with the factor that `_solve` left in `a`."""
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


@compiled
def _off_axis(x, y, u, v, sx, sy):  # type: ignore[no-untyped-def]
    """Distance of a pixel to the segment that the centre travels."""
    q = sx * sx + sy * sy
    t = 0.0
    if q > 1e-9:
        t = min(max(((x - u) * sx + (y - v) * sy) / q, -0.5), 0.5)
    dx = x - u - t * sx
    dy = y - v - t * sy
    return math.sqrt(dx * dx + dy * dy)


@compiled
def choose_references(  # type: ignore[no-untyped-def]
    ring_y, ring_cb, ring_cr, gain, black, slot, others, place, window, chosen
):
    """Pick frames in which the spot is empty and its surroundings look the same; how many.

    The spot must differ while its surroundings do not: in a frame where the ball is still there
    neither differs, in one where a limb is there both do.
    """
    u, v, r, sx, sy = place
    x0, x1, y0, y1 = window
    n = len(others)
    inside = np.zeros(n)
    outside = np.zeros(n)
    ratio = np.empty(n)
    n_in = 0
    n_out = 0
    step = max(2, int(math.sqrt((x1 - x0) * (y1 - y0) / _REFERENCE_PIXELS)))
    for y in range(y0, y1 + 1, step):
        for k in range(n):
            ratio[k] = gain[slot, y >> 1] / gain[others[k], y >> 1]
        for x in range(x0, x1 + 1, step):
            rho = _off_axis(x, y, u, v, sx, sy)
            if rho > 0.8 * r and rho < r + 2.0:
                continue
            t = float(ring_y[slot, y, x]) - black
            b = float(ring_cb[slot, y >> 1, x >> 1])
            c = float(ring_cr[slot, y >> 1, x >> 1])
            within = rho <= 0.8 * r
            n_in += within
            n_out += not within
            for k in range(n):
                o = others[k]
                m = abs(t - (ring_y[o, y, x] - black) * ratio[k])
                m += 1.5 * abs(b - ring_cb[o, y >> 1, x >> 1])
                m += 1.5 * abs(c - ring_cr[o, y >> 1, x >> 1])
                if within:
                    inside[k] += m
                else:
                    outside[k] += m
    if n_in == 0 or n_out == 0:
        return 0
    top = -1e9
    for k in range(n):
        outside[k] /= n_out
        inside[k] = inside[k] / n_in - 2.0 * outside[k]
        top = max(top, inside[k])
    least = top - 0.3 * abs(top) - 2.0
    count = 0
    while count < _MOST_REFERENCES:
        best = -1
        for k in range(n):
            if outside[k] < 0.0 or inside[k] < least:
                continue
            if best < 0 or outside[k] < outside[best]:
                best = k
        if best < 0:
            break
        chosen[count] = others[best]
        outside[best] = -1.0
        count += 1
    return count


@compiled
def _median(a, n):  # type: ignore[no-untyped-def]
    for i in range(1, n):
        t = a[i]
        j = i - 1
        while j >= 0 and a[j] > t:
            a[j + 1] = a[j]
            j -= 1
        a[j + 1] = t
    return a[n // 2] if n % 2 else 0.5 * (a[n // 2 - 1] + a[n // 2])


@compiled
def _gather(  # type: ignore[no-untyped-def]
    ring_y, ring_cb, ring_cr, gain, black, slot, chosen, count, place, reach, window, stride, data
):
    """Fill `data` (PIXEL_ROWS, m) with luma, then cb, then cr; return where each plane ends.

    Luma is above black.
    """
    u, v, _, sx, sy = place
    x0, x1, y0, y1 = window
    values = np.empty(_MOST_REFERENCES)
    n = 0
    ratio = np.empty(_MOST_REFERENCES)
    for y in range(y0, y1 + 1, stride):
        for k in range(count):
            ratio[k] = gain[slot, y >> 1] / gain[chosen[k], y >> 1]
        for x in range(x0, x1 + 1, stride):
            rho = _off_axis(x, y, u, v, sx, sy)
            if rho > reach:
                continue
            for k in range(count):
                o = chosen[k]
                values[k] = (ring_y[o, y, x] - black) * ratio[k]
            data[X, n] = x
            data[Y, n] = y
            data[SEEN, n] = ring_y[slot, y, x] - black
            data[BACK, n] = _median(values, count)
            data[RHO, n] = rho
            n += 1
    end_y = n
    ch, cw = ring_cb.shape[1:]
    end_b = n
    half = (stride + 1) // 2
    for plane in range(2):
        ring = ring_cb if plane == 0 else ring_cr
        for y in range(y0 // 2, min(y1 // 2, ch - 1) + 1, half):
            for x in range(x0 // 2, min(x1 // 2, cw - 1) + 1, half):
                rho = _off_axis(2.0 * x + 0.25, 2.0 * y + 0.5, u, v, sx, sy)
                if rho > reach:
                    continue
                for k in range(count):
                    values[k] = ring[chosen[k], y, x]
                data[X, n] = 2.0 * x
                data[Y, n] = 2.0 * y + 0.5
                data[SEEN, n] = ring[slot, y, x]
                data[BACK, n] = _median(values, count)
                data[RHO, n] = rho
                n += 1
        if plane == 0:
            end_b = n
    return end_y, end_b, n


@compiled
def _outer_noise(data, start, stop, r):  # type: ignore[no-untyped-def]
    """Sd of the difference from the background outside the ball, from its smaller values.

    A limb or racket may fill half of the surroundings; 30 % of normal noise is within 0.385 sd.
    """
    values = np.empty(stop - start)
    n = 0
    for k in range(start, stop):
        if data[RHO, k] > r + 2.0:
            values[n] = abs(data[SEEN, k] - data[BACK, k])
            n += 1
    if n < 4:
        return 20.0
    return min(np.partition(values[:n], int(0.3 * n))[int(0.3 * n)] / 0.385, 20.0)


@compiled
def _add_priors(theta, prior, tight, shade, normal, grad):  # type: ignore[no-untyped-def]
    """What is believed before: values and sds of `prior`, and the clip's shading."""
    cost = 0.0
    for k in range(PARAMETERS):
        if SHADE_X <= k <= SHADE_Z:
            continue
        sd = prior[1, k] * (tight if k < LIGHT else 1.0)
        f = 1.0 / (sd * sd)
        off = prior[0, k] - theta[k]
        normal[k, k] += f
        grad[k] += f * off
        cost += f * off * off
    level = max(theta[LIGHT], 400.0)
    for k in range(SHADE_X, SHADE_Z + 1):
        mean = shade[0, k - SHADE_X]
        f = 1.0 / (shade[1, k - SHADE_X] * level) ** 2
        off = mean * theta[LIGHT] - theta[k]
        normal[k, k] += f
        normal[k, LIGHT] -= f * mean
        normal[LIGHT, LIGHT] += f * mean * mean
        grad[k] += f * off
        grad[LIGHT] -= f * mean * off
        cost += f * off * off
    return cost


@compiled
def _descend(  # type: ignore[no-untyped-def]
    data, ends, theta, noise, prior, tight, shade, top, cold, steps, normal, sums
):
    """Damped Gauss-Newton; False where it cannot be solved.

    From a `cold` start the first pass finds the colours only.
    """
    trial = theta.copy()
    step = np.zeros(PARAMETERS)
    grad = np.zeros(PARAMETERS)
    n_trial = np.zeros((PARAMETERS, PARAMETERS))
    s_trial = np.zeros(len(sums))
    work = np.zeros((PARAMETERS, PARAMETERS))
    cover = np.empty((swept.COVER_ROWS, data.shape[1]), np.float32)
    compared = np.empty((swept.COMPARED_ROWS, data.shape[1]))
    damping = 3e-2 if cold else 3e-3
    best = 1e300
    for it in range(steps + 1):
        # a start beside the ball misfits everywhere: outliers are told only near the end
        change = 3 if cold else 1
        trust = 0.1 if it >= change else (4.0 if cold and tight >= 1.0 else 0.3)
        if it == change:
            best = 1e300
        cost = swept.build(
            data, ends, trial, noise, trust, cover, compared, n_trial, grad, s_trial
        )  # fmt: skip
        cost += _add_priors(trial, prior, tight, shade, n_trial, grad)
        if it > (1 if cold else 0) and cost > best:
            step *= 0.3  # the last step went too far: go back most of the way
            trial[:] = theta + step
            damping *= 5.0
            continue
        gain = best - cost
        best = cost
        if cold and it == change and s_trial[swept.REST2] > _HOPELESS * s_trial[swept.CHANGE2]:
            return False
        theta[:] = trial
        normal[:] = n_trial
        sums[:] = s_trial
        damping *= 0.3
        if it == steps or (it > change and gain < 2e-3 * cost):
            break
        for a in range(PARAMETERS):
            for c in range(a + 1):
                work[a, c] = normal[a, c]
            step[a] = grad[a]
            if a < 5:
                work[a, a] += damping * normal[a, a] + 1e-6
                if it == 0 and cold:
                    work[a, a] += 1e12
        if not _solve(work, step, PARAMETERS):
            return False
        r = theta[2]
        big = max(abs(step[0]), abs(step[1])) / (0.6 * r + 0.5)
        big = max(big, abs(step[2]) / (0.35 * r))
        big = max(big, max(abs(step[3]), abs(step[4])) / (r + 2.0))
        if big > 1.0:
            step /= big
        trial[:] = theta + step
        trial[2] = max(trial[2], 1.0)
        trial[BLUR] = min(max(trial[BLUR], _SMALLEST_BLUR), 2.0)
        if trial[2] > 2.0 * top:
            return False
    return True


@compiled
def _finish(theta, normal, sums, noise, floor, out):  # type: ignore[no-untyped-def]
    """Write parameters, covariances and what scoring needs; False where singular."""
    inverse = np.zeros((PARAMETERS, PARAMETERS))
    column = np.zeros(PARAMETERS)
    for a in range(PARAMETERS):
        normal[a, a] *= 1.0 + 1e-9
    column[0] = 1.0
    if not _solve(normal, column, PARAMETERS):
        return False
    for c in range(PARAMETERS):
        column[:] = 0.0
        column[c] = 1.0
        _substitute(normal, column, PARAMETERS)
        inverse[:, c] = column
    out[:PARAMETERS] = theta
    for k in range(PARAMETERS):
        out[SD + k] = math.sqrt(max(inverse[k, k], 0.0))
    out[COV_UV] = inverse[0, 1]
    out[QUALITY] = 1.0 - sums[swept.REST2] / max(sums[swept.CHANGE2], 1e-9)
    out[NOISE] = noise[0]
    out[CONTRAST] = math.sqrt(max(theta[5], 0.0)) - floor
    out[MISFIT] = math.sqrt(sums[swept.WEIGHTED2] / max(sums[swept.WEIGHTS], 1.0))
    out[SNR] = math.sqrt(sums[swept.CHANGE2] / max(sums[swept.COUNT], 1.0))
    out[OUTSIDE] = math.sqrt(sums[swept.OUTSIDE_CHANGE2] / max(sums[swept.OUTSIDE_COUNT], 1.0))
    return True


@compiled
def _core_means(data, stop, r):  # type: ignore[no-untyped-def]
    """Mean squared luma seen, and mean luma of the background, in the core of the spot."""
    seen = 0.0
    back = 0.0
    n = 0
    for k in range(stop):
        if data[RHO, k] < 0.7 * r:
            seen += data[SEEN, k] ** 2
            back += data[BACK, k]
            n += 1
    return (seen / n, back / n) if n else (1e4, 0.0)


@compiled
def fit_disc(
    ring_y: ByteImage, ring_cb: ByteImage, ring_cr: ByteImage, gain: FloatArray, black: float,
    slot: int, others: IntArray, start: FloatArray, prior: FloatArray, tight: float,
    shade: FloatArray, top: float, longest: float, coarse: bool, out: FloatArray,
) -> bool:  # fmt: skip
    """Fit equations (1) to (3) to one spot; False where nothing could be fitted.

    `ring_*` hold whole pictures, `gain` their brightness by half-size row, `others` the slots that
    may serve as background. `start` holds the parameters, of which a `coarse` fit reads only the
    first five; it takes fewer pixels and more steps. `prior` is value and sd of each parameter,
    those of place, size and streak narrowed by `tight`; `shade` is value and sd of the shading as
    shares of the light; `top` the largest radius. `out` takes a row of results.
    """
    height, width = ring_y.shape[1:]
    theta = np.zeros(PARAMETERS)
    if coarse:
        theta[:] = prior[0]
        theta[:5] = start[:5]
    else:
        theta[:] = start[:PARAMETERS]
    first = theta.copy()
    chosen = np.empty(_MOST_REFERENCES, np.int64)
    normal = np.zeros((PARAMETERS, PARAMETERS))
    sums = np.zeros(swept.SUMS)
    noise = np.empty(3)
    level = 0.0
    floor = 0.0
    steps = _COARSE_STEPS if coarse else _FINE_STEPS
    for _ in range(1 if coarse else 2):
        u, v, r, sx, sy = theta[0], theta[1], theta[2], theta[3], theta[4]
        place = (u, v, r, sx, sy)
        reach = 1.15 * r + 4.5
        x0 = int(max(0.0, math.floor(u - abs(sx) / 2 - reach)))
        x1 = int(min(width - 1.0, math.ceil(u + abs(sx) / 2 + reach)))
        y0 = int(max(0.0, math.floor(v - abs(sy) / 2 - reach)))
        y1 = int(min(height - 1.0, math.ceil(v + abs(sy) / 2 + reach)))
        window = (x0, x1, y0, y1)
        if x1 - x0 < 5 or y1 - y0 < 5 or x1 - x0 >= MAX_SIDE or y1 - y0 >= MAX_SIDE:
            return False
        count = choose_references(
            ring_y, ring_cb, ring_cr, gain, black, slot, others, place, window, chosen
        )
        if count == 0:
            return False
        area = 4.0 * reach * reach + 2.0 * reach * math.hypot(sx, sy)
        stride = int(math.sqrt(area / (_COARSE_PIXELS if coarse else _FINE_PIXELS)) + 0.5)
        stride = max(stride, 1)
        most = (x1 - x0) // stride + 3
        data = np.empty((swept.PIXEL_ROWS, 4 * most * ((y1 - y0) // stride + 3)), np.float32)
        end_y, end_b, end = _gather(
            ring_y, ring_cb, ring_cr, gain, black, slot, chosen, count, place, reach, window,
            stride, data,
        )  # fmt: skip
        data = np.ascontiguousarray(data[:, :end])
        if end_y < 12:
            return False
        # still surroundings are copied by the coder, without noise; what moves is coded anew
        noise[0] = math.hypot(_outer_noise(data, 0, end_y, r), 2.5)
        noise[1] = math.hypot(_outer_noise(data, end_y, end_b, r), 1.5)
        noise[2] = math.hypot(_outer_noise(data, end_b, end, r), 1.5)
        level, floor = _core_means(data, end_y, r)
        if coarse:
            theta[LIGHT] = level
        if not _descend(
            data, (end_y, end_b, end), theta, noise, prior, tight, shade, top, coarse, steps,
            normal, sums,
        ):  # fmt: skip
            return False
        if math.hypot(theta[0] - u, theta[1] - v) + abs(theta[2] - r) < 0.5 * r:
            break
    if theta[LIGHT] < 0.25 * level:
        return False  # it went over to something dark beside the spot
    length = math.hypot(first[3], first[4])
    moved = math.hypot(theta[0] - first[0], theta[1] - first[1])
    if moved > 0.8 * first[2] + 0.25 * length or theta[2] > 1.5 * first[2]:
        return False
    if math.hypot(theta[3], theta[4]) > min(1.6 * length + 2.0 * first[2], 1.5 * longest):
        return False
    return bool(_finish(theta, normal, sums, noise, floor, out))


@compiled
def fit_many(
    ring_y: ByteImage, ring_cb: ByteImage, ring_cr: ByteImage, gain: FloatArray, black: float,
    slot: int, others: IntArray, starts: FloatArray, priors: FloatArray, shade: FloatArray,
    tops: FloatArray, longest: float, coarse: bool, out: FloatArray,
) -> int:  # fmt: skip
    """`fit_disc` for each row of `starts`, packed into `out`; returns how many fitted.

    A coarse fit that runs away, as beside a racket, is tried again with tight priors; a fine fit
    that fails leaves its start, which is then a whole result row of the coarse fit.
    """
    n = 0
    for k in range(len(starts)):
        ok = fit_disc(
            ring_y, ring_cb, ring_cr, gain, black, slot, others, starts[k], priors[k], 1.0, shade,
            tops[k], longest, coarse, out[n],
        )  # fmt: skip
        if not ok and coarse:
            ok = fit_disc(
                ring_y, ring_cb, ring_cr, gain, black, slot, others, starts[k], priors[k], _TIGHT,
                shade, tops[k], longest, coarse, out[n],
            )  # fmt: skip
        elif not ok:
            out[n] = starts[k]
            ok = True
        n += ok
    return n
