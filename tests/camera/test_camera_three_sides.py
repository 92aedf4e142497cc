"""Three sides of a table and a focal length give the camera."""

import numpy as np
import pytest
from made_scene import BLUE, Thing, look_at, shoot, table_things

from halfvolley.camera import calibrate, project, three_kernels
from halfvolley.camera.find import alike, small_picture, straight_edges
from halfvolley.camera.table import CORNERS_M
from halfvolley.camera.three_sides import cameras_of_three

END = look_at((800, 450), 620, (-4.4, 0.4, 1.5), (0.2, 0, 0), roll=0.05)
SIDE = look_at((800, 450), 600, (0.5, -3.8, 1.3), (0.1, 0, 0))


def directed_line(one, other, inside):
    """(3,) line through two places, positive where `inside` lies."""
    along = (other - one) / np.hypot(*(other - one))
    normal = np.array([-along[1], along[0]])
    normal *= np.sign((inside - one) @ normal)
    return np.array([*normal, -normal @ one])


@pytest.mark.parametrize("camera", [END, SIDE], ids=["end", "side"])
@pytest.mark.parametrize("base", [0, 1, 2, 3])
def test_three_sides_and_a_focal_length_give_the_pose(camera, base):
    corners = np.roll(project(camera, CORNERS_M), -base, axis=0)
    middle = corners.mean(axis=0)
    # the base runs from corner 0 to corner 1; the sides leave it to corners 3 and 2
    lines = np.array([
        directed_line(corners[0], corners[1], middle),
        directed_line(corners[0], corners[3], middle),
        directed_line(corners[1], corners[2], middle),
    ])  # fmt: skip
    is_end = base % 2 == 0
    base_m, side_m = (1.525, 2.74) if is_end else (2.74, 1.525)
    R, t = np.zeros((3, 3)), np.zeros(3)
    done = three_kernels.pose_of_three(
        lines, 0, 1, 2, corners[:2].ravel(), camera.f_px, *camera.c_px, base_m, side_m, is_end, R, t
    )
    assert done
    assert np.allclose(t, camera.t_m, atol=1e-9)
    half_turn = np.array([1.0, 1.0, 1.0]), np.array([-1.0, -1.0, 1.0])
    assert any(np.allclose(R * turn, camera.R, atol=1e-9) for turn in half_turn)


@pytest.mark.parametrize(
    ("camera", "stands"),
    [
        (END, True),
        (look_at((800, 450), 620, (-4.4, 0.4, -1.5), (0.2, 0, 0)), False),  # below the table
        (look_at((800, 450), 620, (-4.4, 0.4, 1.5), (0.2, 0, 0), roll=1.5), False),  # on its side
        (look_at((800, 450), 620, (-0.1, 0.0, 4.5), (0, 0, 0)), False),  # straight from above
    ],
    ids=["tripod", "below", "on its side", "above"],
)
def test_a_camera_stands_upright(camera, stands):
    assert three_kernels.upright(camera.R, camera.t_m) == stands


def test_the_net_decides_the_focal_length():
    """With the far end hidden, net and centre line choose among the cameras of three lines."""
    wall = Thing((1.3, -1.2, -0.76), (0, 2.4, 0), (0, 0, 1.2), (0.35, 0.3, 0.25))
    frames = shoot(END, [*table_things(BLUE), wall], people=0, pictures=1)
    planes = small_picture(frames)
    lines = straight_edges(planes)
    width = END.size_px[0]
    found = cameras_of_three(
        planes.stacked, lines.abc, lines.running, lines.zero, lines.dark, alike(lines.dark, 0.5),
        (0.3 * width, 3.0 * width), 1000,
    )  # fmt: skip
    miss = [np.abs(project(c, CORNERS_M) - project(END, CORNERS_M)).max() for _, c in found[:10]]
    assert min(miss) < 12.0
    assert found[0][0] >= found[-1][0]


@pytest.mark.parametrize("half_width_m", [0.22, 0.3])
def test_a_player_who_never_moves_hides_a_third_of_the_end(half_width_m):
    """Seen from behind an end: the near player hides the middle of both ends, and never moves."""
    camera = look_at((960, 540), 900, (-6.0, 0.0, 1.6), (0.2, 0.0, 0.1))
    body = Thing((-2.1, 0.1, -0.5), (-2.1, 0.1, 0.5), (half_width_m,), (0.5, 0.4, 0.35), pattern=-1)
    frames = shoot(camera, [*table_things(BLUE), body], people=0, pictures=3, seed=2)
    found = calibrate(frames)
    misses = np.hypot(*(project(found.camera, CORNERS_M) - project(camera, CORNERS_M)).T)
    assert misses.max() < 1.0
