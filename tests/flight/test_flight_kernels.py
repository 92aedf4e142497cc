"""Compiled parts of the flight room: derivatives against differences, compiled against plain."""

import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.camera.projection import rotations
from halfvolley.flight import FlightSettings, kernels
from halfvolley.flight.pieces import prior

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp

AIR = np.array(mp.DEFAULT)
STATE = np.array([-0.4, 0.2, 0.25, 7.0, -1.0, 1.5, 40.0, 160.0, -70.0])
BEFORE = np.array([-0.4, 0.2, 0.25, -5.0, 0.5, -2.0, -20.0, -90.0, 30.0])

ZERO = np.zeros(11)
ONE, TWO = 10, 17  # numbers of one arc, of two that touch


class View:
    """A moving camera and what it sees of a flight."""

    def __init__(self, n: int, rng: np.random.Generator, t0_s=12.0, span_s=0.2) -> None:
        camera = mp.looking((0.3, -4.6, 1.4), f_px=1450.0)
        self.t0 = t0_s
        self.t_seen = t0_s + np.linspace(-0.3 * span_s, 0.7 * span_s, n)
        shake = rotations(0.002 * rng.normal(size=(n, 3)))
        self.R = shake @ camera.R
        self.t = camera.t_m + 0.003 * rng.normal(size=(n, 3))
        self.lever = np.column_stack([np.full(n, 0.5), rng.uniform(0, 1, n)])
        root = rng.normal(size=(n, 2, 2)) + 2.0 * np.eye(2)
        self.white = np.ascontiguousarray(root)
        self.uv = rng.uniform(300, 900, (n, 2))
        self.intrinsics = np.array([1450.0, 955.0, 545.0, -0.06, 0.02])

    def residuals(self, state=STATE, t0=0.0, cam=ZERO, air=ZERO, late=ZERO[:2], bias=ZERO[:2],
                  law=ZERO[:1], plain=False):  # fmt: skip
        function = kernels.arc_residuals.py_func if plain else kernels.arc_residuals
        g, b, drag, lift, decay, radius, bend = AIR
        return function(
            state, self.t0 + t0, g + air[0], b, drag + air[1], lift + air[2], decay, radius,
            bend + law[0],
            self.intrinsics + cam[:5], rotations(cam[None, 5:8])[0], cam[8:11], bias,
            self.t_seen + self.lever @ late, self.lever, self.R, self.t, self.uv, self.white,
        )  # fmt: skip


@pytest.fixture
def view():
    return View(7, np.random.default_rng(8))


def slopes(function, n, step):
    """(..., n) central differences of a function of an (n,) shift."""
    out = []
    for i in range(n):
        h = np.zeros(n)
        h[i] = np.broadcast_to(step, n)[i]
        out.append((function(h) - function(-h)) / (2.0 * h[i]))
    return np.stack(out, axis=-1)


def test_residuals_are_whitened_pixels_of_the_flight(view):
    res, *_, xyz = view.residuals()
    place = mp.Nature().fly(STATE, view.t_seen - view.t0)[:, :3]
    np.testing.assert_allclose(xyz, place, atol=3e-6)  # the fits integrate in longer steps
    c = np.einsum("nij,nj->ni", view.R, place) + view.t
    a = c[:, :2] / c[:, 2:]
    s = np.sum(a**2, axis=1, keepdims=True)
    f, cx, cy, k1, k2 = view.intrinsics
    uv = f * a * (1 + k1 * s + k2 * s**2) + [cx, cy]
    np.testing.assert_allclose(res, np.einsum("nij,nj->ni", view.white, uv - view.uv), atol=1e-4)


