"""What is believed of a spot's image before it is fitted."""

import math

import numpy as np

from halfvolley.ball import swept
from halfvolley.ball.kernels import radius_at, usual_radius
from halfvolley.ball.swept import BLUR, CB, CR, LIGHT, PARAMETERS, SITE, STREAK_X, STREAK_Y, R
from halfvolley.types.arrays import FloatArray, IntArray

_UNKNOWN_LUMA = 120.0
_TRAIL_RADIUS_SD = 0.08  # share by which a radius differs from the mean along its trail


@swept.exactly
def largest(starts: FloatArray, cell: int, r_max: FloatArray, top: float) -> FloatArray:
    """(n,) largest radius that is expected at each start, `top` at most [px]."""
    out = np.empty(len(starts))
    for i in range(len(starts)):
        high = radius_at(starts[i, 0], starts[i, 1], cell, r_max, r_max)[1]
        out[i] = high if high < top else top
    return out


@swept.exactly
def priors(
    starts: FloatArray, cell: int, r_min: FloatArray, r_max: FloatArray, colour: FloatArray,
    known: bool, blur: tuple[float, float], site: tuple[float, float],
) -> FloatArray:  # fmt: skip
    """(n, 2, PARAMETERS) value and sd of each parameter.

    `starts` begin with place, radius and streak; `colour` is that of the ball (luma above black,
    cb, cr) where it is `known`; `blur` and `site` are values with their sds.
    """
    out = np.zeros((len(starts), 2, PARAMETERS))
    for i in range(len(starts)):
        value, sd = out[i, 0], out[i, 1]
        r = starts[i, R]
        value[:5] = starts[i, :5]
        low, high = radius_at(starts[i, 0], starts[i, 1], cell, r_min, r_max)
        if low <= high:
            value[R] = min(max(r, low), high)
        sd[:2] = 2.0 * r
        sd[R] = 0.2 * r + 0.5
        sd[3:5] = 0.8 * r + 0.4 * math.hypot(starts[i, STREAK_X], starts[i, STREAK_Y])
        # an unknown colour is left free; a known one may lie in the shade
        luma = colour[0] if known else _UNKNOWN_LUMA
        value[LIGHT] = luma**2
        sd[LIGHT] = luma**2 * (0.7 if known else 10.0)
        value[CB] = colour[1] - 128.0 if known else 0.0
        value[CR] = colour[2] - 128.0 if known else 0.0
        sd[CB : CR + 1] = 20.0 if known else 100.0
        value[BLUR], sd[BLUR] = blur
        value[SITE], sd[SITE] = site
    return out


@swept.exactly
def narrow(
    starts: FloatArray, prior: FloatArray, size: FloatArray, exposure: tuple[float, float],
    guessed_r: FloatArray, before: FloatArray, back: IntArray, rows: IntArray,
) -> None:  # fmt: skip
    """Narrow `prior` by the usual size and, on trails, by their way and radius.

    `size` is the model of `look`, `exposure` its share of the time between frames, with sd. `rows`
    says which trail each start goes on from, -1 for none; trails have a radius and, as row of the
    places `before`, where they were.
    """
    share, share_sd = exposure
    for i in range(len(starts)):
        value, sd = prior[i, 0], prior[i, 1]
        if size[3] > 0.0:
            usual = usual_radius(starts[i, 0], starts[i, 1], size)
            value[R] = usual
            sd[R] = size[3] * usual
        if rows[i] < 0:
            continue
        du = starts[i, 0] - before[back[rows[i]], 0]
        dv = starts[i, 1] - before[back[rows[i]], 1]
        way = math.hypot(du, dv)
        along = du * starts[i, STREAK_X] + dv * starts[i, STREAK_Y]
        sign = 1.0 if along >= 0.0 else -1.0
        value[STREAK_X] = sign * share * du
        value[STREAK_Y] = sign * share * dv
        sd[3:5] = share_sd * way + 0.15 * share * way + 0.3
        value[R] = guessed_r[rows[i]]
        sd[R] = _TRAIL_RADIUS_SD * guessed_r[rows[i]]
