"""The worked camera example: pixels, homography and the error of four-corner poses.

Computed once with numpy 2.4.6 and OpenCV 5.0.0, no printed source. Tolerance: half the last digit.
"""

import cv2
import numpy as np
import pytest

from halfvolley.camera.projection import project, project_jacobian
from halfvolley.types import Camera

R = np.array(
    [[0.993884, 0.110432, 0.0], [0.028292, -0.254624, -0.966626], [-0.106746, 0.960714, -0.256190]]
)
POINTS = np.array(
    [[-1.37, -0.7625, 0], [1.37, -0.7625, 0], [1.37, 0.7625, 0], [-1.37, 0.7625, 0],
     [0, -0.915, 0.1525], [0, 0.915, 0.1525]]
)  # fmt: skip
PIXELS = np.array(
    [[373.314, 603.055], [1518.192, 641.774], [1416.153, 490.975], [578.169, 470.381],
     [915.385, 577.782], [990.415, 425.499]]
)  # fmt: skip


def example_camera():
    # rows are printed to six digits: made orthonormal again, from the stated place
    u, _, vt = np.linalg.svd(R)
    turn = u @ vt
    return Camera(
        size_px=(1920, 1080), f_px=1662.769, c_px=np.array([960.0, 540.0]), k=np.zeros(2),
        R=turn, t_m=-turn @ np.array([0.5, -4.5, 1.2]), cov=np.zeros((11, 11)),
    )  # fmt: skip


def test_pixels_of_the_worked_example():
    # 6-digit rotation: 5e-7 rad x 1660 px adds 1e-3 px to half the last digit
    assert project(example_camera(), POINTS) == pytest.approx(PIXELS, abs=2e-3)
    assert example_camera().t_m == pytest.approx([0, 0, 4.684015], abs=5e-6)


def test_homography_of_the_worked_example():
    H = np.array(
        [[330.93892, 236.10249, 960], [-2.263129, 20.368343, 540], [-0.022789, 0.205105, 1]]
    )
    camera = example_camera()
    seen = camera.K @ np.column_stack([camera.R[:, 0], camera.R[:, 1], camera.t_m])
    assert seen / seen[2, 2] == pytest.approx(H, rel=1e-4, abs=1e-3)


def test_pose_error_of_four_corners():
    # sd of the camera's place from 0.5 px on four corners: J^T J gives (5.15, 2.45, 4.31) mm
    camera = example_camera()
    _, _, d = project_jacobian(camera, POINTS[:4])
    A = d[:, :, 5:].reshape(-1, 6) / 0.5
    cov = np.linalg.inv(A.T @ A)
    # centre = -R^T t: turning by r moves it by -R^T (t x r), adding d to t by -R^T d
    t = camera.t_m
    cross = np.array([[0, -t[2], t[1]], [t[2], 0, -t[0]], [-t[1], t[0], 0]])
    J = np.hstack([-camera.R.T @ cross, -camera.R.T])
    assert 1e3 * np.sqrt(np.diag(J @ cov @ J.T)) == pytest.approx([5.15, 2.45, 4.31], abs=0.01)


def test_solve_pnp_finds_the_same_place():
    camera = example_camera()
    uv = project(camera, POINTS[:4])
    _, rvec, tvec = cv2.solvePnP(POINTS[:4], uv, camera.K, None, flags=cv2.SOLVEPNP_IPPE)
    place = -cv2.Rodrigues(rvec)[0].T @ tvec.ravel()
    assert place == pytest.approx(camera.centre_m, abs=1e-6)
    assert place == pytest.approx([0.5, -4.5, 1.2], abs=1e-6)
