"""Where a line lies across itself: no pull from thin lines, unequal sides or the tone curve."""

import numpy as np
import pytest
from scipy.special import ndtr

from halfvolley.camera import edge_kernels
from halfvolley.camera.sightings import Tone, light_table

REACH = 9.0
S = np.arange(-REACH, REACH + 0.1, edge_kernels.STEP_PX)


def profile(place, width, outside, line, inside, sigma):
    """Light across a blurred line."""
    up = ndtr((S - place + width / 2) / sigma)
    down = ndtr((S - place - width / 2) / sigma)
    return outside + (line - outside) * up + (inside - line) * down


def fit(light, width, sigma, search=3.0, free=False, run=edge_kernels.fit_cut):
    levels = np.zeros(3)
    return (*run(light, REACH, search, width, free, sigma, levels), levels)


@pytest.mark.parametrize("width", [0.3, 1.0, 3.0, 7.0])
@pytest.mark.parametrize("outside", [2.0, 30.0, 90.0])
def test_place_is_exact_whatever_lies_outside(width, outside):
    for place in (-1.3, 0.0, 0.61):
        s0, sd, share, levels = fit(profile(place, width, outside, 80.0, 10.0, 0.7), width, 0.7)
        assert s0 == pytest.approx(place, abs=1e-3)
        assert share > 0.999 and sd < 0.02
        assert levels[2] == pytest.approx(70.0, rel=0.02)


def test_half_height_of_one_edge_is_off_where_the_model_is_not():
    # negative control: the same thin line by the middle between its half-height crossings
    light = profile(0.0, 1.0, 45.0, 80.0, 10.0, 0.9)
    peak = light.max()
    left = np.interp(0.5 * (45.0 + peak), light[S < 0], S[S < 0])
    right = np.interp(-0.5 * (10.0 + peak), -light[S > 0], S[S > 0])
    assert abs(0.5 * (left + right)) > 0.1
    assert abs(fit(light, 1.0, 0.9)[0]) < 1e-3


def test_compiled_and_plain_agree():
    rng = np.random.default_rng(1)
    light = profile(0.4, 2.0, 20.0, 80.0, 10.0, 0.7) + rng.normal(0, 1.0, len(S))
    compiled = fit(light, 2.0, 0.7)
    plain = fit(light, 2.0, 0.7, run=edge_kernels.fit_cut.py_func)
    assert compiled[:3] == pytest.approx(plain[:3], rel=1e-9)


def test_claimed_sd_is_the_spread():
    rng = np.random.default_rng(2)
    places, sds = [], []
    for _ in range(300):
        # independent pixels, sampled half way in between as bilinear sampling does
        pixels = rng.normal(0, 2.0, len(S) // 2 + 2)
        noise = np.interp(np.arange(len(S)) / 2.0, np.arange(len(pixels)), pixels)
        s0, sd, _, _ = fit(profile(0.2, 3.0, 20.0, 80.0, 10.0, 0.7) + noise, 3.0, 0.7)
        places.append(s0)
        sds.append(sd)
    assert np.mean(sds) == pytest.approx(np.std(places), rel=0.35)
    assert abs(np.mean(places) - 0.2) < 0.02


def test_no_line_is_not_found():
    rng = np.random.default_rng(3)
    bright_inside = profile(0.0, 2.0, 10.0, 10.0, 80.0, 0.7)
    assert not fit(bright_inside, 2.0, 0.7)[2] > 0.9
    assert not fit(40.0 + rng.normal(0, 1.0, len(S)), 2.0, 0.7)[2] > 0.9


def test_width_is_found_where_it_is_free():
    light = profile(0.3, 5.0, 20.0, 60.0, 10.0, 0.7)
    assert fit(light, 3.5, 0.7, free=True)[0] == pytest.approx(0.3, abs=0.05)
    assert abs(fit(light, 3.5, 0.7)[0] - 0.3) > 0.1


def test_tone_curve_is_taken_back():
    # blur happens in light: a coded picture of it, read through the right curve, is unbiased
    gamma = 2.2
    coded = np.clip(profile(0.25, 3.0, 40.0, 85.0, 5.0, 0.9) / 100.0, 0, 1) ** (1 / gamma)
    luma = np.round(16 + 219 * coded).astype(np.uint8)
    rows = np.tile(luma[::2], (9, 1))  # one sample a pixel, the line upright
    uv, normal = np.array([[9.0, 4.0]]), np.array([[1.0, 0.0]])

    def place(assumed):
        table = light_table(Tone(gamma=assumed))
        return edge_kernels.measure_cuts(
            rows, table, uv, normal, np.array([3.0]), False, 1.0, 2.0, 0.9
        )[0, 0]

    assert place(gamma) == pytest.approx(0.25, abs=0.03)
    assert abs(place(1.0) - 0.25) > 0.08
