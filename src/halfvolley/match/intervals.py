"""Intervals for shares, differences and middles; all of them hold for small numbers too."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # its parts are loaded when they are used

from halfvolley.errors import BadInput, Unknown

LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with the interval that holds the truth at the stated level."""

    value: float
    low: float
    high: float


def wilson(hits: int, total: int, level: float = LEVEL) -> Interval | Unknown:
    """A share with its score interval.

    Parameters
    ----------
    hits, total : int
        How many of how many.
    level : float
        Confidence.

    Returns
    -------
    Interval or Unknown
        Unknown where there is nothing to share out.

    Raises
    ------
    BadInput
        If the counts contradict each other.

    References
    ----------
    Wilson 1927, J. Am. Stat. Assoc. 22:209; Newcombe 1998, Stat. Med. 17:857, method 3.
    """
    if not 0 <= hits <= total:
        raise BadInput(f"{hits} of {total} is no share; hits must lie between 0 and the total")
    if total == 0:
        return Unknown("there is nothing to count")
    z = float(scipy.stats.norm.ppf(0.5 + level / 2))
    p = hits / total
    scale = 1.0 + z * z / total
    middle = (p + z * z / (2 * total)) / scale
    half = z * math.sqrt(p * (1 - p) / total + z * z / (4 * total * total)) / scale
    low = 0.0 if hits == 0 else middle - half  # exact at the ends, where rounding would show
    high = 1.0 if hits == total else middle + half
    return Interval(p, low, high)


def share_difference(
    hits_a: int, total_a: int, hits_b: int, total_b: int, level: float = LEVEL
) -> Interval | Unknown:
    """Share a less share b, with an interval made of both score intervals.

    Parameters
    ----------
    hits_a, total_a, hits_b, total_b : int
        How many of how many.
    level : float
        Confidence.

    References
    ----------
    Newcombe 1998, Stat. Med. 17:873, method 10.
    """
    a, b = wilson(hits_a, total_a, level), wilson(hits_b, total_b, level)
    if isinstance(a, Unknown):
        return a
    if isinstance(b, Unknown):
        return b
    d = a.value - b.value
    low = d - math.hypot(a.value - a.low, b.high - b.value)
    high = d + math.hypot(a.high - a.value, b.value - b.low)
    return Interval(d, low, high)


def median_interval(values: Sequence[float], level: float = LEVEL) -> Interval | Unknown:
    """The median with the interval between two of the values themselves.

    Parameters
    ----------
    values : sequence of float
        At least six, fewer cannot bound a median at 95 %.
    level : float
        Confidence, reached or passed whatever the distribution.

    References
    ----------
    Conover 1999, Practical Nonparametric Statistics, section 3.2: order statistics.
    """
    x = np.sort(np.asarray(values, np.float64))
    n = len(x)
    k = int(scipy.stats.binom.ppf((1 - level) / 2, n, 0.5)) if n else 0
    if n == 0 or scipy.stats.binom.cdf(k - 1, n, 0.5) > (1 - level) / 2 or k < 1:
        return Unknown(f"{n} values are too few to bound a median")
    return Interval(float(np.median(x)), float(x[k - 1]), float(x[n - k]))


def mean_difference(
    a: Sequence[float], b: Sequence[float], level: float = LEVEL
) -> tuple[Interval, float] | Unknown:
    """Mean of a less mean of b by Welch, and the two-sided p.

    Parameters
    ----------
    a, b : sequence of float
        At least two values each, not all the same.
    level : float
        Confidence.
    """
    x, y = np.asarray(a, np.float64), np.asarray(b, np.float64)
    if len(x) < 2 or len(y) < 2:
        return Unknown("a difference of means needs two values on each side")
    if np.ptp(x) == 0 and np.ptp(y) == 0:
        return Unknown("values that never vary say nothing of chance")
    result = scipy.stats.ttest_ind(x, y, equal_var=False)
    bounds = result.confidence_interval(level)
    d = float(np.mean(x) - np.mean(y))
    return Interval(d, float(bounds.low), float(bounds.high)), float(result.pvalue)


def effect_size(a: Sequence[float], b: Sequence[float], level: float = LEVEL) -> Interval | Unknown:
    """Difference of means in units of the common spread (Hedges' g).

    Parameters
    ----------
    a, b : sequence of float
        At least two values each.
    level : float
        Confidence of the large-sample interval.

    References
    ----------
    Hedges 1981, J. Educ. Stat. 6:107; variance as in Hedges & Olkin 1985, eq. 5.B.8 (from memory).
    """
    x, y = np.asarray(a, np.float64), np.asarray(b, np.float64)
    n, m = len(x), len(y)
    if n < 2 or m < 2:
        return Unknown("an effect size needs two values on each side")
    dof = n + m - 2
    pooled = math.sqrt(((n - 1) * np.var(x, ddof=1) + (m - 1) * np.var(y, ddof=1)) / dof)
    if pooled == 0:
        return Unknown("values that never vary have no spread to measure by")
    g = (1 - 3 / (4 * dof - 1)) * float(np.mean(x) - np.mean(y)) / pooled
    sd = math.sqrt((n + m) / (n * m) + g * g / (2 * (n + m)))
    z = float(scipy.stats.norm.ppf(0.5 + level / 2))
    return Interval(g, g - z * sd, g + z * sd)


def holm(p: Sequence[float]) -> tuple[float, ...]:
    """p values after Holm's adjustment for looking several times, in the order given.

    References
    ----------
    Holm 1979, Scand. J. Stat. 6:65.
    """
    order = sorted(range(len(p)), key=lambda i: p[i])
    adjusted = [0.0] * len(p)
    worst = 0.0
    for rank, i in enumerate(order):
        worst = max(worst, min(1.0, (len(p) - rank) * p[i]))
        adjusted[i] = worst
    return tuple(adjusted)
