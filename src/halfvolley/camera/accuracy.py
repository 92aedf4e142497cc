"""What a camera's covariance means in millimetres on the table and in pixels."""

import numpy as np

from halfvolley.camera.projection import camera_at, project, project_jacobian
from halfvolley.camera.table import HALF_LENGTH_M, HALF_WIDTH_M
from halfvolley.types import Camera, ClipCamera, FloatArray

GRID = (9, 5)  # places along and across the table


def table_grid(z_m: float = 0.0) -> FloatArray:
    """(45, 3) places spread over the playing surface, at a height [m]."""
    x = np.linspace(-HALF_LENGTH_M, HALF_LENGTH_M, GRID[0])
    y = np.linspace(-HALF_WIDTH_M, HALF_WIDTH_M, GRID[1])
    xx, yy = np.meshgrid(x, y, indexing="ij")
    return np.stack([xx.ravel(), yy.ravel(), np.full(xx.size, z_m)], axis=1)


def table_error_mm(camera: Camera | ClipCamera) -> FloatArray:
    """Standard deviation with which places on the table are known from the camera alone.

    Parameters
    ----------
    camera : Camera or ClipCamera
        With its covariance; of a clip the camera at its first frame.

    Returns
    -------
    (9, 5) float64
        Root of the summed variances along x and y at places spread over the surface, x first [mm].
    """
    one = camera.camera if isinstance(camera, ClipCamera) else camera
    _, d_xyz, d_params = project_jacobian(one, table_grid())
    ground = np.linalg.inv(d_xyz[:, :, :2]) @ d_params
    cov = ground @ one.cov @ ground.transpose(0, 2, 1)
    return 1e3 * np.sqrt(np.trace(cov, axis1=1, axis2=2)).reshape(GRID)


def reprojection_sd_px(camera: Camera | ClipCamera) -> FloatArray:
    """Standard deviation with which places on the table are known in the picture.

    Parameters
    ----------
    camera : Camera or ClipCamera
        With its covariance.

    Returns
    -------
    (9, 5) float64
        Root of the summed variances of u and v at places spread over the surface, x first [px].
    """
    one = camera.camera if isinstance(camera, ClipCamera) else camera
    _, _, d_params = project_jacobian(one, table_grid())
    cov = d_params @ one.cov @ d_params.transpose(0, 2, 1)
    return np.sqrt(np.trace(cov, axis1=1, axis2=2)).reshape(GRID)


def drift_px(clip_camera: ClipCamera) -> FloatArray:
    """How far the table has moved in the picture since the clip began.

    Parameters
    ----------
    clip_camera : ClipCamera
        With its poses through time.

    Returns
    -------
    (m,) float64
        At each of its knots, the largest move over the playing surface [px].
    """
    start = project(clip_camera.camera, table_grid())
    moved = [
        project(camera_at(clip_camera, float(t)), table_grid()) - start
        for t in clip_camera.knot_t_s
    ]
    return np.array([float(np.hypot(*uv.T).max()) for uv in moved])
