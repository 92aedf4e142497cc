"""Projection against OpenCV, its derivatives against differences, and the way back."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfvolley.camera import kernels
from halfvolley.camera.projection import (
    camera_at,
    intersect_plane,
    pose_at,
    project,
    rays,
    rotation_vector,
    rotations,
)
from halfvolley.errors import BadInput
from halfvolley.types import Camera, ClipCamera, Shutter


def some_camera(rng, k1=-0.12, k2=0.03):
    R = rotations(np.array([[1.9, 0.1, -0.2]]) + 0.2 * rng.normal(size=(1, 3)))[0]
    return Camera(
        size_px=(1920, 1080), f_px=1300.0 + 200 * rng.normal(), c_px=np.array([955.0, 543.0]),
        k=np.array([k1, k2]), R=R, t_m=np.array([0.1, 0.2, 4.5]), cov=np.zeros((11, 11)),
    )  # fmt: skip


def some_points(rng, n=40):
    return rng.uniform([-2, -1.5, -0.3], [2, 1.5, 1.0], size=(n, 3))


def test_projection_agrees_with_opencv():
    rng = np.random.default_rng(1)
    for k1, k2 in [(-0.12, 0.03), (0.2, -0.05), (0.0, 0.0)]:
        camera, xyz = some_camera(rng, k1, k2), some_points(rng)
        dist = np.array([k1, k2, 0.0, 0.0, 0.0])
        seen = cv2.projectPoints(xyz, rotation_vector(camera.R), camera.t_m, camera.K, dist)[0]
        assert np.abs(seen.reshape(-1, 2) - project(camera, xyz)).max() < 1e-8


def test_undistortion_agrees_with_opencv():
    rng = np.random.default_rng(2)
    camera = some_camera(rng)
    uv = rng.uniform([0, 0], [1920, 1080], size=(50, 2))
    dist = np.array([*camera.k, 0.0, 0.0, 0.0])
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    # the variant with a stopping rule has its own name before OpenCV 5
    undistort = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)
    ideal = undistort(
        uv.reshape(-1, 1, 2), camera.K, dist, R=np.eye(3), P=np.eye(3), criteria=criteria
    ).reshape(-1, 2)
    _, directions = rays(camera, uv)
    seen = directions @ camera.R.T
    assert np.abs(seen[:, :2] / seen[:, 2:] - ideal).max() < 1e-9


@pytest.mark.parametrize("compiled", [True, False])
def test_jacobian_agrees_with_differences(compiled):
    rng = np.random.default_rng(3)
    camera, xyz = some_camera(rng), some_points(rng, 7)
    run = kernels.project_points_jacobian
    numbers = (camera.f_px, *camera.c_px, *camera.k, camera.R, camera.t_m, xyz)
    uv, d_xyz, d_params = run(*numbers) if compiled else run.py_func(*numbers)
    assert np.abs(uv - project(camera, xyz)).max() < 1e-10
    h = 1e-6
    for j in range(3):
        step = np.eye(3)[j] * h
        slope = (project(camera, xyz + step) - project(camera, xyz - step)) / (2 * h)
        assert np.abs(slope - d_xyz[:, :, j]).max() < 1e-4
    for j in range(11):
        ends = []
        for sign in (1, -1):
            d = np.zeros(11)
            d[j] = sign * h
            moved = Camera(
                size_px=camera.size_px, f_px=camera.f_px + d[0], c_px=camera.c_px + d[1:3],
                k=camera.k + d[3:5], R=rotations(d[None, 5:8])[0] @ camera.R,
                t_m=camera.t_m + d[8:11], cov=camera.cov,
            )  # fmt: skip
            ends.append(project(moved, xyz))
        assert np.abs((ends[0] - ends[1]) / (2 * h) - d_params[:, :, j]).max() < 1e-4


@settings(max_examples=50, deadline=None)
@given(
    x=st.floats(-1.5, 1.5), y=st.floats(-0.9, 0.9), z=st.floats(-0.1, 0.8),
    k1=st.floats(-0.2, 0.2), k2=st.floats(-0.03, 0.03),
)  # fmt: skip
def test_there_and_back(x, y, z, k1, k2):
    camera = some_camera(np.random.default_rng(4), k1, k2)
    xyz = np.array([[x, y, z]])
    back = intersect_plane(camera, project(camera, xyz), z)
    assert back == pytest.approx(xyz, abs=1e-7)


def test_what_cannot_be_seen_is_not_a_number():
    camera = some_camera(np.random.default_rng(5))
    behind = camera.centre_m - camera.R[2]
    assert np.isnan(project(camera, behind[None])).all()
    sky = project(camera, (camera.centre_m + np.array([0.1, 3.0, 0.5]))[None])
    assert np.isnan(intersect_plane(camera, sky, 0.0)).all()
    # barrel distortion folds: a pixel beyond the fold belongs to no ray
    assert np.isnan(kernels.undistort_radius(-0.3, 0.0, 0.9))


@pytest.mark.parametrize(
    ("k1", "k2", "d"), [(-0.3, 0.0, 0.6), (-0.5, 0.1, 0.5), (0.1, -0.2, 0.7), (0.3, 0.1, 2.0)]
)
def test_undistortion_takes_the_branch_of_the_lens(k1, k2, d):
    roots = np.roots([k2, 0.0, k1, 0.0, 1.0, -d])
    real = roots[np.abs(roots.imag) < 1e-9].real
    assert kernels.undistort_radius(k1, k2, d) == pytest.approx(real[real > 0].min(), abs=1e-12)


def test_other_shapes_are_refused():
    camera = some_camera(np.random.default_rng(6))
    with pytest.raises(BadInput, match=r"\(3, 2\)"):
        project(camera, np.zeros((3, 2)))


def test_pose_is_interpolated_and_held_outside():
    camera = some_camera(np.random.default_rng(7))
    r0 = rotation_vector(camera.R)
    clip = ClipCamera(
        camera=camera, shutter=Shutter(0.0, 0.01, 0.002, 0.001, "assumed"),
        knot_t_s=np.array([1.0, 3.0]), knot_rvec=np.stack([r0, r0 + np.array([0.0, 0.02, 0.0])]),
        knot_t_m=np.stack([camera.t_m, camera.t_m + np.array([0.0, 0.0, 0.1])]),
        usable_s=np.array([[0.0, 4.0]]), residual_px=0.1, residual_mm=0.2, warnings=(),
    )  # fmt: skip
    R, t = pose_at(clip, np.array([0.0, 2.0, 9.0]))
    assert R[0] == pytest.approx(camera.R, abs=1e-12)
    assert rotation_vector(R[1]) == pytest.approx(r0 + np.array([0.0, 0.01, 0.0]), abs=1e-9)
    assert t[:, 2] == pytest.approx([4.5, 4.55, 4.6])
    assert camera_at(clip, 2.0).R == pytest.approx(R[1])
    assert np.abs(camera_at(clip, 2.0).R - camera.R).max() > 1e-3
