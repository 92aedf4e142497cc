"""From the network's output maps to places: peaks, centres, streaks, radii."""

import numpy as np
from numpy.typing import NDArray

from halfvolley.types.arrays import FloatArray

STREAK_UNIT_PX = 10.0
RADIUS_UNIT_PX = 5.0
U, V, SCORE, SD, STREAK_U, STREAK_V, RADIUS = range(7)
COLUMNS = 7


def peaks(maps: NDArray[np.float32], stride: int, least: float, most: int = 8) -> FloatArray:
    """(n, COLUMNS) local maxima of the score of one picture, best first.

    Parameters
    ----------
    maps : (7, h, w) float32
        Score logit (calibrated), offset of the centre from the middle of the cell in u and v and
        the log of its sd [cells], streak as twice its angle, log of the radius.
    stride : int
        Pixels from cell to cell.
    least : float
        Scores below are left out, 0-1.
    most : int
        How many are kept.

    Returns
    -------
    (n, COLUMNS) float64
        u, v [px], score 0-1, sd of the centre [px], streak u, v [px], radius [px].
    """
    logit = maps[0]
    # a maximum of its surroundings; ties go to the first
    h, w = logit.shape
    padded = np.pad(logit, 1, constant_values=-np.inf)
    best = np.full_like(logit, -np.inf)
    for i in range(3):
        for j in range(3):
            if (i, j) != (1, 1):
                np.maximum(best, padded[i : i + h, j : j + w], out=best)
    floor = np.log(least / (1.0 - least))
    rows, columns = np.nonzero((logit >= best) & (logit >= floor))
    order = np.argsort(-logit[rows, columns], kind="stable")[:most]
    rows, columns = rows[order], columns[order]
    at = maps[:, rows, columns].astype(np.float64)
    out = np.empty((len(rows), COLUMNS))
    out[:, U] = (columns + 0.5 + at[1]) * stride - 0.5
    out[:, V] = (rows + 0.5 + at[2]) * stride - 0.5
    out[:, SCORE] = 1.0 / (1.0 + np.exp(-at[0]))
    out[:, SD] = np.exp(np.clip(at[3], -4.0, 3.0)) * stride
    length = np.hypot(at[4], at[5]) * STREAK_UNIT_PX
    angle = 0.5 * np.arctan2(at[5], at[4])
    out[:, STREAK_U] = length * np.cos(angle)
    out[:, STREAK_V] = length * np.sin(angle)
    out[:, RADIUS] = RADIUS_UNIT_PX * np.exp(np.clip(at[6], -2.5, 3.0))
    return apart(out)


def apart(found: FloatArray) -> FloatArray:
    """Without those that lie within a radius of a better one."""
    keep: list[int] = []
    for i in range(len(found)):
        near = [
            k for k in keep
            if np.hypot(*(found[i, :2] - found[k, :2])) < max(found[k, RADIUS], 3.0)
        ]  # fmt: skip
        if not near:
            keep.append(i)
    return found[keep]
