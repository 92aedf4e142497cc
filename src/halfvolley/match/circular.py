"""Directions: means and spreads that know that 359 degrees lies beside 1 degree."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.errors import Unknown

FEWEST = 5  # directions; fewer say nothing of a spread


@dataclass(frozen=True, slots=True)
class Directions:
    """Summary of directions."""

    n: int
    mean_rad: float
    mean_sd_rad: float  # of the mean, from the spread and the number
    sd_rad: float  # circular standard deviation, sqrt(-2 ln R)
    resultant: float  # mean resultant length R: 1 all the same, 0 all around


def summarise_directions(angles_rad: Sequence[float]) -> Directions | Unknown:
    """Mean and spread of directions.

    Parameters
    ----------
    angles_rad : sequence of float
        Directions [rad].

    Returns
    -------
    Directions or Unknown
        Unknown with fewer than five, or where they point all around.

    References
    ----------
    Mardia & Jupp 2000, Directional Statistics, eqs. 2.3.11 and 4.8.15 (large samples).
    """
    a = np.asarray(angles_rad, np.float64)
    n = len(a)
    if n < FEWEST:
        return Unknown(f"{n} directions are too few")
    c, s = float(np.mean(np.cos(a))), float(np.mean(np.sin(a)))
    r = math.hypot(c, s)
    if r < math.sqrt(3.0 / n):  # Rayleigh's test at 5 %, from memory
        return Unknown("the directions point all around")
    mean = math.atan2(s, c)
    second = float(np.mean(np.cos(2 * (a - mean))))
    dispersion = (1 - second) / (2 * r * r)
    r = min(r, 1.0)
    return Directions(n, mean, math.sqrt(max(0.0, dispersion) / n), math.sqrt(-2 * math.log(r)), r)
