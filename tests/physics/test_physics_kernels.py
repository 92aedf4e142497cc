"""The compiled flight: against another integrator, its own derivatives, and itself uncompiled."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from halfvolley.physics import kernels

R, B, G = 0.020, 0.280210, 9.66
LINEAR, SATURATING = 0.0, 2.0  # bends of the two laws that are published
BENDS = (LINEAR, 0.8, SATURATING)
KERNELS = [n for n, f in vars(kernels).items() if hasattr(f, "py_func")]


@pytest.fixture(params=["compiled", "plain"])
def k(request, monkeypatch):
    """The kernels module, as compiled and as the Python it is written in."""
    if request.param == "plain":
        for name in KERNELS:
            monkeypatch.setattr(kernels, name, getattr(kernels, name).py_func)
    return kernels


def random_flight(rng, bend):
    """Start, and (g, b, drag, lift, decay, radius, bend), over all that play can show."""
    xyz = rng.uniform([-2, -1, 0.02], [2, 1, 1.0])
    v = rng.normal(size=3)
    v *= rng.uniform(2, 30) / np.linalg.norm(v)
    w = rng.normal(size=3)
    w *= 2 * np.pi * rng.uniform(0, 150) / np.linalg.norm(w)
    drag, lift, decay = rng.uniform(0.35, 0.6), rng.uniform(0.2, 1.2), rng.uniform(0, 0.1)
    return (xyz, v, w), (G, B, drag, lift, decay, R, bend)


def by_scipy(start, arguments, t):
    """The model of the module's head, written anew and solved by DOP853."""
    g, b, drag, lift, decay, radius, bend = arguments

    def slope(_, y):
        v, w = y[3:6], y[6:9]
        speed, spin = np.linalg.norm(v), np.linalg.norm(w)
        s = radius * spin / speed
        cl = lift * s / (bend * s + 1)
        # CL |v|^2 along w x v / (|w| |v|)
        lifting = b * cl * speed / spin * np.cross(w, v) if spin > 0 else 0.0
        return np.concatenate([v, [0, 0, -g] - b * drag * speed * v + lifting, -decay * w])

    solution = solve_ivp(
        slope, (0, t[-1]), np.concatenate(start), "DOP853", t, rtol=1e-12, atol=1e-12
    )
    return solution.y.T


@pytest.mark.parametrize("bend", BENDS)
def test_fly_against_scipy(k, bend):
    rng = np.random.default_rng(1)
    t = np.array([0.0, 0.0031, 0.1, 0.5])
    for _ in range(2):
        start, arguments = random_flight(rng, bend)
        states = k.fly(*start, *arguments, t)
        assert states == pytest.approx(by_scipy(start, arguments, t), abs=1e-7)
        assert np.array_equal(states[0], np.concatenate(start))
        twice = k.fly(*start, *arguments, np.array([0.0031, 0.0031]))
        assert np.array_equal(twice, states[[1, 1]])


@pytest.mark.parametrize("bend", BENDS)
def test_that_comparison_would_notice_one_part_in_a_thousand_of_lift(bend):
    start, arguments = random_flight(np.random.default_rng(1), bend)
    t = np.array([0.1, 0.5])
    more = (*arguments[:3], 1.001 * arguments[3], *arguments[4:])
    difference = kernels.fly(*start, *more, t) - by_scipy(start, arguments, t)
    assert np.abs(difference).max() > 1e-4


@pytest.mark.parametrize("bend", BENDS)
def test_sensitivities_are_the_derivatives_of_fly(k, bend):
    rng = np.random.default_rng(2)
    t = np.array([-0.2, -0.05, 0.0, 0.01, 0.3])
    start, arguments = random_flight(rng, bend)
    states, jac = k.fly_sensitivities(*start, *arguments, t)
    assert states == pytest.approx(k.fly(*start, *arguments, t), abs=1e-10)

    def flown(p):
        g, drag, lift, bend = p[9:13]
        _, b, _, _, decay, radius, _ = arguments
        xyz, v, w = (np.ascontiguousarray(p[i : i + 3]) for i in (0, 3, 6))
        return kernels.fly(xyz, v, w, g, b, drag, lift, decay, radius, bend, t)

    p = np.concatenate([*start, [arguments[0], arguments[2], arguments[3], arguments[6]]])
    for column, step in enumerate([1e-4] * 6 + [1e-2] * 3 + [1e-4] * 4):
        d = np.zeros(13)
        d[column] = step
        # five points: the error of the difference is of fourth order
        by_differences = (
            8 * (flown(p + d) - flown(p - d)) - (flown(p + 2 * d) - flown(p - 2 * d))
        ) / (12 * step)
        assert jac[:, :, column] == pytest.approx(by_differences, abs=1e-8, rel=1e-6)


def test_that_check_would_notice_a_lost_term():
    # leaving out how lift depends on speed through S is what the linear law does
    start, arguments = random_flight(np.random.default_rng(2), SATURATING)
    t = np.array([0.3])
    _, jac = kernels.fly_sensitivities(*start, *arguments, t)
    _, other = kernels.fly_sensitivities(*start, *arguments[:-1], LINEAR, t)
    assert np.abs(jac - other).max() > 1e-3


