"""How much a fitted spot looks like the ball, and which spots are worth reporting."""

import math

import numpy as np

from halfvolley.ball import disc, swept
from halfvolley.ball.kernels import DEEPEST_SHADE, off_radius, radius_at
from halfvolley.types.arrays import ByteImage, FloatArray, IntArray

ORANGE_CB, ORANGE_CR = -0.78, 0.62  # direction of orange in chroma: (255, 128, 0) of BT.709
LUMA_SPREAD = 45.0  # of the ball's colour: lamps and shade [8-bit steps]
CHROMA_SPREAD = 10.0
OFTEN = 0.12  # share of frames in which a place fires without flight: a lamp or a look-alike


@swept.compiled
def lawful(luma: float, cb: float, cr: float) -> float:
    """How well a colour agrees with the rules' white or orange ball: 1 does, 0.1 does not."""
    b = cb - 128.0
    r = cr - 128.0
    strength = math.hypot(b, r)
    light = 1.0 / (1.0 + math.exp(-(luma - 80.0) / 15.0))
    white = math.exp(-((strength / 25.0) ** 2))
    hue = (b * ORANGE_CB + r * ORANGE_CR) / max(strength, 1e-9)
    orange = min(max((hue - 0.7) / 0.2, 0.0), 1.0) * min(strength / 30.0, 1.0)
    return 0.1 + 0.9 * light * max(white, orange)


@swept.compiled
def likeness(luma: float, cb: float, cr: float, colour: FloatArray, trust: float) -> float:
    """How well a colour agrees with the learned one: 1 alike, falling to 1 - trust.

    In the shade luma and chroma fall together.
    """
    shade = min(max(luma / max(colour[0], 1.0), DEEPEST_SHADE), 1.2)
    d = ((luma - colour[0]) / LUMA_SPREAD) ** 2
    d += ((cb - 128.0 - shade * (colour[1] - 128.0)) / CHROMA_SPREAD) ** 2
    d += ((cr - 128.0 - shade * (colour[2] - 128.0)) / CHROMA_SPREAD) ** 2
    off = max(math.sqrt(d) - 1.0, 0.0)
    return 1.0 - trust * (1.0 - 1.0 / (1.0 + off * off / 4.0))


@swept.compiled
def colours_of(fit: FloatArray) -> FloatArray:
    """(n, 3) luma above black, cb and cr of fitted spots."""
    out = np.empty((len(fit), 3))
    for k in range(len(fit)):
        out[k, 0] = math.sqrt(max(fit[k, swept.LIGHT], 0.0))
        out[k, 1] = 128.0 + fit[k, swept.CB]
        out[k, 2] = 128.0 + fit[k, swept.CR]
    return out


