"""The law of the bounce: what must hold for any bounce, and its derivatives."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from halfvolley.physics import TableSurface, kernels

R = 0.020
I_PER_M = 2 / 3 * R**2

component = st.floats(-20, 20)
spin = st.floats(-1000, 1000)
incoming = st.tuples(component, component, st.floats(-15, -0.1), spin, spin, spin)
law = st.tuples(st.floats(0.5, 1.0), st.floats(0, 0.05), st.floats(0, 1.0))


@pytest.fixture(params=["compiled", "plain"])
def k(request, monkeypatch):
    """The kernels module, as compiled and as the Python it is written in."""
    if request.param == "plain":
        for name in ("bounce", "bounce_jacobian"):
            monkeypatch.setattr(kernels, name, getattr(kernels, name).py_func)
    return kernels


def out_of(p):
    v, w = kernels.bounce(p[0:3].copy(), p[3:6].copy(), p[6], p[7], p[8], R)
    return np.concatenate([v, w])


def energy_per_mass(v, w):
    return 0.5 * v @ v + 0.5 * I_PER_M * (w @ w)


@given(incoming, law)
@settings(deadline=None)
def test_energy_never_rises(before, constants):
    v, w = np.array(before[:3]), np.array(before[3:])
    v_out, w_out = kernels.bounce(v, w, *constants, R)
    assert energy_per_mass(v_out, w_out) <= energy_per_mass(v, w) * (1 + 1e-12)
    assert v_out[2] > 0


@given(incoming, law)
@settings(deadline=None)
def test_angular_momentum_about_the_contact_is_kept(before, constants):
    v, w = np.array(before[:3]), np.array(before[3:])
    v_out, w_out = kernels.bounce(v, w, *constants, R)
    arm = np.array([0, 0, R])

    def momentum(v, w):
        return np.cross(arm, v * [1, 1, 0]) + I_PER_M * w

    assert momentum(v_out, w_out) == pytest.approx(momentum(v, w), abs=1e-12)


@given(incoming, law)
@settings(deadline=None)
def test_slip_shrinks_keeps_its_direction_and_ends_at_rolling(before, constants):
    v, w = np.array(before[:3]), np.array(before[3:])
    v_out, w_out = kernels.bounce(v, w, *constants, R)

    def slip(v, w):
        return np.array([v[0] - R * w[1], v[1] + R * w[0]])

    u, u_out = slip(v, w), slip(v_out, w_out)
    assume(np.linalg.norm(u) > 1e-6)
    ratio = u_out @ u / (u @ u)
    assert u_out == pytest.approx(ratio * u, abs=1e-9)
    e = TableSurface(constants[0], 0, constants[1], 0, constants[2]).restitution(v[2])
    limit = constants[2] * (1 + e) * abs(v[2])
    expected = max(0.0, 1 - 2.5 * limit / np.linalg.norm(u))
    assert ratio == pytest.approx(expected, abs=1e-9)


@given(incoming, law, st.floats(0, 6.28))
@settings(deadline=None)
def test_no_direction_on_the_table_is_special(before, constants, angle):
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    v, w = np.array(before[:3]), np.array(before[3:])
    straight = kernels.bounce(v, w, *constants, R)
    turned = kernels.bounce(turn @ v, turn @ w, *constants, R)
    assert turned[0] == pytest.approx(turn @ straight[0], abs=1e-9)
    assert turned[1] == pytest.approx(turn @ straight[1], abs=1e-7)


def by_differences(p):
    """Five-point central differences of the bounce at p = (v, w, e0, e1, mu)."""
    jac = np.empty((6, 9))
    for i in range(9):
        d = np.zeros(9)
        d[i] = 1e-4 if i < 3 or i > 5 else 1e-2
        near, far = out_of(p + d) - out_of(p - d), out_of(p + 2 * d) - out_of(p - 2 * d)
        jac[:, i] = (8 * near - far) / (12 * d[i])
    return jac


def sliding_and_rolling(rng, n):
    """n random bounces that stay clear of the change between sliding and rolling by 1 %."""
    while n:
        v = np.append(rng.normal(0, 5, 2), -rng.uniform(0.5, 8))
        p = np.concatenate([v, rng.normal(0, 200, 3), [0.92, 0.01, 0.25]])
        u = np.hypot(p[0] - R * p[4], p[1] + R * p[3])
        ratio = u / (2.5 * 0.25 * (1.92 + 0.01 * p[2]) * -p[2])
        if abs(ratio - 1) > 0.01:
            n -= 1
            yield p, ratio > 1


def test_jacobian_on_both_sides_of_the_change(k):
    slides = []
    for p, slid in sliding_and_rolling(np.random.default_rng(5), 40):
        out, jac = k.bounce_jacobian(p[0:3].copy(), p[3:6].copy(), p[6], p[7], p[8], R)
        assert out == pytest.approx(out_of(p), abs=1e-14)
        assert jac == pytest.approx(by_differences(p), abs=1e-7, rel=1e-7)
        assert (np.abs(jac[:, 8]).max() > 0.1) == slid  # a ball that rolls away forgets mu
        slides.append(slid)
    assert 5 < sum(slides) < 35


def test_the_two_sides_differ_at_the_change():
    v, w = np.array([4.0, 0, -3.0]), np.array([0.0, 100, 0])  # slip 2 m/s
    mu = 0.4 * 2.0 / (1.9 * 3.0)
    _, grip = kernels.bounce_jacobian(v, w, 0.9, 0.0, mu * 1.000001, R)
    _, slide = kernels.bounce_jacobian(v, w, 0.9, 0.0, mu * 0.999999, R)
    assert grip[0, 0] == pytest.approx(0.6) and slide[0, 0] == pytest.approx(1.0)
    # the bounce itself does not jump
    near = [np.concatenate(kernels.bounce(v, w, 0.9, 0.0, m * mu, R)) for m in (0.999999, 1.000001)]
    assert near[0] == pytest.approx(near[1], abs=1e-3, rel=1e-5)


def test_floor_of_restitution(k):
    v, w = np.array([1.0, 0, -30.0]), np.zeros(3)
    out, jac = k.bounce_jacobian(v, w, 0.9, 0.02, 0.25, R)
    assert out[2] == pytest.approx(15.0)
    assert jac[2] == pytest.approx([0, 0, -0.5, 0, 0, 0, 0, 0, 0])
    # just above the floor the line is felt again
    out, jac = k.bounce_jacobian(np.array([1.0, 0, -19.0]), w, 0.9, 0.02, 0.25, R)
    assert out[2] == pytest.approx(19 * 0.52)
    assert jac[2] == pytest.approx([0, 0, -0.9 + 0.04 * 19, 0, 0, 0, 19, -(19.0**2), 0])


def test_no_slip_leaves_spin_and_speed_alone(k):
    v, w = np.array([3.0, 0, -2.0]), np.array([0.0, 3.0 / R, 7.0])
    v_out, w_out = k.bounce(v, w, 0.9, 0.0, 0.25, R)
    assert v_out == pytest.approx([3, 0, 1.8]) and w_out == pytest.approx(w)
    _, jac = k.bounce_jacobian(v, w, 0.9, 0.0, 0.0, R)
    assert np.all(np.isfinite(jac))


def test_a_dropped_ball_on_a_table_without_friction(k):
    _, jac = k.bounce_jacobian(np.array([3.0, 0, -2.0]), np.zeros(3), 0.9, 0.0, 0.0, R)
    assert jac[0, 0] == 1.0 and jac[0, 8] == pytest.approx(-1.9 * 2)
