"""A ball laid on marks of the table, against where the camera says it lies: a check from outside.

A ball that touches two upright things held against the table's end and side has its centre one
radius inside both edges and one radius above the surface; with lines of 20 mm and a ball of 40 mm
that is above the inner corner of the white lines. At the ends of the centre line it touches the
thing at the end and lies on the middle of the line.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from halfvolley.camera.projection import camera_at, intersect_plane, project_jacobian
from halfvolley.camera.table import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.constants import BALL_RADIUS_M
from halfvolley.errors import BadInput, Unknown
from halfvolley.types import ClipCamera, FloatArray

MARK_NAMES = (
    "right corner of end A", "middle of end A", "left corner of end A", "right corner of end B",
    "middle of end B", "left corner of end B",
)  # fmt: skip
"""The marks once around the table; right and left as the player at that end sees them."""

PLACING_SD_M = 0.002  # how exactly a person lays a ball against two upright things
FEWEST_MARKS = 3
Verdict = Literal["agrees", "doubtful", "worse"]
DOUBTFUL, WORSE = 0.05, 0.002  # chance of such differences from a camera as good as it claims


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One mark as the camera saw it."""

    name: str
    t_s: float  # while the ball lay there [s]
    uv_px: FloatArray  # (2,) where it was seen
    true_m: FloatArray  # (2,) where it lay: x, y of the ball's centre [m]
    seen_m: FloatArray  # (2,) where the camera puts it [m]
    cov_m2: FloatArray  # (2, 2) claimed, of the difference: camera, detection and placing

    @property
    def off_mm(self) -> float:
        """Distance between the two [mm]."""
        return 1e3 * float(np.hypot(*(self.seen_m - self.true_m)))

    @property
    def sd_mm(self) -> float:
        """Claimed standard deviation of the distance: root of the summed variances [mm]."""
        return 1e3 * float(np.sqrt(np.trace(self.cov_m2)))


@dataclass(frozen=True, slots=True, eq=False)
class MarksCheck:
    """A camera held against marks on the table."""

    marks: tuple[Mark, ...]
    missing: tuple[tuple[str, str], ...]  # (name, why it was not seen)
    mean_mm: float  # mean distance
    worst_mm: float
    chi_square: float  # of all differences with their common covariance
    degrees: int
    chance: float  # of a chi-square as large if the errors are as claimed
    verdict: Verdict

    @property
    def factor(self) -> float:
        """How many times larger the differences are than their claimed errors; 1 is as claimed."""
        return float(np.sqrt(self.chi_square / self.degrees))


def marks_m(radius_m: float = BALL_RADIUS_M.value) -> FloatArray:
    """(6, 3) places of the ball's centre on the marks, in the order of `MARK_NAMES` [m]."""
    x, y = HALF_LENGTH_M - radius_m, HALF_WIDTH_M - radius_m
    xy = [(-x, -y), (-x, 0.0), (-x, y), (x, y), (x, 0.0), (x, -y)]
    return np.array([(*p, radius_m) for p in xy])


def compare_marks(
    camera: ClipCamera,
    seen: Sequence[tuple[float, FloatArray, FloatArray] | Unknown],
    *,
    radius_m: float = BALL_RADIUS_M.value,
    placing_sd_m: float = PLACING_SD_M,
) -> MarksCheck | Unknown:
    """How far a camera is off at marks of the table, against what it claims.

    Parameters
    ----------
    camera : ClipCamera
        With its covariance.
    seen : sequence of (float, (2,) array, (2, 2) array) or Unknown
        For each mark in the order of `MARK_NAMES`: when and where the resting ball was seen [s, px]
        and the covariance of that [px^2]; or why it was not.
    radius_m : float
        Radius of the ball [m].
    placing_sd_m : float
        How exactly the ball was laid, along x and along y [m].

    Returns
    -------
    MarksCheck or Unknown
        Unknown where fewer than three marks were seen.

    Raises
    ------
    BadInput
        If there is not one entry for each mark.

    Notes
    -----
    The errors of the camera are common to all marks, so the chi-square uses their joint covariance.
    The table's own size is not in it: marks and calibration share it.
    """
    if len(seen) != len(MARK_NAMES):
        raise BadInput(f"there are {len(MARK_NAMES)} marks, and {len(seen)} sightings were given")
    places = marks_m(radius_m)
    rows = [i for i, s in enumerate(seen) if not isinstance(s, Unknown)]
    missing = tuple((MARK_NAMES[i], s.reason) for i, s in enumerate(seen) if isinstance(s, Unknown))
    if len(rows) < FEWEST_MARKS:
        why = "; ".join(f"{name}: {reason}" for name, reason in missing)
        return Unknown(f"the ball was seen on {len(rows)} of {len(seen)} marks only ({why})")
    n = len(rows)
    times, uvs, covs = zip(*(s for s in seen if not isinstance(s, Unknown)), strict=True)
    off, cov, to_params = np.zeros(2 * n), np.zeros((2 * n, 2 * n)), []
    ground: list[FloatArray] = []
    for k, i in enumerate(rows):
        at = slice(2 * k, 2 * k + 2)
        one = camera_at(camera, times[k])
        ground.append(intersect_plane(one, np.asarray(uvs[k])[None], radius_m)[0, :2])
        off[at] = ground[k] - places[i, :2]
        _, d_xyz, d_params = project_jacobian(one, places[i][None])
        to_ground = np.linalg.inv(d_xyz[0, :, :2])
        cov[at, at] = to_ground @ covs[k] @ to_ground.T + placing_sd_m**2 * np.eye(2)
        to_params.append(-to_ground @ d_params[0])
    stacked = np.concatenate(to_params)
    cov += stacked @ camera.camera.cov @ stacked.T
    square = float(off @ np.linalg.solve(cov, off))
    chance = float(chdtrc(2 * n, square))
    marks = tuple(
        Mark(
            MARK_NAMES[i], times[k], np.asarray(uvs[k]), places[i, :2], ground[k],
            cov[2 * k : 2 * k + 2, 2 * k : 2 * k + 2],
        )
        for k, i in enumerate(rows)
    )  # fmt: skip
    distances = [m.off_mm for m in marks]
    return MarksCheck(
        marks, missing, float(np.mean(distances)), max(distances), square, 2 * n, chance,
        "worse" if chance < WORSE else "doubtful" if chance < DOUBTFUL else "agrees",
    )  # fmt: skip
