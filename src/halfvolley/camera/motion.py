"""Small motions of a camera: a turn about its own centre and a shift, six numbers.

step = (w, d): x_camera -> exp([w]x) x_camera + d, that is R -> exp([w]x) R, t -> exp([w]x) t + d.
A turn about the camera's centre moves the whole picture alike; what d adds is small on a tripod.
"""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera import kernels
from halfvolley.camera.projection import project_jacobian, rotation_vector, rotations
from halfvolley.camera.table import strip_points
from halfvolley.types import BoolArray, Camera, FloatArray, IntArray

TURN_SD_RAD = 0.05  # between looks
SHIFT_SD_M = 0.004
CUT_NOISE_PX = 0.05  # no sighting is better than this


def about_camera(d_pose: FloatArray, t_m: FloatArray) -> FloatArray:
    """Derivatives to `step` from those to the pose in `CAMERA_PARAMETERS`.

    Parameters
    ----------
    d_pose : (..., 6) float64
        To (rx, ry, rz, tx, ty, tz).
    t_m : (3,) float64
        Translation of the camera [m].

    Returns
    -------
    (..., 6) float64
        To (w, d).
    """
    x, y, z = t_m
    # w x t = -[t]x w
    minus_t = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
    out = np.array(d_pose, dtype=np.float64)
    out[..., :3] += d_pose[..., 3:] @ minus_t
    return out


def pose_slopes(
    camera: Camera, strip: IntArray, along: FloatArray, normal: FloatArray
) -> FloatArray:
    """(n, 6) how far sightings move along their normals with a step [px/rad, px/m]."""
    d_params = project_jacobian(camera, strip_points(strip, along))[2]
    return about_camera(np.einsum("ni,nij->nj", normal, d_params[:, :, 5:]), camera.t_m)


def moved_camera(camera: Camera, step: FloatArray) -> Camera:
    """The camera after a step."""
    turn = rotations(np.asarray(step, dtype=np.float64)[None, :3])[0]
    return replace(camera, R=turn @ camera.R, t_m=turn @ camera.t_m + step[3:])


def step_between(
    R: FloatArray, t_m: FloatArray, R_after: FloatArray, t_after_m: FloatArray
) -> FloatArray:
    """(6,) the step that leads from one pose to another."""
    turn = R_after @ R.T
    return np.concatenate([rotation_vector(turn), t_after_m - turn @ t_m])


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A motion of the camera as the lines show it."""

    step: FloatArray  # (6,) zero where too little is seen
    info: FloatArray  # (6, 6) what the lines say about it, without any prior
    inlier: BoolArray  # (n,) which sightings agree with it
    rms_px: float  # of those about it

    def sd_px(self, slopes: FloatArray) -> float:
        """Largest sd of what moves with these slopes (k, 6), if nothing is believed before [px]."""
        cov = np.linalg.inv(self.info + np.diag([TURN_SD_RAD**-2.0] * 3 + [SHIFT_SD_M**-2.0] * 3))
        return float(np.sqrt(np.einsum("ij,jk,ik->i", slopes, cov, slopes).max()))


def solve_step(
    off_px: FloatArray, sd_px: FloatArray, J: FloatArray, turn_sd_rad: float = TURN_SD_RAD
) -> Step:
    """The step that explains how far lines lie off, robustly.

    Parameters
    ----------
    off_px : (n,) float64
        Along the normals; NaN where nothing was seen [px].
    sd_px : (n,) float64
        Of each [px].
    J : (n, 6) float64
        `pose_slopes`.
    turn_sd_rad : float
        How far the camera is thought to have turned: decides only what the lines do not [rad].

    Returns
    -------
    Step
        See there.
    """
    seen = np.isfinite(off_px) & np.isfinite(sd_px)
    step, inlier = np.zeros(6), np.zeros(len(off_px), dtype=bool)
    if seen.sum() < 8:
        return Step(step, np.zeros((6, 6)), inlier, np.inf)
    r, A = off_px[seen], J[seen]
    noise = np.minimum(sd_px[seen], 0.3) ** 2 + CUT_NOISE_PX**2
    prior = np.array([turn_sd_rad**-2.0] * 3 + [SHIFT_SD_M**-2.0] * 3)
    step, info, miss, weight = kernels.robust_step(r, A, noise, prior, CUT_NOISE_PX)
    used = weight > 0
    inlier[np.flatnonzero(seen)[used]] = True
    rms = float(np.sqrt(np.mean(miss[used] ** 2))) if used.any() else np.inf
    return Step(step, info, inlier, rms)
