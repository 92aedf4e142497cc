"""The swept disc against balls painted by many samples."""

import numpy as np
import pytest

from halfvolley.ball import disc
from halfvolley.ball.look import Look
from halfvolley.ball.scoring import centre_covariances

WIDTH, HEIGHT = 200, 120


def rings(planes_of_frames):
    """Planes of several frames as the fit reads them: the last one holds the ball."""
    return [np.ascontiguousarray(np.stack(p)) for p in zip(*planes_of_frames, strict=True)]


def fit(stacks, start, radius_sd=0.4, coarse_only=False):
    """Coarse, then fine fit of the last picture of the stacks; None where it fails."""
    n = len(stacks[0])
    look = Look((WIDTH, HEIGHT))
    prior = np.zeros((1, 2, disc.PARAMETERS))
    prior[0, 0, :5] = start
    r, sx, sy = start[2:]
    prior[0, 1, :5] = 2 * r, 2 * r, radius_sd * r, 0.8 * r + 0.4 * np.hypot(sx, sy), 0.0
    prior[0, 1, 4] = prior[0, 1, 3]
    prior[0, :, disc.LIGHT] = 120.0**2, 10 * 120.0**2
    prior[0, 1, disc.CB : disc.CR + 1] = 100.0
    prior[0, :, disc.BLUR] = look.blur
    prior[0, :, disc.SITE] = look.site
    begin = np.zeros((1, disc.RESULT_COLUMNS))
    begin[0, :5] = start
    for coarse in (True,) if coarse_only else (True, False):
        out = np.zeros((1, disc.RESULT_COLUMNS))
        found = disc.fit_many(
            *stacks, np.ones((n, HEIGHT // 2)), 16.0, n - 1, np.arange(n - 1), begin, prior,
            look.shade, np.array([30.0]), 80.0, disc.phi_table(), coarse, out,
        )  # fmt: skip
        if not found:
            return None
        begin = out
    return begin[0]


def painted(paint, ball, rng, light=None):
    light = paint.hall(WIDTH, HEIGHT) if light is None else light
    empty = [paint.planes(light, rng) for _ in range(4)]
    return rings([*empty, paint.planes(paint.ball(light, ball), rng)])


@pytest.mark.parametrize("streak", [(0.0, 0.0), (4.0, 1.0), (9.0, -6.0), (45.0, 12.0)])
@pytest.mark.parametrize("colour", ["WHITE", "ORANGE"])
def test_centre_radius_and_streak_of_a_lit_ball(paint, streak, colour):
    # No source: these are the tolerances that a few millimetres on the table ask for.
    rng = np.random.default_rng(1)
    off = []
    for k in range(4):
        uv = (97.3 + 0.37 * k, 70.6 - 0.21 * k)
        ball = paint.Ball(uv, 6.2, streak, getattr(paint, colour))
        start = (uv[0] + 0.8, uv[1] - 0.7, 5.4, 0.9 * streak[0] + 1.0, 0.9 * streak[1] + 1.0)
        row = fit(painted(paint, ball, rng), start)
        assert row is not None
        off.append([*(row[:2] - uv), row[disc.R] - 6.2])
        if streak[0]:
            length = np.hypot(row[disc.STREAK_X], row[disc.STREAK_Y])
            assert length == pytest.approx(np.hypot(*streak), abs=0.8)
    along = np.array(streak) / max(np.hypot(*streak), 1.0)
    mean = np.mean(off, axis=0)
    across = abs(mean[0] * along[1] - mean[1] * along[0]) if streak[0] else np.hypot(*mean[:2])
    assert across < 0.2
    assert abs(mean[:2] @ along) < 0.25
    assert abs(mean[2]) < 0.4


def test_the_centroid_of_the_change_is_drawn_to_the_bright_side(paint):
    """Negative control: without the shading in the model the same picture is off by far more."""
    light = np.full((HEIGHT, WIDTH, 3), 0.10)
    ball = paint.Ball((100.2, 60.4), 6.2)
    luma = paint.planes(paint.ball(light, ball))[0].astype(float)
    change = luma - paint.planes(light)[0]
    v = np.mgrid[0:HEIGHT, 0:WIDTH][0]
    bias = (change * v).sum() / change.sum() - 60.4
    row = fit(painted(paint, ball, np.random.default_rng(2), light), (100.0, 60.0, 6.0, 1.0, 1.0))
    assert bias < -0.6
    assert abs(row[disc.V] - 60.4) < 0.3


def test_a_shadow_beside_the_ball_does_not_pull(paint):
    light = paint.hall(WIDTH, HEIGHT)
    shadowed = light.copy()
    v, u = np.mgrid[0:HEIGHT, 0:WIDTH]
    shadowed[((u - 102.0) / 9) ** 2 + ((v - 97.0) / 3) ** 2 < 1] *= 0.3
    ball = paint.Ball((100.2, 89.4), 6.2, (3.0, 1.0))
    rng = np.random.default_rng(3)
    empty = [paint.planes(light, rng) for _ in range(4)]
    stacks = rings([*empty, paint.planes(paint.ball(shadowed, ball), rng)])
    row = fit(stacks, (100.0, 90.0, 6.0, 2.0, 1.0))
    assert np.hypot(row[0] - 100.2, row[1] - 89.4) < 0.35


def test_claimed_errors_hold_the_true_ones(paint):
    rng = np.random.default_rng(4)
    scores = []
    for _ in range(60):
        uv = np.array([100.0, 60.0]) + rng.uniform(-20, 20, 2)
        streak = rng.uniform(-6, 6, 2)
        ball = paint.Ball(tuple(uv), rng.uniform(4, 8), tuple(streak))
        start = (*(uv + rng.normal(0, 0.7, 2)), ball.radius * rng.uniform(0.8, 1.2), *streak)
        row = fit(painted(paint, ball, rng), start)
        if row is not None:
            cov = centre_covariances(row[None])[0]
            scores.append(np.linalg.solve(np.linalg.cholesky(cov), row[:2] - uv))
    scores = np.array(scores)
    assert len(scores) >= 57
    # not smaller than the errors, nor so large that they say nothing
    assert 0.3 < scores.std() < 1.3
    assert np.mean(np.abs(scores) > 3) < 0.03
    assert (4 * scores).std() > 1.3  # the same test refuses claims that are four times too small


def test_chroma_finds_a_ball_as_light_as_its_background(paint):
    grey = np.full((HEIGHT, WIDTH, 3), 0.0)
    colour = paint.ORANGE
    coded = np.sqrt(colour) @ [0.2126, 0.7152, 0.0722]
    grey[:] = coded**2  # luma of the background equals the ball's
    ball = paint.Ball((100.3, 60.7), 6.0, (2.0, 0.0), colour, lit_from=None)
    row = fit(painted(paint, ball, np.random.default_rng(5), grey), (101.0, 60.0, 5.5, 2.0, 1.0))
    assert np.hypot(row[0] - 100.3, row[1] - 60.7) < 0.3
    assert row[disc.CB] < -15
    assert row[disc.CR] > 10


def test_nothing_is_fitted_where_nothing_changed(paint):
    light = paint.hall(WIDTH, HEIGHT)
    rng = np.random.default_rng(6)
    stacks = rings([paint.planes(light, rng) for _ in range(5)])
    row = fit(stacks, (100.0, 60.0, 6.0, 1.0, 1.0))
    assert row is None or row[disc.SNR] < 2.0


def test_a_spot_at_the_edge_of_the_picture(paint):
    rng = np.random.default_rng(7)
    ball = paint.Ball((2.5, 60.3), 6.0, (3.0, 0.0))
    row = fit(painted(paint, ball, rng), (3.0, 60.0, 6.0, 3.0, 0.5))
    assert row is not None
    assert np.hypot(row[0] - 2.5, row[1] - 60.3) < 0.5
    assert fit(painted(paint, ball, rng), (-30.0, 60.0, 6.0, 3.0, 0.5)) is None


def test_compiled_and_plain_agree():
    table = disc.phi_table()
    here, there = np.zeros(6), np.zeros(6)
    for x, y, length in [(3.0, 1.0, 0.0), (8.2, -4.0, 5.0), (25.0, 2.0, 50.0)]:
        args = (x, y, 0.4, -0.3, 6.1, length, 0.3 * length, 0.7, 9, table)
        fast, slow = disc.swept_disc(*args, here), disc.swept_disc.py_func(*args, there)
        assert fast == pytest.approx(slow, abs=1e-12)
        assert here == pytest.approx(there, abs=1e-12)


def test_derivatives_are_those_of_the_coverage():
    table = disc.phi_table()
    d, spare = np.zeros(6), np.zeros(6)
    at = np.array([0.4, -0.3, 6.1, 5.0, 2.0, 0.7])
    for x, y in [(5.5, 2.0), (-6.8, 1.0), (2.0, -6.5)]:
        disc.swept_disc(x, y, *at, 7, table, d)
        for k in range(6):
            ahead, behind = at.copy(), at.copy()
            ahead[k] += 1e-3
            behind[k] -= 1e-3
            up = disc.swept_disc(x, y, *ahead, 7, table, spare)
            down = disc.swept_disc(x, y, *behind, 7, table, spare)
            # the table ends at 3.5 sd and is read in straight lines between its 513 values
            assert d[k] == pytest.approx((up - down) / 2e-3, abs=1e-3)
