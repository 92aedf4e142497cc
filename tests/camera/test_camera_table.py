"""The table's model: sizes, order, and its lines in a picture."""

from dataclasses import replace

import numpy as np
import pytest
from made_scene import look_at

from halfvolley.camera import (
    LINE_NAMES,
    drift_px,
    model_polylines,
    project,
    reprojection_sd_px,
    table_error_mm,
)
from halfvolley.camera.accuracy import table_grid
from halfvolley.camera.hand import corner_miss, line_miss
from halfvolley.camera.projection import intersect_plane, rotation_vector, rotations
from halfvolley.camera.sightings import cuts_of
from halfvolley.camera.table import CORNERS_M, NET, POSTS_M, STRIPS
from halfvolley.errors import Unknown
from halfvolley.types import Camera, ClipCamera, Shutter


def test_corners_are_in_the_order_of_the_command_line():
    assert np.sign(CORNERS_M[:, :2]).tolist() == [[-1, -1], [-1, 1], [1, 1], [1, -1]]
    # ITTF Laws 2.1.1 and 2.2.2: 2.74 x 1.525 m, net 0.1525 m high and 0.1525 m beyond the sides
    assert np.hypot(*(CORNERS_M[0] - CORNERS_M[2])[:2]) == pytest.approx(3.135797, abs=5e-7)
    assert POSTS_M.tolist() == pytest.approx(np.array([[0, -0.915, 0.1525], [0, 0.915, 0.1525]]))


def test_lines_lie_inside_the_edge_with_their_widths():
    for strip in STRIPS[:4]:
        outer, inner = strip.start_m + strip.section_m
        assert np.linalg.norm(inner - outer) == pytest.approx(0.020)  # Law 2.1.4
        assert max(abs(outer[0]) / 1.37, abs(outer[1]) / 0.7625) == pytest.approx(1.0)
        assert strip.inward @ (strip.start_m + strip.end_m) < 0  # towards the middle
    assert np.ptp(STRIPS[4].section_m[:, 1]) == pytest.approx(0.003)  # Law 2.1.6
    top = STRIPS[5].start_m[2] + STRIPS[5].section_m[:, 2].max()
    assert top == pytest.approx(0.1525)


def test_drawn_lines_lie_on_the_model():
    camera = look_at((640, 360), 450, (0.4, -4.0, 1.4), (0, 0, 0), k=(-0.2, 0.0))
    lines = model_polylines(camera)
    assert len(lines) == len(LINE_NAMES)
    outer = lines[0]
    corners = project(camera, CORNERS_M)
    for corner in corners:
        assert np.hypot(*(outer - corner).T).min() < 1e-9
    # a bent line is drawn bent
    side = outer[np.argsort(np.hypot(*(outer - corners[0]).T))]
    chord = corners[3] - corners[0]
    along = chord / np.hypot(*chord)
    bow = max(
        abs(float(along[0] * (p - corners[0])[1] - along[1] * (p - corners[0])[0]))
        for p in side
        if 0 < (p - corners[0]) @ along
    )
    assert bow > 1.0
    assert lines[3].shape[1] == 2 and np.isfinite(lines[3]).all()


def test_predicted_error_on_the_table_is_that_of_drawn_cameras():
    rng = np.random.default_rng(1)
    camera = look_at((640, 360), 450, (0.4, -4.0, 1.4), (0, 0, 0), k=(-0.05, 0.0))
    sd = np.array([2, 1, 1, 0.01, 0.003, 1e-3, 5e-4, 1e-3, 2e-3, 2e-3, 5e-3])
    root = np.diag(sd) @ np.linalg.cholesky(0.3 * np.ones((11, 11)) + 0.7 * np.eye(11))
    camera = Camera(
        size_px=camera.size_px, f_px=camera.f_px, c_px=camera.c_px, k=camera.k, R=camera.R,
        t_m=camera.t_m, cov=root @ root.T,
    )  # fmt: skip
    at = table_grid()
    uv = project(camera, at)
    off, shift = [], []
    for _ in range(400):
        e = root @ rng.normal(size=11)
        other = Camera(
            size_px=camera.size_px, f_px=camera.f_px + e[0], c_px=camera.c_px + e[1:3],
            k=camera.k + e[3:5], R=rotations(e[None, 5:8])[0] @ camera.R,
            t_m=camera.t_m + e[8:], cov=camera.cov,
        )  # fmt: skip
        off.append(intersect_plane(other, uv, 0.0) - at)
        shift.append(project(other, at) - uv)
    drawn_mm = 1e3 * np.sqrt(np.mean(np.sum(np.square(off), axis=2), axis=0))
    drawn_px = np.sqrt(np.mean(np.sum(np.square(shift), axis=2), axis=0))
    assert table_error_mm(camera).ravel() == pytest.approx(drawn_mm, rel=0.15)
    assert reprojection_sd_px(camera).ravel() == pytest.approx(drawn_px, rel=0.15)


def test_drift_is_what_the_table_moves_in_the_picture():
    camera = look_at((640, 360), 450, (0.4, -4.0, 1.4), (0, 0, 0))
    # a turn about the camera's own upright axis moves what lies in the middle by f times the angle
    turn = rotations(np.array([[0.0, 0.004, 0.0]]))[0]
    clip_camera = ClipCamera(
        camera, Shutter(0.0, 0.0, 0.0, 0.0, "given"), np.array([0.0, 1.0]),
        np.stack([rotation_vector(camera.R), rotation_vector(turn @ camera.R)]),
        np.stack([camera.t_m, turn @ camera.t_m]), np.array([[0.0, 1.0]]), 0.1, 1.0, (),
    )  # fmt: skip
    still, moved = drift_px(clip_camera)
    assert still == pytest.approx(0.0, abs=1e-6)
    # further out it moves by more: 1 + (x/z)^2
    assert 450 * 0.004 <= moved < 1.25 * 450 * 0.004


def test_how_far_given_corners_are_from_a_tables():
    camera = look_at((640, 360), 450, (0.4, -4.0, 1.4), (0, 0, 0), k=(-0.05, 0.0))
    assert corner_miss(camera, project(camera, CORNERS_M)) == pytest.approx((0.0, 0.0), abs=1e-6)
    moved = CORNERS_M.copy()
    moved[2] += [-0.03, 0.04, 0.0]
    off_px, off_mm = corner_miss(camera, project(camera, moved))
    assert off_mm == pytest.approx(50.0, abs=1e-3)
    wanted = np.hypot(*(project(camera, moved) - project(camera, CORNERS_M)).T)
    assert off_px == pytest.approx(wanted.max())


def test_how_far_the_lines_of_a_picture_are_from_a_camera_as_it_stands(side):
    camera, frames = side
    luma = frames[0].luma
    exact = line_miss(luma, camera)
    assert exact.px < 0.3 and exact.share > 0.7
    # pictured 3 px to the side: lines across that move by 3 px, lines along it by none
    moved = replace(camera, c_px=camera.c_px + np.array([3.0, 0.0]))
    cuts = cuts_of(moved)
    across = np.abs(cuts.normal[cuts.strip != NET, 0])
    miss = line_miss(luma, moved)
    assert miss.px == pytest.approx(3.0 * np.sqrt(np.mean(across**2)), abs=0.4)
    # 800 px see 5 m or so there, and the slant makes more of it
    assert 3.0 < miss.mm / miss.px < 40.0
    away = replace(camera, c_px=camera.c_px + np.array([0.0, 110.0]))
    assert "no lines" in line_miss(luma, away).reason
    assert isinstance(line_miss(np.full_like(luma, 90), camera), Unknown)
