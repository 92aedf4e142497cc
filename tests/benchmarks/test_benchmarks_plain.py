"""The plain rival works where its conditions hold, and fails where they do not."""

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from halfvolley.physics import Environment, bounce, fly, landing
from halfvolley.types import Detections, Frame, Tracks
from halfvolley.video import VideoWriter

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import plain

WIDTH, HEIGHT, RATE = 960, 540, 60.0
K = np.array([[830.0, 0, 479.5], [0, 830.0, 269.5], [0, 0, 1]])
ORANGE, WHITE, GREEN = (140, 70, 170), (210, 128, 128), (70, 110, 100)


def looking_from(centre_m):
    """Rotation and translation of a camera that looks at the middle of the table."""
    forward = -np.asarray(centre_m, float) / np.linalg.norm(centre_m)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return R, -R @ centre_m


POSE = looking_from(np.array([0.4, -3.6, 1.6]))


def pixels(xyz_m):
    p = (np.atleast_2d(xyz_m) @ POSE[0].T + POSE[1]) @ K.T
    return p[:, :2] / p[:, 2:]


CORNERS_M = np.array(
    [[-1.37, -0.7625, 0], [-1.37, 0.7625, 0], [1.37, 0.7625, 0], [1.37, -0.7625, 0]]
)
CORNERS_PX = pixels(CORNERS_M)


def one_bounce(phase_s=0.013):
    """Stamps, centres and the truth (t, x, y) of a ball that comes from the left and bounces."""
    e = Environment()
    start = [-1.2, -0.3, 0.35], [5.0, 0.8, 0.6], [0, 100.0, 0]
    touch = landing(*start, 0.02, e)
    v, w = bounce(touch.v_mps[0], touch.omega_radps[0])
    t = np.arange(0, 0.6, 1 / RATE) + phase_s
    before = fly(*start, t[t < touch.t_s[0]], e)
    after = fly(touch.xyz_m[0], v, w, t[t >= touch.t_s[0]] - touch.t_s[0], e)
    return t, np.vstack([before.xyz_m, after.xyz_m]), (touch.t_s[0], *touch.xyz_m[0, :2])


def drawn(xyz_m, colour):
    """YCbCr pictures (h, w, 3) of a ball over a table, with some noise."""
    rng = np.random.default_rng(3)
    table = np.full((HEIGHT, WIDTH, 3), (45, 128, 128), np.uint8)
    cv2.fillPoly(table, [CORNERS_PX.round().astype(np.int32)], GREEN)
    for uv in pixels(xyz_m):
        picture = table.copy()
        centre = tuple(int(x) for x in np.round(uv * 16))
        cv2.circle(picture, centre, int(16 * 4.6), colour, -1, cv2.LINE_AA, 4)
        yield picture + rng.integers(0, 6, (HEIGHT, WIDTH, 1), np.uint8)


def frames(t, pictures):
    for i, (t_s, p) in enumerate(zip(t, pictures, strict=True)):
        yield Frame(i, float(t_s), p[:, :, 0].copy(), p[::2, ::2, 1].copy(), p[::2, ::2, 2].copy())


def test_finds_the_bounce_of_a_clean_clip_to_a_frame(tmp_path):
    t, xyz, (t_b, x_b, y_b) = one_bounce()
    clip = tmp_path / "clean.mp4"
    with VideoWriter(clip, (WIDTH, HEIGHT)) as out:
        for f in frames(t, drawn(xyz, ORANGE)):
            out.write_planes(f.luma, f.cb, f.cr, f.t_s)
    found = plain.plain_bounces(clip, CORNERS_PX)
    assert len(found.t_s) == 1
    assert found.t_s[0] == pytest.approx(t_b, abs=1 / RATE)
    assert found.xy_m[0] == pytest.approx([x_b, y_b], abs=0.12)


@pytest.mark.parametrize(("colour", "name"), [(ORANGE, "orange"), (WHITE, "white")])
def test_the_colour_that_moves_as_a_ball_is_the_ball(colour, name):
    t, xyz, _ = one_bounce()
    s = plain.PlainSettings()
    paths = plain.blob_paths(frames(t, drawn(xyz, colour)), ("orange", "white"), CORNERS_PX, s)
    smooth = [plain.smooth_steps(p, CORNERS_PX, s) for p in paths]
    assert smooth.index(max(smooth)) == ("orange", "white").index(name)
    assert min(smooth) == 0 and max(smooth) > 15


def test_a_ball_of_the_table_s_colour_is_not_found():
    t, xyz, _ = one_bounce()
    s = plain.PlainSettings()
    (path,) = plain.blob_paths(frames(t, drawn(xyz, GREEN)), ("orange",), CORNERS_PX, s)
    assert len(path.frame) == 0
    assert len(plain.turns(path, CORNERS_PX, s).t_s) == 0


def detections(t, uv, radius_px=4.6):
    n = len(t)
    eye = np.broadcast_to(np.eye(2), (n, 2, 2)).copy()
    return Detections(
        np.arange(n), t, uv, eye, np.full(n, radius_px), np.zeros((n, 2)), np.ones(n),
        np.zeros(n, np.int64),
    )  # fmt: skip


def test_perfect_detections_still_err_by_the_frame():
    errors_m = []
    for phase in np.arange(8) / 8:
        t, xyz, (t_b, x_b, y_b) = one_bounce(phase / RATE)
        found = plain.nearest_frame_bounces(detections(t, pixels(xyz)), CORNERS_PX)
        assert len(found.t_s) == 1
        assert abs(found.t_s[0] - t_b) <= 1 / RATE
        errors_m.append(np.linalg.norm(found.xy_m[0] - [x_b, y_b]))
    # at 5 m/s a frame is 80 mm; a full one at worst
    assert 0.01 < np.median(errors_m) < 0.06
    assert max(errors_m) < 0.10


def test_a_centre_maps_too_far_away_and_tracks_say_what_detections_say():
    t, xyz, _ = one_bounce()
    seen = detections(t, pixels(xyz))
    lowest = plain.nearest_frame_bounces(seen, CORNERS_PX)
    centre = plain.nearest_frame_bounces(seen, CORNERS_PX, plain.PlainSettings(point="centre"))
    assert centre.xy_m[0, 1] > lowest.xy_m[0, 1] + 0.02
    pieces = Tracks(seen, (np.arange(0, 12), np.arange(10, len(t))))
    assert np.array_equal(plain.nearest_frame_bounces(pieces, CORNERS_PX).xy_m, lowest.xy_m)


def test_flights_without_a_bounce_and_bounces_off_the_table_are_no_bounces():
    t, xyz, _ = one_bounce()
    up = fly([-1.0, 0, 0.1], [4, 0, 2.5], [0, 0, 0], t).xyz_m
    assert len(plain.nearest_frame_bounces(detections(t, pixels(up)), CORNERS_PX).t_s) == 0
    beside = detections(
        t, pixels(xyz - np.array([0, 0, 0.76]))
    )  # on the floor in front of the table
    assert len(plain.nearest_frame_bounces(beside, CORNERS_PX).t_s) == 0
    assert len(plain.nearest_frame_bounces(Detections.empty(), CORNERS_PX).t_s) == 0


def test_corners_map_to_the_corners():
    h = plain.table_from_image(CORNERS_PX)
    assert plain.mapped(h, CORNERS_PX) == pytest.approx(CORNERS_M[:, :2], abs=1e-5)