@swept.compiled
def score_fits(
    fit: FloatArray, colour: FloatArray, trust: float, size: FloatArray, blink: FloatArray,
    blink_cell: int, allowed: ByteImage, level: int, cell: int, r_min: FloatArray,
    r_max: FloatArray,
) -> FloatArray:  # fmt: skip
    """(n,) 0-1: a moving disc explains the change, it is strong, and of the right size and colour.

    `blink` is the share of frames in which spots appeared at a place without flying; `allowed` is
    0 where nothing is looked for, at 1/`level` of the picture's size.
    """
    out = np.zeros(len(fit))
    for k in range(len(fit)):
        u, v, r = fit[k, 0], fit[k, 1], fit[k, 2]
        low, high = radius_at(u, v, cell, r_min, r_max)
        row = min(max(int(v) // level, 0), allowed.shape[0] - 1)
        column = min(max(int(u) // level, 0), allowed.shape[1] - 1)
        if not low <= high or allowed[row, column] == 0:
            continue
        score = min(max(fit[k, disc.QUALITY], 0.0), 1.0)
        score *= 1.0 - math.exp(-0.15 * fit[k, disc.SNR])
        luma = math.sqrt(max(fit[k, swept.LIGHT], 0.0))
        cb = 128.0 + fit[k, swept.CB]
        cr = 128.0 + fit[k, swept.CR]
        score *= likeness(luma, cb, cr, colour, trust) * math.sqrt(lawful(luma, cb, cr))
        i = min(max(int(v) // blink_cell, 0), blink.shape[0] - 1)
        j = min(max(int(u) // blink_cell, 0), blink.shape[1] - 1)
        score /= 1.0 + (blink[i, j] / OFTEN) ** 2
        off = max(low - r, r - high, 0.0) / (0.15 * r + 0.3)
        score *= math.exp(-off)
        off = max(off_radius(r, u, v, size) - 1.5, 0.0)
        out[k] = score * max(1.0 / (1.0 + 0.5 * off * off), 0.1)
    return out


@swept.compiled
def surety(fit: FloatArray, length: IntArray, step: FloatArray) -> FloatArray:
    """(n,) 0-1: how surely a spot is a flying ball, by its trail and picture alone.

    `length` is that of its trail, `step` (n, 2) the way from the frame before [px].
    """
    out = np.empty(len(fit))
    for k in range(len(fit)):
        r = fit[k, swept.R]
        sx, sy = fit[k, swept.STREAK_X], fit[k, swept.STREAK_Y]
        way = math.hypot(step[k, 0], step[k, 1])
        fast = min(way / (2.0 * r), 1.0)
        # the streak of a ball lies along its way; a limb's blob is as long as the limb
        across = abs(sx * step[k, 1] - sy * step[k, 0]) / max(way, 1e-9)
        shape = math.exp(-((across / (0.8 * r)) ** 2)) if math.hypot(sx, sy) < way + r else 0.0
        clean = min(max(fit[k, disc.QUALITY], 0.0), 1.0) ** 2
        clean /= 1.0 + (fit[k, disc.OUTSIDE] / 4.0) ** 2
        light = max(fit[k, swept.LIGHT], 100.0)
        even = math.hypot(fit[k, swept.SHADE_X], fit[k, swept.SHADE_Y]) < 1.5 * light
        trail = min(max((length[k] - 2) / 4.0, 0.0), 1.0)
        luma = math.sqrt(max(fit[k, swept.LIGHT], 0.0))
        cb, cr = 128.0 + fit[k, swept.CB], 128.0 + fit[k, swept.CR]
        out[k] = fast * shape * clean * even * trail * lawful(luma, cb, cr)
    return out


# what a fit's own normal matrix does not know of its centre; found on rendered clips of four halls
_OWN = 0.6  # the fits count a pixel for less than it is, so that priors are heard
_SHADING = 0.04  # radii by which shading that is not quite a lit sphere's moves the centre
_UNEXPLAINED = 3.0  # radii, times the unexplained share of the change to the power 3/2
_LEAST_SD_PX = 0.06  # coding, and what else no fit sees


@swept.compiled
def centre_covariances(fit: FloatArray) -> FloatArray:
    """(n, 2, 2) covariance of u and v [px^2], with what the fits do not know of themselves.

    `fit` are result rows of `disc`.
    """
    out = np.empty((len(fit), 2, 2))
    for k in range(len(fit)):
        scale = (_OWN * max(fit[k, disc.MISFIT], 1.0)) ** 2
        light = max(fit[k, swept.LIGHT], 100.0)
        x, y = fit[k, swept.SHADE_X] / light, fit[k, swept.SHADE_Y] / light
        reach = _SHADING * fit[k, swept.R] / max(math.hypot(x, y), 1.0)
        unexplained = min(max(1.0 - fit[k, disc.QUALITY], 0.0), 1.0) ** 1.5
        other = (_UNEXPLAINED * fit[k, swept.R] * unexplained) ** 2 + _LEAST_SD_PX**2
        out[k, 0, 0] = scale * fit[k, disc.SD + swept.U] ** 2 + (reach * x) ** 2 + other
        out[k, 1, 1] = scale * fit[k, disc.SD + swept.V] ** 2 + (reach * y) ** 2 + other
        out[k, 0, 1] = out[k, 1, 0] = scale * fit[k, disc.COV_UV] + reach * reach * x * y
    return out


@swept.compiled
def best_rows(
    fit: FloatArray, score: FloatArray, least: float, least_share: float, most: int
) -> IntArray:
    """Rows, best first, one for each place, `most` at most.

    Rows below `least`, or below `least_share` of the best score, are left out.
    """
    if len(score):
        least = max(least, least_share * score.max())
    kept = np.empty(most, np.int64)
    n = 0
    for i in np.argsort(-score):
        if n == most or score[i] < least:
            break
        near = False
        for k in range(n):
            j = kept[k]
            gap = math.hypot(fit[i, 0] - fit[j, 0], fit[i, 1] - fit[j, 1])
            near |= gap < 0.7 * max(fit[i, 2], fit[j, 2])
        if not near:
            kept[n] = i
            n += 1
    return kept[:n]
