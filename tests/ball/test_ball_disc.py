"""The swept disc against balls painted by many samples."""

import numpy as np
import pytest
from scipy import stats

from halfvolley.ball import disc, swept
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
    prior = np.zeros((1, 2, swept.PARAMETERS))
    prior[0, 0, :5] = start
    r, sx, sy = start[2:]
    prior[0, 1, :5] = 2 * r, 2 * r, radius_sd * r, 0.8 * r + 0.4 * np.hypot(sx, sy), 0.0
    prior[0, 1, 4] = prior[0, 1, 3]
    prior[0, :, swept.LIGHT] = 120.0**2, 10 * 120.0**2
    prior[0, 1, swept.CB : swept.CR + 1] = 100.0
    prior[0, :, swept.BLUR] = look.blur
    prior[0, :, swept.SITE] = look.site
    begin = np.zeros((1, disc.RESULT_COLUMNS))
    begin[0, :5] = start
    for coarse in (True,) if coarse_only else (True, False):
        out = np.zeros((1, disc.RESULT_COLUMNS))
        found = disc.fit_many(
            *stacks, np.ones((n, HEIGHT // 2)), 16.0, n - 1, np.arange(n - 1), begin, prior,
            look.shade, np.array([30.0]), 80.0, coarse, out,
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
        off.append([*(row[:2] - uv), row[swept.R] - 6.2])
        if streak[0]:
            length = np.hypot(row[swept.STREAK_X], row[swept.STREAK_Y])
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
    assert abs(row[swept.V] - 60.4) < 0.3


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
    assert row[swept.CB] < -15
    assert row[swept.CR] > 10


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


def cover(places, at, compiled=True):
    """Equation (1) and its derivatives at (n, 2) places; `at` is u, v, r, sx, sy, w."""
    pixels = np.zeros((swept.PIXEL_ROWS, len(places)), np.float32)
    pixels[: swept.Y + 1] = np.asarray(places).T
    out = np.zeros((swept.COVER_ROWS, len(places)), np.float32)
    u, v, *rest = at
    run = swept.cover_of if compiled else swept.cover_of.py_func
    run(pixels, 0, len(places), (u, v), *rest, out)
    return out[: swept.D_BLUR + 1].astype(float)


PLACES = [(3.0, 1.0), (8.2, -4.0), (5.5, 2.0), (-6.8, 1.0), (2.0, -6.5), (25.0, 2.0)]


@pytest.mark.parametrize("streak", [(0.0, 0.0), (5.0, 1.5), (50.0, 15.0)])
def test_compiled_and_plain_agree(streak):
    at = (0.4, -0.3, 6.1, *streak, 0.7)
    assert cover(PLACES, at) == pytest.approx(cover(PLACES, at, compiled=False), abs=2e-6)


def test_derivatives_are_those_of_the_cover():
    at = np.array([0.4, -0.3, 6.1, 5.0, 2.0, 0.7])
    slopes = cover(PLACES, at)[swept.D_U :]
    assert np.abs(slopes).max() > 0.1
    for k in range(6):
        ahead, behind = at.copy(), at.copy()
        ahead[k] += 4e-3
        behind[k] -= 4e-3
        difference = (cover(PLACES, ahead)[0] - cover(PLACES, behind)[0]) / 8e-3
        assert slopes[k] == pytest.approx(difference, abs=2e-4)  # single precision


def test_the_cover_is_near_that_of_a_normal_edge():
    """Equation (1) with SciPy's normal integral in the place of the triweight's."""
    at = (0.4, -0.3, 6.1, 5.0, 2.0, 0.7)
    rng = np.random.default_rng(3)
    places = rng.uniform(-12.0, 12.0, (500, 2)).astype(np.float32)
    tau = (np.arange(5) + 0.5) / 5 - 0.5
    steps = places[:, None, :] - np.array(at[:2]) - tau[:, None] * np.array(at[3:5])
    edge = stats.norm.cdf((at[2] - np.hypot(steps[..., 0], steps[..., 1])) / at[5])
    assert cover(places, at)[0] == pytest.approx(edge.mean(axis=1), abs=0.016)


def test_normal_equations_are_those_of_plain_numpy():
    """J^T W J from numerical differences of what is left, plane by plane."""
    rng = np.random.default_rng(8)
    places = rng.uniform(-11.0, 11.0, (400, 2))
    pixels = np.zeros((swept.PIXEL_ROWS, 400), np.float32)
    pixels[: swept.Y + 1] = places.T
    pixels[swept.SEEN] = rng.uniform(60.0, 160.0, 400)
    pixels[swept.BACK] = rng.uniform(60.0, 160.0, 400)
    ends = (200, 300, 400)
    theta = np.array([0.3, 0.2, 6.0, 5.0, 1.0, 12e3, 0.0, 0.0, 0.0, 0.8, -20.0, 15.0, 0.3])
    noise = np.array([3.0, 2.0, 2.5])

    def compared(at):
        cover = np.zeros((swept.COVER_ROWS, 400), np.float32)
        out = np.zeros((swept.COMPARED_ROWS, 400))
        normal, grad = np.zeros((13, 13)), np.zeros(13)
        swept.build(pixels, ends, at, noise, 1e9, cover, out, normal, grad, np.zeros(swept.SUMS))
        return out, normal, grad

    out, normal, grad = compared(theta)
    jacobian = np.zeros((400, 13))
    for k in range(13):
        step = 4e-3 if k < 5 or k >= 9 else 1.0
        ahead, behind = theta.copy(), theta.copy()
        ahead[k] += step
        behind[k] -= step
        jacobian[:, k] = (compared(behind)[0] - compared(ahead)[0])[swept.LEFT] / (2 * step)
    weight = out[swept.WEIGHT] / 25.0 * np.where(np.arange(400) < 200, 1.0, 0.5)
    expected = jacobian.T @ (weight[:, None] * jacobian)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    # evenly lit: that the shading moves with the place is left out of the derivatives on purpose
    known = [0, 1, 2, 3, 4, 5, 9, 10, 11, 12]
    lower = np.tril(np.ones((13, 13), bool))[np.ix_(known, known)]
    off = ((normal - expected) / scale)[np.ix_(known, known)]
    assert np.abs(off[lower]).max() < 0.03
    assert np.sum(weight * out[swept.LEFT] * jacobian[:, 0]) == pytest.approx(grad[0], rel=0.02)