def test_rates_are_the_derivative_in_time(k):
    start, arguments = random_flight(np.random.default_rng(3), SATURATING)
    h = 1e-4
    before, now, after = k.fly(*start, *arguments, np.array([0.2 - h, 0.2, 0.2 + h]))
    assert k.rates(now, *arguments) == pytest.approx((after - before) / (2 * h), abs=1e-4)


def test_no_spin_and_no_speed_are_no_special_case(k):
    still = np.zeros(3)
    for bend in BENDS:
        arguments = (G, B, 0.45, 0.9, 0.07, R, bend)
        states, jac = k.fly_sensitivities(
            np.array([0, 0, 1.0]), still, still, *arguments, np.array([0.1])
        )
        assert np.all(np.isfinite(jac))
        assert states[0, 2] == pytest.approx(1 - G * 0.005, abs=1e-3)
        # a ball without spin still tells how spin would bend it
        _, jac = k.fly_sensitivities(
            still, np.array([10.0, 0, 0]), still, *arguments, np.array([0.1])
        )
        assert jac[0, 2, 7] < -1e-4


def test_no_time_and_one_time(k):
    start, arguments = random_flight(np.random.default_rng(4), SATURATING)
    states, jac = k.fly_sensitivities(*start, *arguments, np.zeros(0))
    assert states.shape == (0, 9) and jac.shape == (0, 9, 13)
    _, jac = k.fly_sensitivities(*start, *arguments, np.zeros(1))
    assert np.array_equal(jac[0], np.eye(9, 13))


def test_land_stops_on_the_height(k):
    start = np.array([0.0, 0, 0.3]), np.array([5.0, 1, 1]), np.array([30.0, 200, 10])
    arguments = (G, B, 0.45, 0.9, 0.07, R, SATURATING)
    t, state = k.land(*start, *arguments, 0.02, 2.0)
    assert state[2] == pytest.approx(0.02, abs=1e-12) and state[5] < 0
    assert k.fly(*start, *arguments, np.array([t]))[0] == pytest.approx(state, abs=1e-7)
    # it goes up through 0.31 first; only the descent counts
    t_high, state = k.land(*start, *arguments, 0.31, 2.0)
    assert 0.05 < t_high < t and state[5] < 0
    assert k.land(*start, *arguments, 0.02, 0.9 * t)[0] == -1.0
    assert k.land(*start, *arguments, 0.9, 2.0)[0] == -1.0


flights = st.tuples(
    st.floats(2, 30),
    st.floats(-1, 1),
    st.floats(-900, 900),
    st.floats(-900, 900),
    st.floats(-900, 900),
)


@given(flights, st.floats(0.01, 0.5))
@settings(deadline=None, max_examples=50)
def test_back_in_time_and_forth_again(flight, part):
    speed, slope, *spin = flight
    # going back, drag is a gain: L / v ago the ball was infinitely fast, so stay clear of that
    span_s = part * min(0.6, 1 / (0.45 * B) / (speed * np.hypot(1, slope)))
    arguments = (G, B, 0.45, 0.9, 0.07, R, SATURATING)
    start = np.array([0.3, -0.2, 0.5]), np.array([speed, 0, slope * speed]), np.array(spin)
    past = kernels.fly(*start, *arguments, np.array([-span_s]))[0]
    again = kernels.fly(
        *(past[i : i + 3].copy() for i in (0, 3, 6)), *arguments, np.array([span_s])
    )[0]
    assert again == pytest.approx(np.concatenate(start), rel=1e-7, abs=1e-6)


@given(flights)
@settings(deadline=None, max_examples=50)
def test_mirrored_table_gives_mirrored_flight(flight):
    speed, slope, *spin = flight
    arguments = (G, B, 0.45, 0.9, 0.07, R, SATURATING)
    xyz, v, w = np.array([0.3, -0.2, 0.5]), np.array([speed, 1.0, slope * speed]), np.array(spin)
    t = np.array([0.1, 0.3])
    flip = np.array([1.0, -1.0, 1.0])  # y -> -y; spin is an axial vector
    states = kernels.fly(xyz, v, w, *arguments, t)
    mirrored = kernels.fly(flip * xyz, flip * v, -flip * w, *arguments, t)
    assert mirrored[:, 0:3] == pytest.approx(states[:, 0:3] * flip, abs=1e-12)
    assert mirrored[:, 6:9] == pytest.approx(states[:, 6:9] * -flip, abs=1e-9)


@given(flights)
@settings(deadline=None, max_examples=50)
def test_air_only_takes_energy_and_lift_does_no_work(flight):
    speed, slope, *spin = flight
    state = np.array([0, 0, 0, speed, 0, slope * speed, *spin])
    a = kernels.rates(state, 0.0, B, 0.45, 0.9, 0.07, R, SATURATING)[3:6]
    power = a @ state[3:6]
    assert power == pytest.approx(-B * 0.45 * np.linalg.norm(state[3:6]) ** 3, rel=1e-9)
