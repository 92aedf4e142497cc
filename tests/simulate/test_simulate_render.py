"""What is drawn lies where the truth says."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.camera.projection import project
from halfvolley.simulate import raster
from halfvolley.simulate.hall import build_surfaces, render_layers
from halfvolley.simulate.lens import camera_views
from halfvolley.simulate.path import FLIGHT, BallPath, Game
from halfvolley.simulate.render import Renderer
from halfvolley.simulate.scene import Drift, resting_camera, table_corners
from halfvolley.simulate.stage import Stage

SHADES = raster.ball_shades(np.eye(3), np.zeros((0, 4)), 1.0, np.zeros(3), np.ones(3), 0.0)


def straight(p0, v, t0=-0.2, t1=0.4):
    """A ball that flies evenly and passes p0 at time 0."""
    t = np.array([t0, t1])
    xyz = np.array(p0) + t[:, None] * np.array(v)
    path = BallPath(0, t, xyz, np.tile(v, (2, 1)).astype(float), np.zeros((2, 3)),
                    np.full(2, FLIGHT))  # fmt: skip
    return Game((path,), (), (), (), 0.02)


def seen(scene, game, t_s=0.0):
    stage = Stage(game, (), scene.ball, np.eye(3), np.zeros(3))
    views = camera_views(scene.rig, np.array([t_s]), np.random.default_rng(0))
    renderer = Renderer(scene, [stage], views, np.random.default_rng(1), spp=6)
    return renderer.frame(views[0], t_s, np.random.default_rng(2)), views[0]


@pytest.mark.parametrize("k1", [0.0, -0.2])
@pytest.mark.parametrize("readout_s", [0.0, 0.012, 0.030])
@pytest.mark.parametrize(
    ("exposure_s", "v"),
    [(1 / 2000, (3.0, 0.0, 1.0)), (1 / 500, (-12.0, 1.0, -3.0)), (1 / 120, (20.0, -2.0, 2.0)),
     (1 / 60, (9.0, 0.0, -6.0)), (1 / 250, (0.0, 0.0, 0.0))],
)  # fmt: skip
def test_ball_is_drawn_where_it_is_projected(scene, exposure_s, v, readout_s, k1):
    rig = replace(scene.rig, exposure_s=exposure_s, readout_s=readout_s, k1=k1, k2=0.0)
    picture, view = seen(replace(scene, rig=rig), straight((0.35, -0.3, 0.5), v))
    ball = picture.ball
    assert ball.visible > 0.98
    assert np.hypot(*(ball.centroid_px - ball.uv_px)) < 0.05
    # the truth's place is the camera's projection of the truth's point, at that row's time
    uv = project(view.camera(rig.size_px), ball.xyz_m[None])[0]
    assert np.hypot(*(uv - ball.uv_px)) < 1e-6
    row_time = readout_s * ball.uv_px[1] / rig.size_px[1] + exposure_s / 2
    assert ball.t_s == pytest.approx(row_time, abs=1e-8)
    for end, share in ((ball.uv_start_px, 0.0), (ball.uv_end_px, 1.0)):
        t = readout_s * end[1] / rig.size_px[1] + share * exposure_s
        at = np.array((0.35, -0.3, 0.5)) + t * np.array(v)
        uv = project(view.camera(rig.size_px), at[None])[0]
        assert np.hypot(*(uv - end)) < 1e-4


def test_a_ball_without_rolling_shutter_is_elsewhere(scene):
    game = straight((0.35, -0.3, 0.5), (15.0, 0.0, 0.0))
    places = []
    for readout in (0.0, 0.030):
        rig = replace(scene.rig, readout_s=readout)
        places.append(seen(replace(scene, rig=rig), game)[0].ball.uv_px)
    assert abs(places[1][0] - places[0][0]) > 5


def test_streak_is_as_long_as_the_truth_says(scene):
    """Second moment: r^2/4 of the disc, length^2/12 of its way, 1/12 of the pixel."""
    rig = replace(scene.rig, exposure_s=1 / 100, readout_s=0.0, k1=0.0, k2=0.0, blur_px=0.0)
    game = straight((0.2, -0.2, 0.55), (16.0, 0.0, 0.0))
    with_ball, _ = seen(replace(scene, rig=rig), game)
    b = with_ball.ball
    length = np.hypot(*(b.uv_end_px - b.uv_start_px))
    cover = coverage(replace(scene, rig=rig), game)
    _, x = np.mgrid[: cover.shape[0], : cover.shape[1]]
    mean_x = (cover * x).sum() / cover.sum()
    spread = (cover * (x - mean_x) ** 2).sum() / cover.sum()
    assert spread == pytest.approx((b.radius_px**2 + (length**2 + 1) / 3) / 4, rel=0.02)
    assert spread != pytest.approx((b.radius_px**2 + (1.21 * length**2 + 1) / 3) / 4, rel=0.02)
    assert cover.sum() == pytest.approx(np.pi * b.radius_px**2, rel=0.02)


def coverage(scene, game):
    """Visible coverage of the ball over the whole picture."""
    rig = scene.rig
    w, h = rig.size_px
    camera = resting_camera(rig)
    times = (np.arange(400) + 0.5) / 400 * rig.exposure_s
    path = game.paths[0]
    lens = np.array([rig.f_px, *camera.c_px, rig.k1, rig.k2])
    outline = raster.outlines(path.xyz_at(times), 0.02, lens, camera.R, camera.t_m)
    cover, light = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)
    none = np.zeros(400, bool)
    raster.draw_ball(
        times, rig.exposure_s / 400, outline, 0.0, rig.readout_s, rig.exposure_s, h, 0.25, 4,
        SHADES, np.zeros((0, 1, 28, 24)), np.zeros((0, 1), np.int64), np.zeros(1), 1.0,
        np.zeros((h, w, 5), np.float32), np.zeros((h, w, 4), np.float32), none, none, 0, 0,
        light, cover, np.zeros(4),
    )  # fmt: skip
    return cover


def test_share_hidden_by_a_limb_is_the_share_covered(scene):
    camera = resting_camera(scene.rig)
    w, h = scene.rig.size_px
    lens = np.array([scene.rig.f_px, *camera.c_px, 0.0, 0.0])
    outline = raster.outlines(np.array([[0.0, 0.0, 0.4]]), 0.06, lens, camera.R, camera.t_m)
    u = outline[0, 0]
    limbs = np.zeros((1, 1, 28, 24))
    # a limb 40 px wide whose right rim runs down through the ball's middle
    limbs[0, 0, 0, :10] = [u - 40, -50, 40, u - 40, h + 50, 40, 1.0, 1.0, 0, 0]
    shares = {}
    for distance in (1.0, 99.0):
        limbs[0, 0, 0, 6:8] = distance
        sums = np.zeros(4)
        none = np.zeros(1, bool)
        raster.draw_ball(
            np.array([0.0005]), 0.001, outline, 0.0, 0.0, 0.001, h, 1.0, 1, SHADES, limbs,
            np.ones((1, 1), np.int64), np.zeros(1), 1.0, np.zeros((h, w, 5), np.float32),
            np.zeros((h, w, 4), np.float32), none, none, 0, 0,
            np.zeros((h, w, 3), np.float32), np.zeros((h, w), np.float32), sums,
        )  # fmt: skip
        shares[distance] = sums[1] / sums[0]
    assert shares[1.0] == pytest.approx(0.5, abs=0.03)
    assert shares[99.0] == 1.0


def test_the_table_hides_a_ball_below_it_and_the_net_dims_one_behind_it(scene):
    below, _ = seen(scene, straight((0.3, 0.0, -0.12), (0, 0, 0)))
    assert below.ball.visible < 0.02
    above, _ = seen(scene, straight((0.3, 0.0, 0.3), (0, 0, 0)))
    assert above.ball.visible > 0.98
    rig = replace(scene.rig, centre_m=(-4.5, 0.2, 1.0))
    end = replace(scene, rig=rig)
    behind, _ = seen(end, straight((0.6, 0.0, 0.04), (0, 0, 0)))
    before, _ = seen(end, straight((-0.6, 0.0, 0.04), (0, 0, 0)))
    assert 0.5 < behind.ball.visible < 0.95
    assert before.ball.visible > 0.98


def test_the_ball_changes_the_picture_as_much_as_contrast_says(scene):
    rig = replace(scene.rig, exposure_s=1 / 1000, read_noise=0.0, shot_noise=0.0)
    still = replace(scene, rig=rig)
    picture, _ = seen(still, straight((0.35, -0.3, 0.5), (0, 0, 0)))
    far, _ = seen(still, straight((0.35, -0.3, 50.5), (0, 0, 0)))
    u, v = np.round(picture.ball.uv_px).astype(int)
    change = np.abs(picture.luma.astype(int) - far.luma.astype(int))
    assert change[v - 2 : v + 3, u - 2 : u + 3].max() > 5
    assert picture.ball.contrast > 20
    outside = change.copy()
    outside[v - 12 : v + 13, u - 12 : u + 13] = 0
    assert outside.max() <= 2  # but for a faint shadow


@pytest.mark.parametrize("k1", [0.03, -0.15])
def test_table_edges_are_within_a_twentieth_of_a_pixel(scene, k1):
    rig = replace(scene.rig, k1=k1, k2=0.0)
    camera = resting_camera(rig)
    layers = render_layers(build_surfaces(replace(scene, rig=rig)), camera, 4, 0.0, 3)
    cover = layers.table[..., 3]
    far_side = 0.7625 if rig.centre_m[1] < 0 else -0.7625
    x = np.linspace(-1.2, 1.2, 400)
    x = x[np.abs(x) > 0.1]
    uv = project(camera, np.stack([x, np.full_like(x, far_side), np.zeros_like(x)], 1)) + 4
    misses = []
    for column in range(int(uv[:, 0].min()) + 2, int(uv[:, 0].max()) - 1):
        order = np.argsort(uv[:, 0])
        v = np.interp(column, uv[order, 0], uv[order, 1])
        top, bottom = int(v) - 4, int(v) + 5
        # rows from the window's top to the edge are not table
        edge = top - 0.5 + (1.0 - cover[top:bottom, column]).sum()
        misses.append(edge - v)
    misses = np.array(misses)
    assert len(misses) > 80
    assert abs(misses.mean()) < 0.02
    assert np.sqrt((misses**2).mean()) < 0.05


def test_a_turning_camera_keeps_the_table_where_it_projects(scene):
    """The still picture is warped, not rendered anew: the warp must be the camera's own."""
    drift = Drift(turn_rad=(0.004, -0.01, 0.006), turn_s=1.0)
    rig = replace(scene.rig, drift=drift, k1=-0.15, k2=0.02, blur_px=0.0)
    turned = replace(scene, rig=rig)
    views = camera_views(rig, np.array([0.0, 1.0]), np.random.default_rng(0))
    renderer = Renderer(turned, [], views, np.random.default_rng(1), spp=24)
    for view in views:
        cover = renderer.still.at(view)[1][..., 3]
        corners = project(view.camera(rig.size_px), table_corners())
        middle = project(view.camera(rig.size_px), np.array([[0.5, 0.7625, 0.0]]))[0]
        if rig.centre_m[1] > 0:
            middle = project(view.camera(rig.size_px), np.array([[0.5, -0.7625, 0.0]]))[0]
        u, top = round(middle[0]), int(middle[1]) - 5
        slope = 0.0
        far = project(view.camera(rig.size_px),
                      np.array([[0.6, np.sign(-rig.centre_m[1]) * 0.7625, 0.0]]))[0]  # fmt: skip
        slope = (far[1] - middle[1]) / (far[0] - middle[0])
        edge = top - 0.5 + (1.0 - cover[top : top + 11, u]).sum()
        assert edge == pytest.approx(middle[1] + slope * (u - middle[0]), abs=0.12)
        assert np.isfinite(corners).all()
    moved = project(views[1].camera(rig.size_px), table_corners()) - project(
        views[0].camera(rig.size_px), table_corners()
    )
    assert np.abs(moved).max() > 2


@pytest.mark.parametrize(
    ("low", "high", "first_last"),
    [
        (2.2, 5.9, (3, 5)), (-4.0, 1.5, (0, 1)), (7.5, 80.0, (8, 9)), (-9.0, -2.0, (0, -1)),
        (-1e300, 1e300, (0, 9)), (1e300, 1e301, (0, -1)), (-np.inf, np.inf, (0, 9)),
        (np.nan, np.nan, (0, -1)),
    ],
)  # fmt: skip
def test_what_lies_beside_the_camera_is_drawn_nowhere_else(low, high, first_last):
    """Of any size: a number that no integer holds once wrote beside the picture."""
    assert raster._within(low, high, 10) == first_last
