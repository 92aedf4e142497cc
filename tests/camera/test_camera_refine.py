"""The fit from sightings: exact without noise, and as uncertain as it claims."""

import numpy as np
import pytest
from made_scene import look_at
from scipy.stats import chi2

from halfvolley.camera import project, table_error_mm
from halfvolley.camera.accuracy import table_grid
from halfvolley.camera.projection import intersect_plane, rotation_vector, rotations
from halfvolley.camera.refine import RefineSettings, refine
from halfvolley.camera.sightings import Sightings, SightSettings, cuts_of
from halfvolley.camera.table import NET, STRIPS, strip_points
from halfvolley.constants import NET_HEIGHT_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.types import Camera

SETTINGS = RefineSettings()
SIZE = (1280, 720)


def true_camera(rng, spread=1.0):
    place = [(0.5, -4.2, 1.5), (-4.8, 0.6, 2.0), (2.6, 2.6, 2.4)][rng.integers(3)]
    k = rng.normal(0, [0.3 * SETTINGS.k1_sd, 0.2 * SETTINGS.k2_sd]) * spread
    off = rng.normal(0, SETTINGS.centre_sd_share * SIZE[0], 2) * spread
    return look_at(SIZE, 1000 * np.exp(rng.normal(0, 0.15)), place, (0, 0, 0), k=k, c_off=off)


def sightings(camera, rng, noise_px, table=1.0):
    """Lines of a table off by its tolerances, each with a pull of its own."""
    cuts = cuts_of(camera, SightSettings(spacing_px=12.0))
    points = strip_points(cuts.strip, cuts.along)
    net = cuts.strip == NET
    sizes = 1.0 + table * rng.normal(size=2) * [
        TABLE_LENGTH_M.sd / TABLE_LENGTH_M.value, TABLE_WIDTH_M.sd / TABLE_WIDTH_M.value,
    ]  # fmt: skip
    points[~net, :2] *= sizes
    q = 2.0 * cuts.along - 1.0
    height_sd = np.hypot(NET_HEIGHT_M.sd, SETTINGS.net_band_sd_m)
    points[net, 0] += table * rng.normal(0, SETTINGS.net_place_sd_m)
    points[net, 2] += table * rng.normal(0, height_sd)
    points[net, 2] += table * rng.normal(0, SETTINGS.net_sag_sd_m) * (1 - q[net] ** 2)
    pull = table * rng.normal(0, SETTINGS.bias_sd_px, (len(STRIPS), 3))
    pull[NET] = 0.0
    shapes = np.stack([np.ones_like(q), q, 1.5 * q * q - 0.5], axis=1)
    off = np.sum(pull[cuts.strip] * shapes, axis=1) + rng.normal(0, noise_px, len(q))
    n = len(q)
    return Sightings(
        strip=cuts.strip, along=cuts.along,
        uv_px=project(camera, points) + off[:, None] * cuts.normal,
        normal=cuts.normal, sd_px=np.full(n, max(noise_px, 1e-3)), contrast=np.full(n, 60.0),
        width_px=np.ones(n), row=np.arange(n),
    )  # fmt: skip


def moved(camera, rng):
    """A start some pixels off, without distortion."""
    return Camera(
        size_px=camera.size_px, f_px=camera.f_px * 1.03, c_px=(np.array(SIZE) - 1) / 2,
        k=np.zeros(2), R=rotations(0.002 * rng.normal(size=(1, 3)))[0] @ camera.R,
        t_m=camera.t_m * np.array([1, 1, 1.03]), cov=np.zeros((11, 11)),
    )  # fmt: skip


def errors(found, camera):
    """Truth less estimate in the order of the covariance."""
    return np.concatenate(
        [[camera.f_px - found.f_px], camera.c_px - found.c_px, camera.k - found.k,
         rotation_vector(camera.R @ found.R.T), camera.t_m - found.t_m]
    )  # fmt: skip


def test_without_noise_the_pixels_are_exact():
    rng = np.random.default_rng(0)
    camera = true_camera(rng, spread=0.3)
    fitted = refine([moved(camera, rng)], [sightings(camera, rng, 0.0, table=0.0)])
    seen = project(fitted.cameras[0], table_grid())
    # priors pull: the lens is not quite an ordinary one
    assert np.abs(seen - project(camera, table_grid())).max() < 0.02
    assert fitted.residual_px < 0.01
    assert fitted.used[NET] > 10


@pytest.mark.parametrize("noise_px", [0.05, 0.3])
def test_covariance_holds_the_truth_as_often_as_it_says(noise_px):
    rng = np.random.default_rng(7)
    distance, ground = [], []
    for _ in range(60):
        camera = true_camera(rng)
        found = refine([moved(camera, rng)], [sightings(camera, rng, noise_px)]).cameras[0]
        e = errors(found, camera)
        distance.append(e @ np.linalg.solve(found.cov, e))
        at = table_grid()
        off = intersect_plane(found, project(camera, at), 0.0) - at
        ground.append(1e3 * np.hypot(off[22, 0], off[22, 1]) / table_error_mm(found).ravel()[22])
    # k1 and k2 are drawn narrower than believed, so the distance is a little under 11
    inside = np.mean(np.array(distance) < chi2.ppf(0.95, 11))
    assert inside >= 0.9
    assert 6.0 < np.mean(distance) < 13.0
    assert 0.5 < np.sqrt(np.mean(np.square(ground))) < 1.4
    # negative control: errors claimed half as large hold it far too seldom
    assert np.mean(4.0 * np.array(distance) < chi2.ppf(0.95, 11)) < 0.6


def test_lines_hidden_in_one_picture_are_made_up_for_by_another():
    rng = np.random.default_rng(9)
    camera = true_camera(rng, spread=0.3)
    one, other = (sightings(camera, rng, 0.05, table=0.0) for _ in range(2))
    start = moved(camera, rng)
    half = one.take(one.strip % 2 == 0)
    together = refine([start, start], [half, other]).cameras[0]
    alone = refine([start], [half]).cameras[0]
    assert np.abs(project(together, table_grid()) - project(camera, table_grid())).max() < 0.35
    assert np.median(table_error_mm(together)) < np.median(table_error_mm(alone))


def test_what_is_not_a_line_does_not_pull():
    rng = np.random.default_rng(10)
    camera = true_camera(rng, spread=0.3)
    seen = sightings(camera, rng, 0.05, table=0.0)
    wrong = rng.random(len(seen)) < 0.2
    seen.uv_px[wrong] += rng.uniform(1.0, 4.0, (wrong.sum(), 1)) * seen.normal[wrong]
    fitted = refine([moved(camera, rng)], [seen])
    assert (
        np.abs(project(fitted.cameras[0], table_grid()) - project(camera, table_grid())).max() < 0.3
    )
    assert sum(fitted.used) < 0.85 * len(seen)
