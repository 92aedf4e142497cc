"""How densely the bounces of a group lie on the opponent's half."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.errors import Unknown
from halfvolley.match.records import Estimate, Placement
from halfvolley.types import FloatArray

HALF_LENGTH_M, HALF_WIDTH_M = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
FEWEST = 8  # bounces; fewer make a map of the kernel, not of the play


@dataclass(frozen=True, slots=True)
class DensitySettings:
    """How a density map is made."""

    cell_m: float = 0.02  # half a ball: finer than any bounce is known
    jackknife_groups: int = 10  # parts left out in turn for the areas' standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """A density map and the areas that hold half and nine tenths of the bounces."""

    n: int
    depth_m: FloatArray  # (nd,) centres of the cells, from the net
    right_m: FloatArray  # (nr,)
    per_m2: FloatArray  # (nd, nr) expected bounces a square metre; integrates to n less what is off
    off_table: float  # share of the kernels' mass that falls beside the half
    area_50_m2: Estimate  # smallest area that holds half of the mass on the table
    area_90_m2: Estimate
    level_50_per_m2: float  # the contour around it
    level_90_per_m2: float
    spread_depth_m: float  # sd of the places along the table, measurement taken out
    spread_right_m: float


def placement_density(
    places: Sequence[Placement], settings: DensitySettings | None = None
) -> Density | Unknown:
    """Density of bounces, each spread as widely as it is uncertain.

    Parameters
    ----------
    places : sequence of Placement
        At least eight.
    settings : DensitySettings, optional
        Cell size and parts.

    Returns
    -------
    Density or Unknown
        Unknown where the bounces are too few or all lie on one line.

    Notes
    -----
    Each bounce is a Gaussian of covariance H + S: H is Silverman's bandwidth (in two dimensions it
    equals Scott's), S the bounce's own covariance. A vague bounce so colours a wide area faintly
    and a sharp one a small area strongly. Without S this is `scipy.stats.gaussian_kde`.

    The standard deviation of an area comes from leaving out one part of the bounces in turn.

    References
    ----------
    Silverman 1986, Density Estimation, section 4.3; Hyndman 1996, Am. Stat. 50:120 (areas).
    """
    settings = settings or DensitySettings()
    xy = np.array([[p.depth_m, p.right_m] for p in places]).reshape(-1, 2)
    own = np.array(
        [[[p.cov_dd_m2, p.cov_dr_m2], [p.cov_dr_m2, p.cov_rr_m2]] for p in places]
    ).reshape(-1, 2, 2)
    n = len(xy)
    if n < FEWEST:
        return Unknown(f"{n} bounces are too few for a density")
    seen = np.cov(xy.T)
    if np.linalg.det(seen) < 1e-12:
        return Unknown("the bounces lie on one line")
    depth = np.arange(settings.cell_m / 2, HALF_LENGTH_M, settings.cell_m)
    right = np.arange(-HALF_WIDTH_M + settings.cell_m / 2, HALF_WIDTH_M, settings.cell_m)
    per_m2 = _evaluate(xy, own, depth, right)
    cell = settings.cell_m**2
    levels = [_level(per_m2, share) for share in (0.5, 0.9)]
    areas = [cell * float(np.sum(per_m2 >= level)) for level in levels]
    sds = _jackknife(xy, own, settings, areas)
    true = np.diag(seen) - np.mean(own[:, (0, 1), (0, 1)], axis=0)
    spread = np.sqrt(np.maximum(true, 0.0))
    return Density(
        n, depth, right, per_m2, max(0.0, 1.0 - cell * float(np.sum(per_m2)) / n),
        Estimate(areas[0], sds[0]), Estimate(areas[1], sds[1]), levels[0], levels[1],
        float(spread[0]), float(spread[1]),
    )  # fmt: skip


def bandwidth(xy: FloatArray) -> FloatArray:
    """Silverman's kernel covariance of points, (n, 2) to (2, 2)."""
    n, d = xy.shape
    return np.asarray(np.cov(xy.T) * (n * (d + 2) / 4.0) ** (-2.0 / (d + 4)))


def _evaluate(xy: FloatArray, own: FloatArray, depth: FloatArray, right: FloatArray) -> FloatArray:
    """Sum of all kernels on the grid; one bounce at a time keeps the memory small."""
    kernel = bandwidth(xy)
    total = np.zeros((len(depth), len(right)))
    inverse = np.linalg.inv(kernel + own)
    height = np.sqrt(np.linalg.det(inverse)) / (2 * math.pi)
    for (d, r), a, h in zip(xy, inverse, height, strict=True):
        u, v = depth - d, right - r
        exponent = (a[0, 0] * u * u)[:, None] + (a[1, 1] * v * v)[None, :]
        exponent += (2 * a[0, 1]) * u[:, None] * v[None, :]
        total += h * np.exp(-0.5 * exponent)
    return total


def _level(per_m2: FloatArray, share: float) -> float:
    """The density above which this share of the mass lies."""
    ordered = np.sort(per_m2.ravel())[::-1]
    mass = np.cumsum(ordered)
    if mass[-1] <= 0:
        return float("inf")
    return float(ordered[int(np.searchsorted(mass, share * mass[-1]))])


def _jackknife(
    xy: FloatArray, own: FloatArray, settings: DensitySettings, areas: Sequence[float]
) -> list[float]:
    """Standard deviation of both areas; on a coarse grid, since only their scatter is wanted."""
    groups = min(settings.jackknife_groups, len(xy))
    step = max(settings.cell_m, 0.04)
    depth = np.arange(step / 2, HALF_LENGTH_M, step)
    right = np.arange(-HALF_WIDTH_M + step / 2, HALF_WIDTH_M, step)
    logs = []
    part = np.arange(len(xy)) % groups
    for g in range(groups):
        per_m2 = _evaluate(xy[part != g], own[part != g], depth, right)
        counts = [max(1, int(np.sum(per_m2 >= _level(per_m2, share)))) for share in (0.5, 0.9)]
        logs.append(np.log(counts))
    scatter = np.sqrt((groups - 1) * np.var(np.array(logs), axis=0))
    return [float(area * s) for area, s in zip(areas, scatter, strict=True)]
