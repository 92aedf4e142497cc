"""World points to pixels and pixels to rays, for a `Camera`; the pose of a `ClipCamera` in time."""

import cv2
import numpy as np

from halfvolley.camera import kernels
from halfvolley.errors import BadInput
from halfvolley.types import Camera, ClipCamera, FloatArray


def _rows(array: FloatArray, columns: int, name: str) -> FloatArray:
    rows = np.ascontiguousarray(array, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != columns:
        raise BadInput(f"{name} has shape {rows.shape}, expected (n, {columns})")
    return rows


def _numbers(camera: Camera) -> tuple[float, float, float, float, float]:
    c, k = camera.c_px, camera.k
    return float(camera.f_px), float(c[0]), float(c[1]), float(k[0]), float(k[1])


def project(camera: Camera, xyz_m: FloatArray) -> FloatArray:
    """Pixels at which world points are seen.

    Parameters
    ----------
    camera : Camera
        Camera at one pose.
    xyz_m : (n, 3) float64
        Points in the world frame [m].

    Returns
    -------
    (n, 2) float64
        (u, v), pixel centres at integers [px]; NaN for points behind the camera. Points may fall
        outside the picture.

    Raises
    ------
    BadInput
        If `xyz_m` is not (n, 3).
    """
    xyz = _rows(xyz_m, 3, "xyz_m")
    R, t = np.ascontiguousarray(camera.R), np.ascontiguousarray(camera.t_m)
    return kernels.project_points(*_numbers(camera), R, t, xyz)


def project_jacobian(
    camera: Camera, xyz_m: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels of world points with their derivatives.

    Parameters
    ----------
    camera : Camera
        Camera at one pose.
    xyz_m : (n, 3) float64
        Points in the world frame [m].

    Returns
    -------
    uv_px : (n, 2) float64
        As `project`.
    d_uv_d_xyz : (n, 2, 3) float64
        Derivative to the world point [px/m].
    d_uv_d_params : (n, 2, 11) float64
        Derivative to the camera in the order of `CAMERA_PARAMETERS`.

    Raises
    ------
    BadInput
        If `xyz_m` is not (n, 3).
    """
    xyz = _rows(xyz_m, 3, "xyz_m")
    R, t = np.ascontiguousarray(camera.R), np.ascontiguousarray(camera.t_m)
    return kernels.project_points_jacobian(*_numbers(camera), R, t, xyz)


def rays(camera: Camera, uv_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rays through pixels.

    Parameters
    ----------
    camera : Camera
        Camera at one pose.
    uv_px : (n, 2) float64
        Pixels [px].

    Returns
    -------
    origin_m : (3,) float64
        Place of the camera in the world frame [m].
    directions : (n, 3) float64
        Unit vectors in the world frame; NaN where the distortion reaches no such pixel.

    Raises
    ------
    BadInput
        If `uv_px` is not (n, 2).
    """
    uv = _rows(uv_px, 2, "uv_px")
    R = np.ascontiguousarray(camera.R)
    return camera.centre_m, kernels.ray_directions(*_numbers(camera), R, uv)


def intersect_plane(camera: Camera, uv_px: FloatArray, z_m: float) -> FloatArray:
    """Where rays through pixels meet a horizontal plane.

    Parameters
    ----------
    camera : Camera
        Camera at one pose.
    uv_px : (n, 2) float64
        Pixels [px].
    z_m : float
        Height of the plane: 0 is the playing surface, the ball's radius a bouncing ball's
        centre [m].

    Returns
    -------
    (n, 3) float64
        World points [m]; NaN where the ray does not meet the plane in front of the camera.

    Raises
    ------
    BadInput
        If `uv_px` is not (n, 2).
    """
    origin, directions = rays(camera, uv_px)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (z_m - origin[2]) / directions[:, 2]
        xyz = origin + reach[:, None] * directions
    xyz[~(np.isfinite(reach) & (reach > 0.0))] = np.nan
    xyz[np.isfinite(xyz[:, 2]), 2] = z_m
    return xyz


def pose_at(clip_camera: ClipCamera, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Poses of a clip's camera at given times.

    Parameters
    ----------
    clip_camera : ClipCamera
        Camera with pose knots.
    t_s : (n,) float64
        Times on the clip's own clock [s].

    Returns
    -------
    R : (n, 3, 3) float64
        camera_from_world.
    t_m : (n, 3) float64
        camera_from_world [m].

    Raises
    ------
    BadInput
        If `t_s` has not one dimension.
    """
    times = np.asarray(t_s, dtype=np.float64)
    if times.ndim != 1:
        raise BadInput(f"t_s has shape {times.shape}, expected (n,)")
    knots = clip_camera.knot_t_s
    rvec = np.stack([np.interp(times, knots, c) for c in clip_camera.knot_rvec.T], axis=1)
    t_m = np.stack([np.interp(times, knots, c) for c in clip_camera.knot_t_m.T], axis=1)
    return rotations(rvec), t_m


def camera_at(clip_camera: ClipCamera, t_s: float) -> Camera:
    """The camera of a clip at one time [s] of the clip's own clock."""
    R, t_m = pose_at(clip_camera, np.array([t_s]))
    return clip_camera.camera.at_pose(R[0], t_m[0])


def rotations(rvec: FloatArray) -> FloatArray:
    """(n, 3, 3) rotation matrices of (n, 3) Rodrigues vectors [rad]."""
    angle = np.sqrt(np.einsum("ni,ni->n", rvec, rvec))
    # sin(a)/a and (1 - cos a)/a^2 without loss for small angles
    sinc = np.sinc(angle / np.pi)
    half = np.sinc(angle / (2.0 * np.pi))
    K = np.zeros((len(rvec), 3, 3))
    x, y, z = rvec[:, 0], rvec[:, 1], rvec[:, 2]
    K[:, 0, 1], K[:, 0, 2], K[:, 1, 2] = -z, y, -x
    K[:, 1, 0], K[:, 2, 0], K[:, 2, 1] = z, -y, x
    return np.eye(3) + sinc[:, None, None] * K + (0.5 * half**2)[:, None, None] * (K @ K)


def rotation_vector(R: FloatArray) -> FloatArray:
    """(3,) Rodrigues vector of a rotation matrix [rad]."""
    return np.asarray(cv2.Rodrigues(np.asarray(R, dtype=np.float64))[0]).reshape(3)