def test_derivatives_of_residuals_to_the_state_and_its_time(view):
    _, d_state, d_t0, _, _ = view.residuals()
    step = np.array([1e-5] * 3 + [1e-4] * 3 + [1e-2] * 3)
    numeric = slopes(lambda h: view.residuals(STATE + h)[0], 9, step)
    scale = np.abs(numeric).max(axis=(0, 1))
    np.testing.assert_allclose(d_state / scale, numeric / scale, atol=2e-6)
    numeric = slopes(lambda h: view.residuals(t0=h[0])[0], 1, 1e-6)[..., 0]
    np.testing.assert_allclose(d_t0, numeric, rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "at", "step"),
    [
        ("cam", slice(0, 11), [1e-2] * 3 + [1e-5] * 2 + [1e-6] * 3 + [1e-6] * 3),
        ("air", slice(11, 14), [1e-3, 1e-4, 1e-4]),
        ("late", slice(14, 16), 1e-6),
        ("bias", slice(16, 18), 1e-2),
        ("law", slice(18, 19), 1e-3),
    ],
)
def test_derivatives_of_residuals_to_what_all_arcs_share(view, name, at, step):
    _, _, _, d_glob, _ = view.residuals()
    n = at.stop - at.start
    numeric = slopes(lambda h: view.residuals(**{name: h})[0], n, step)
    scale = np.abs(numeric).max(axis=(0, 1))
    assert np.all(scale > 0)
    np.testing.assert_allclose(d_glob[..., at] / scale, numeric / scale, atol=2e-6)


def test_a_flight_behind_the_camera_has_no_pull(view):
    behind = STATE.copy()
    behind[1] = -9.0
    res, d_state, d_t0, d_glob, _ = view.residuals(behind)
    assert np.all(res == 1e3)
    assert not np.any(d_state) and not np.any(d_t0) and not np.any(d_glob)


def test_compiled_residuals_equal_plain_ones(view):
    for fast, plain in zip(view.residuals(), view.residuals(plain=True), strict=True):
        np.testing.assert_allclose(fast, plain, rtol=1e-12, atol=1e-12)


class Pair:
    """Two flights that touch at a place, seen in undistorted coordinates with noise."""

    def __init__(self, rng: np.random.Generator, n=(6, 7)) -> None:
        camera = mp.looking((0.3, -4.6, 1.4), f_px=1450.0)
        self.tau = np.concatenate([np.linspace(-0.11, -0.01, n[0]), np.linspace(0.01, 0.13, n[1])])
        place = np.vstack(
            [
                mp.Nature().fly(BEFORE, self.tau[: n[0]])[:, :3],
                mp.Nature().fly(STATE, self.tau[n[0] :])[:, :3],
            ]
        )
        m = sum(n)
        self.n_before = n[0]
        self.R, self.t = np.tile(camera.R, (m, 1, 1)), np.tile(camera.t_m, (m, 1))
        c = place @ camera.R.T + camera.t_m
        self.sd = np.full(m, 0.4 / 1450.0) * rng.uniform(0.7, 1.4, m)
        self.exact = c[:, :2] / c[:, 2:]
        self.ab = self.exact + self.sd[:, None] * rng.normal(size=(m, 2))
        self.truth = np.concatenate([STATE[:3], BEFORE[3:], STATE[3:], [0.0], AIR[2:3]])
        self.alone = np.append(STATE, AIR[2])

    def prior(self, size):
        return prior(FlightSettings(), 0.01 if size == TWO else None)

    def system(self, x, plain=False):
        """Cost, gradient vector y and matrices of `_normal_equations` at x, of one or two arcs."""
        mean, info = self.prior(len(x))
        m = len(x)
        N, D, y = np.empty((m, m)), np.empty((m, m)), np.empty(m)
        n_before = self.n_before if m == TWO else len(self.tau)
        function = kernels._normal_equations.py_func if plain else kernels._normal_equations
        cost = function(
            x, self.tau, n_before, self.R, self.t, self.ab, self.sd, mean, info, AIR, N, D, y
        )
        return cost, y, N, D

    def fit(self, start, ab=None, rounds=25, plain=False):
        mean, info = self.prior(len(start))
        function = kernels.fit_free.py_func if plain else kernels.fit_free
        n_before = self.n_before if len(start) == TWO else len(self.tau)
        ab = self.ab if ab is None else ab
        return function(
            start, self.tau, n_before, self.R, self.t, ab, self.sd, mean, info, AIR, rounds
        )


