"""A camera held against a ball on marks: claims that hold, and cameras that are worse."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from halfvolley.camera import MARK_NAMES, camera_at, compare_marks, marks_m, project
from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.errors import BadInput, Unknown
from halfvolley.types import Camera, ClipCamera, Shutter

SIZE_PX = (1920, 1080)
PIXEL_SD, PLACING_SD_M = 0.2, 0.002


def camera():
    centre = np.array([0.4, -4.3, 1.5])
    forward = np.array([0.0, 0.1, 0.0]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(forward, right), forward])
    sd = np.array([4.0, 1.0, 1.0, 2e-3, 1e-3, 5e-4, 5e-4, 3e-4, 2e-3, 2e-3, 4e-3])
    return Camera(
        SIZE_PX, 1700.0, np.array([962.0, 536.0]), np.array([-0.05, 0.01]), turn, -turn @ centre,
        np.diag(sd**2),
    )  # fmt: skip


def moved(c, off):
    turn = cv2.Rodrigues(off[5:8])[0]
    return replace(
        c, f_px=c.f_px + off[0], c_px=c.c_px + off[1:3], k=c.k + off[3:5], R=turn @ c.R,
        t_m=c.t_m + off[8:11],
    )  # fmt: skip


def clip_camera(c, later=None):
    """Still, or turning from one pose to another over ten seconds."""
    poses = [c, later or c]
    rvec = np.stack([cv2.Rodrigues(p.R)[0].ravel() for p in poses])
    return ClipCamera(
        c, Shutter(0.01, 0.001, 0.002, 0.0005, "given"), np.array([0.0, 10.0]), rvec,
        np.stack([p.t_m for p in poses]), np.array([[0.0, 20.0]]), 0.2, 1.0, (),
    )  # fmt: skip


def sightings(rng, true, missing=()):
    laid = marks_m().copy()
    laid[:, :2] += rng.normal(0.0, PLACING_SD_M, (6, 2))
    uv = project(true, laid) + rng.normal(0.0, PIXEL_SD, (6, 2))
    cov = PIXEL_SD**2 * np.eye(2)
    return [Unknown("a hand") if i in missing else (1.0 + i, uv[i], cov) for i in range(len(laid))]


def test_marks_are_one_radius_inside_the_edges():
    marks = marks_m(0.02)
    x, y = TABLE_LENGTH_M.value / 2 - 0.02, TABLE_WIDTH_M.value / 2 - 0.02
    named = dict(zip(MARK_NAMES, marks, strict=True))
    # player A looks along +x, so that -y lies to the right
    np.testing.assert_allclose(named["right corner of end A"], [-x, -y, 0.02])
    np.testing.assert_allclose(named["left corner of end A"], [-x, y, 0.02])
    np.testing.assert_allclose(named["right corner of end B"], [x, y, 0.02])
    np.testing.assert_allclose(named["middle of end B"], [x, 0.0, 0.02])


def test_a_camera_as_good_as_it_claims_agrees():
    """Chi-square of cameras drawn from their own covariance: its mean, and few called doubtful."""
    c, rng = camera(), np.random.default_rng(1)
    checks = []
    for _ in range(120):
        true = moved(c, rng.multivariate_normal(np.zeros(11), c.cov))
        checks.append(compare_marks(clip_camera(c), sightings(rng, true)))
    squares = np.array([k.chi_square for k in checks])
    assert squares.mean() == pytest.approx(12.0, abs=3 * np.sqrt(24 / 120))
    assert sum(k.verdict != "agrees" for k in checks) <= 14  # 6 expected, sd 2.4
    assert sum(k.verdict == "worse" for k in checks) <= 2


def test_a_camera_worse_than_it_claims_is_called_so():
    """Negative control: the same cameras claiming a third of their errors."""
    c, rng = camera(), np.random.default_rng(2)
    proud = replace(c, cov=c.cov / 9.0)
    verdicts = []
    for _ in range(20):
        true = moved(c, rng.multivariate_normal(np.zeros(11), 4.0 * c.cov))
        check = compare_marks(clip_camera(proud), sightings(rng, true))
        verdicts.append(check.verdict)
        assert check.factor == pytest.approx(np.sqrt(check.chi_square / 12))
    assert verdicts.count("worse") >= 15


def test_common_errors_of_the_camera_are_counted_once():
    """Differences that one motion of the camera explains, against the same ones back and forth."""
    c, rng = camera(), np.random.default_rng(4)
    cov = PIXEL_SD**2 * np.eye(2)
    uv = project(c, marks_m())
    together, torn = [], []
    for _ in range(12):
        true = moved(c, rng.multivariate_normal(np.zeros(11), c.cov))
        step = project(true, marks_m()) - uv
        back = step * np.array([1, -1, 1, -1, 1, -1])[:, None]
        for off, squares in ((step, together), (back, torn)):
            check = compare_marks(clip_camera(c), [(1.0, p, cov) for p in uv + off])
            squares.append(check.chi_square)
    assert np.median(together) < 12.0
    assert np.median(torn) > 1.5 * np.median(together)


def test_distances_are_those_on_the_table():
    c = camera()
    laid = marks_m().copy()
    laid[2, :2] += [0.03, -0.04]
    seen = [(1.0, p, PIXEL_SD**2 * np.eye(2)) for p in project(c, laid)]
    check = compare_marks(clip_camera(c), seen)
    assert check.worst_mm == pytest.approx(50.0, abs=0.01)
    assert check.mean_mm == pytest.approx(50.0 / 6, abs=0.01)
    assert check.marks[2].name == MARK_NAMES[2]
    assert check.verdict == "worse"


def test_the_pose_is_that_of_the_moment():
    c = camera()
    later = moved(c, np.array([0, 0, 0, 0, 0, 0.01, -0.02, 0.0, 0.01, 0, 0]))
    clip = clip_camera(c, later)
    seen = [
        (t, project(camera_at(clip, t), p[None])[0], PIXEL_SD**2 * np.eye(2))
        for t, p in zip(np.linspace(0.0, 9.0, 6), marks_m(), strict=True)
    ]
    assert compare_marks(clip, seen).worst_mm < 0.01
    assert compare_marks(clip_camera(c), seen).worst_mm > 15.0


def test_a_larger_ball_lies_further_inside():
    c = camera()
    seen = [(1.0, p, PIXEL_SD**2 * np.eye(2)) for p in project(c, marks_m(0.022))]
    assert compare_marks(clip_camera(c), seen, radius_m=0.022).worst_mm < 0.01
    assert compare_marks(clip_camera(c), seen).worst_mm > 1.0


def test_marks_that_were_not_seen_are_named():
    rng, c = np.random.default_rng(3), camera()
    check = compare_marks(clip_camera(c), sightings(rng, c, missing=(1, 4)))
    assert check.missing == ((MARK_NAMES[1], "a hand"), (MARK_NAMES[4], "a hand"))
    assert check.degrees == 8
    few = compare_marks(clip_camera(c), sightings(rng, c, missing=(0, 1, 2, 3)))
    assert isinstance(few, Unknown)
    assert "2 of 6 marks" in few.reason
    with pytest.raises(BadInput, match="6 marks"):
        compare_marks(clip_camera(c), sightings(rng, c)[:5])
