"""Thirds of the table and drawn targets: how many bounces lie in each, with intervals."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from halfvolley.errors import BadInput, Unknown
from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.match.intervals import Interval, wilson
from halfvolley.match.records import Placement
from halfvolley.types import FloatArray

DEPTHS = ("short", "half-long", "long")
WIDTHS = ("left", "middle", "right")  # as the striker sees them
DEPTH_EDGES_M = (HALF_LENGTH_M / 3, 2 * HALF_LENGTH_M / 3)
WIDTH_EDGES_M = (-HALF_WIDTH_M / 3, HALF_WIDTH_M / 3)
SURE = 0.9  # a bounce less sure than this to lie in its third is called doubtful
SURE_SDS = float(ndtri(SURE))


@dataclass(frozen=True, slots=True)
class Share:
    """One class of a count."""

    label: str
    count: int
    interval: Interval | Unknown


@dataclass(frozen=True, slots=True)
class Shares:
    """A count by classes."""

    total: int  # that could be told
    unknown: int  # that could not
    doubtful: int  # counted, but so near to a boundary that they may belong to the neighbour
    shares: tuple[Share, ...]

    def share(self, label: str) -> Share:
        """One class by its label."""
        return next(s for s in self.shares if s.label == label)


@dataclass(frozen=True, slots=True)
class Target:
    """A zone that a player was to hit, as corners on the table."""

    name: str
    corners_m: tuple[tuple[float, float], ...]  # (x, y) in the world frame


@dataclass(frozen=True, slots=True)
class TargetResult:
    """How often a target was hit."""

    target: Target
    tries: int
    hits: int
    interval: Interval | Unknown
    doubtful: int  # so near to its border that they may have been the other


def count_shares(labels: Sequence[str | None], classes: Sequence[str], doubtful: int = 0) -> Shares:
    """Counts of some classes with Wilson intervals; None is unknown and takes no part."""
    known = [label for label in labels if label is not None]
    shares = tuple(
        Share(label, known.count(label), wilson(known.count(label), len(known)))
        for label in classes
    )
    return Shares(len(known), len(labels) - len(known), doubtful, shares)


def depth_shares(places: Sequence[Placement | None]) -> Shares:
    """Bounces by thirds of the half's length: short, half-long, long.

    Parameters
    ----------
    places : sequence of Placement or None
        None where a stroke's bounce was not seen.
    """
    near = [None if p is None else (p.depth_m, p.cov_dd_m2) for p in places]
    return _thirds(near, depth_labels(places), DEPTH_EDGES_M, DEPTHS)


def width_shares(places: Sequence[Placement | None]) -> Shares:
    """Bounces by thirds of the width, as the striker sees them: left, middle, right.

    Parameters
    ----------
    places : sequence of Placement or None
        None where a stroke's bounce was not seen.
    """
    near = [None if p is None else (p.right_m, p.cov_rr_m2) for p in places]
    return _thirds(near, width_labels(places), WIDTH_EDGES_M, WIDTHS)


def corner_shares(places: Sequence[Placement | None]) -> Shares:
    """Bounces by both thirds at once, such as "long right": nine fields.

    Parameters
    ----------
    places : sequence of Placement or None
        None where a stroke's bounce was not seen.
    """
    depths, widths = depth_labels(places), width_labels(places)
    labels = [None if d is None else f"{d} {w}" for d, w in zip(depths, widths, strict=True)]
    return count_shares(labels, [f"{d} {w}" for d in DEPTHS for w in WIDTHS])


def depth_labels(places: Sequence[Placement | None]) -> list[str | None]:
    """The third of the half's length in which each bounce most likely lies."""
    return _labels([None if p is None else p.depth_m for p in places], DEPTH_EDGES_M, DEPTHS)


def width_labels(places: Sequence[Placement | None]) -> list[str | None]:
    """The third of the width in which each bounce most likely lies, as the striker sees it."""
    return _labels([None if p is None else p.right_m for p in places], WIDTH_EDGES_M, WIDTHS)


def _labels(
    values: Sequence[float | None], edges: tuple[float, float], names: tuple[str, str, str]
) -> list[str | None]:
    return [None if v is None else names[int(np.searchsorted(edges, v))] for v in values]


def _thirds(
    values: Sequence[tuple[float, float] | None],
    labels: Sequence[str | None],
    edges: tuple[float, float],
    names: tuple[str, str, str],
) -> Shares:
    doubtful = 0
    for value, variance in (item for item in values if item is not None):
        away = min(abs(value - edge) for edge in edges)
        doubtful += int(away < SURE_SDS * max(variance, 0.0) ** 0.5)
    return count_shares(labels, names, doubtful)


def target_result(target: Target, x_m: FloatArray, y_m: FloatArray, cov_m2: FloatArray
                  ) -> TargetResult:  # fmt: skip
    """How often a drawn zone was hit.

    Parameters
    ----------
    target : Target
        At least three corners.
    x_m, y_m : (n,) arrays
        Bounces, world frame [m].
    cov_m2 : (n, 2, 2) array
        Their covariances [m²].

    Returns
    -------
    TargetResult
        A bounce is a hit where it most likely lies inside.

    Raises
    ------
    BadInput
        If the target has fewer than three corners.
    """
    corners = np.array(target.corners_m, np.float64).reshape(-1, 2)
    if len(corners) < 3:
        raise BadInput(f"target {target.name!r} has {len(corners)} corners, three or more are one")
    points = np.stack([x_m, y_m], axis=1)
    inside = _inside(points, corners)
    away, normal = _nearest(points, corners)
    sd = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", normal, cov_m2, normal), 0.0))
    doubtful = int(np.sum(away < SURE_SDS * sd))
    hits = int(np.sum(inside))
    return TargetResult(target, len(points), hits, wilson(hits, len(points)), doubtful)


def _inside(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Even-odd rule."""
    x, y = points[:, 0], points[:, 1]
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crosses = (y0 > y) != (y1 > y)
        inside ^= crosses & (x < x0 + (x1 - x0) * (y - y0) / (y1 - y0))
    return np.asarray(inside)


def _nearest(points: FloatArray, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance to the border and the unit vector towards it."""
    best = np.full(len(points), np.inf)
    towards = np.tile([1.0, 0.0], (len(points), 1))
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = b - a
        length2 = float(along @ along)
        share = np.clip((points - a) @ along / length2, 0, 1) if length2 else np.zeros(len(points))
        gap = a + share[:, None] * along - points
        distance = np.hypot(gap[:, 0], gap[:, 1])
        nearer = distance < best
        best[nearer] = distance[nearer]
        keep = nearer & (distance > 1e-12)
        towards[keep] = gap[keep] / distance[keep, None]
    return best, towards