ARC_STEPS = [1e-5] * 3 + [1e-4] * 3 + [1e-2] * 3
STEPS = {
    ONE: np.array([*ARC_STEPS, 1e-4]),
    TWO: np.array([*ARC_STEPS, *ARC_STEPS[3:], 1e-6, 1e-4]),
}


@pytest.mark.parametrize("size", [10, 17])
def test_gradient_of_a_free_fit_is_that_of_its_cost(size):
    pair = Pair(np.random.default_rng(3))
    rng = np.random.default_rng(4)
    x = (pair.truth if size == TWO else pair.alone) + 5.0 * STEPS[size] * rng.normal(size=size)
    if size == TWO:
        x[15] = 0.004
    _, y, N, D = pair.system(x)
    numeric = slopes(lambda h: np.array(pair.system(x + h)[0]), size, STEPS[size])
    assert np.abs(numeric).max() > 1.0
    # in units of the state's own spread, so that metres and radians weigh alike
    spread = np.sqrt(np.diag(np.linalg.inv(N)))
    np.testing.assert_allclose(y * spread, -0.5 * numeric * spread, rtol=2e-4, atol=2e-4)
    np.testing.assert_allclose(N, N.T)
    np.testing.assert_allclose(np.diag(N - D), pair.prior(size)[1])


def test_matrix_of_a_free_fit_is_the_slope_of_its_gradient_where_it_fits():
    pair = Pair(np.random.default_rng(3))
    pair.ab = pair.exact
    _, _, N, _ = pair.system(pair.truth)
    spread = np.sqrt(np.diag(np.linalg.inv(N)))
    numeric = -slopes(lambda h: pair.system(pair.truth + h)[1], TWO, STEPS[TWO])
    unit = np.outer(spread, spread)
    np.testing.assert_allclose(N * unit, numeric * unit, atol=2e-3 * np.abs(N * unit).max())


def test_a_free_fit_finds_both_velocities_of_a_touch():
    pair = Pair(np.random.default_rng(3))
    start = pair.truth.copy()
    start[:3] += [0.2, -0.3, 0.1]
    start[3:6] *= 0.8
    start[9:12] *= 1.2
    start[6:9], start[12:15] = 0.0, 0.0
    x, N, cost, free = pair.fit(start)
    sd = np.sqrt(np.diag(np.linalg.inv(N)))
    assert np.all(np.abs(x - pair.truth) < 4.0 * sd)
    assert 0.2 * free < cost < 3.0 * free
    assert 13.0 < free < 26.0
    # and a start that is nowhere near costs more than a fit
    assert pair.system(start)[0] > 20.0 * cost


def test_a_free_fit_says_where_numbers_ran_away():
    pair = Pair(np.random.default_rng(3))
    start = np.full(TWO, np.nan)
    assert pair.fit(start)[2] == np.inf


def test_a_bad_sighting_hardly_moves_a_free_fit():
    pair = Pair(np.random.default_rng(3))
    clean, N, _, _ = pair.fit(pair.truth)
    sd = np.sqrt(np.diag(np.linalg.inv(N)))
    spoilt = pair.ab.copy()
    spoilt[2] += 40.0 / 1450.0
    robust = pair.fit(pair.truth, spoilt)[0]
    assert np.all(np.abs(robust - clean) < 1.0 * sd)


