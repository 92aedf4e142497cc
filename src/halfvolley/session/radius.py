"""How large the ball can look at each place of the picture, once the camera is known."""

import numpy as np

from halfvolley.ball import RadiusMap
from halfvolley.camera import rays
from halfvolley.types import Camera, FloatArray

CELL_PX = 32
# where a ball in play can be: the playing space of the rules is 14 x 7 m, and high lobs
LOW_M = np.array([-6.0, -3.5, -0.76])
HIGH_M = np.array([6.0, 3.5, 3.5])
NEAREST_M = 0.8  # a ball nearer to the lens than this is not in play


def radius_map(camera: Camera, ball_radius_m: float) -> RadiusMap:
    """Smallest and largest radius of the ball in each cell of the picture.

    Parameters
    ----------
    camera : Camera
        At the clip's first frame.
    ball_radius_m : float
        Radius of the ball [m].

    Returns
    -------
    RadiusMap
        From the stretch of each line of sight that lies in the playing space; NaN where it misses
        that space.
    """
    width, height = camera.size_px
    columns, rows = -(-width // CELL_PX), -(-height // CELL_PX)
    near = np.full((rows, columns), np.inf)
    far = np.full((rows, columns), -np.inf)
    for du in (0.0, 0.5, 1.0):
        for dv in (0.0, 0.5, 1.0):
            v, u = np.mgrid[0:rows, 0:columns]
            uv = np.stack([(u + du) * CELL_PX, (v + dv) * CELL_PX], axis=-1).reshape(-1, 2) - 0.5
            one, two = _depths(camera, uv)
            near = np.fmin(near, one.reshape(rows, columns))
            far = np.fmax(far, two.reshape(rows, columns))
    empty = ~(far > near)
    with np.errstate(divide="ignore", invalid="ignore"):
        r_min, r_max = camera.f_px * ball_radius_m / far, camera.f_px * ball_radius_m / near
    r_min[empty] = r_max[empty] = np.nan
    return RadiusMap(CELL_PX, r_min, r_max)


def _depths(camera: Camera, uv_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Depth at which each line of sight enters and leaves the playing space; NaN where never."""
    origin, directions = rays(camera, uv_px)
    with np.errstate(divide="ignore", invalid="ignore"):
        one = (LOW_M - origin) / directions
        two = (HIGH_M - origin) / directions
    enter = np.fmax.reduce(np.fmin(one, two), axis=1)
    leave = np.fmin.reduce(np.fmax(one, two), axis=1)
    depth = directions @ camera.R[2]  # along the optical axis, for each metre of ray
    enter = np.maximum(enter * depth, NEAREST_M)
    leave = leave * depth
    misses = ~(leave > enter)
    return np.where(misses, np.nan, enter), np.where(misses, np.nan, leave)