def test_many_pieces_at_once_are_fitted_as_each_alone():
    pair = Pair(np.random.default_rng(3))
    mean, info = pair.prior(ONE)
    rows = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12], np.int64)
    starts = np.array([0, 6, 13], np.int64)
    t_s = 50.0 + pair.tau
    x, N, cost, free, even = kernels.fit_pieces(
        rows, starts, t_s, pair.R, pair.t, pair.ab, pair.sd, mean, info, AIR, 12
    )
    for i, (a, b) in enumerate(((0, 6), (6, 13))):
        on = rows[a:b]
        tau = t_s[on] - 0.5 * (t_s[on[0]] + t_s[on[-1]])
        given = (tau, len(on), pair.R[on], pair.t[on], pair.ab[on], pair.sd[on], mean, info, AIR)
        glance = kernels.fit_free(mean, *given, kernels.GLANCE_ROUNDS)
        alone = kernels.fit_free(glance[0], *given, 12)
        for many, one in zip((x[i], N[i], cost[i], free[i]), alone, strict=True):
            np.testing.assert_allclose(many, one)
        # checked against numpy.polyfit, weighted straight lines
        lines = np.polyfit(tau, pair.ab[on], 1, w=1.0 / pair.sd[on])
        off = (pair.ab[on] - np.outer(tau, lines[0]) - lines[1]) / pair.sd[on][:, None]
        loss = kernels.TAIL * np.log1p(np.sum(off**2, axis=1) / kernels.TAIL)
        assert even[i] == pytest.approx(float(np.sum(loss)), rel=1e-6)


@pytest.mark.parametrize("size", [10, 17])
def test_compiled_fits_equal_plain_ones(size):
    pair = Pair(np.random.default_rng(3), (3, 3))
    x = pair.truth if size == TWO else pair.alone
    for fast, plain in zip(pair.system(x), pair.system(x, plain=True), strict=True):
        np.testing.assert_allclose(fast, plain, rtol=1e-9, atol=1e-9)
    for fast, plain in zip(pair.fit(x, rounds=3), pair.fit(x, rounds=3, plain=True), strict=True):
        np.testing.assert_allclose(fast, plain, rtol=1e-9, atol=1e-9)


def meeting(gap_s=0.02, aside_m=0.0, plain=False):
    """`closest_meeting` of the flights before and after a touch at 12 s."""
    camera = mp.looking((0.3, -4.6, 1.4), f_px=1450.0)
    cov = np.diag([1e-4] * 3 + [1e-2] * 3)
    after = STATE.copy()
    after[0] += aside_m
    a = mp.Nature().fly(BEFORE, np.array([-0.1]))[0]
    b = mp.Nature().fly(after, np.array([0.1]))[0]
    times = 12.0 + np.linspace(-gap_s, gap_s, 5)
    function = kernels.closest_meeting.py_func if plain else kernels.closest_meeting
    a, b = np.append(a, AIR[2]), np.append(b, AIR[2])
    return function(a, cov, 11.9, b, cov, 12.1, times, camera.R, camera.t_m, AIR, 0.02, 3.0)


def test_flights_that_touch_meet_and_those_side_by_side_do_not():
    assert meeting() < 0.1
    assert meeting(aside_m=0.15) > 1.0
    assert meeting(aside_m=0.6) > 10.0 * meeting(aside_m=0.15)
    assert meeting(plain=True) == pytest.approx(meeting(), abs=1e-9)
    assert meeting(aside_m=0.3, plain=True) == pytest.approx(meeting(aside_m=0.3), rel=1e-9)


def test_own_cholesky_solves_and_refuses():
    rng = np.random.default_rng(9)
    root = rng.normal(size=(8, 8))
    M, B = root @ root.T + 0.1 * np.eye(8), rng.normal(size=(8, 3))
    X = B.copy()
    assert kernels.solve_spd(M.copy(), X)
    np.testing.assert_allclose(M @ X, B, atol=1e-10)
    plain = B.copy()
    assert kernels.solve_spd.py_func(M.copy(), plain)
    np.testing.assert_allclose(plain, X, atol=1e-12)
    assert not kernels.solve_spd(M - 50.0 * np.eye(8), B.copy())
    assert not kernels.solve_spd(np.full((2, 2), np.nan), B[:2].copy())
