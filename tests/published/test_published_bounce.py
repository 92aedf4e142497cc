"""Bounces against worked rows, drops with drag, and an error propagation done by hand."""

import math

import numpy as np
import pytest

from halfvolley.errors import BadInput
from halfvolley.physics import (
    Environment,
    TableSurface,
    VerticalMotion,
    bounce,
    kernels,
    restitution_from_heights,
    restitution_from_intervals,
)

R = 0.020
HARD = TableSurface(restitution_at_rest=0.9, restitution_slope_spm=0.0, friction=0.25)

# Rigid thin hollow sphere, e = 0.9, mu = 0.25: vx, vz [m/s] and topspin [rev/s] before and after,
# and the ratio of kinetic energies; worked by hand. Tolerance: the last digit.
ROWS = {
    "slides": ((5, -3, 0), (3.57500, 2.7, 17.0097), 0.6799),
    "rolls": ((3, -4, 0), (1.80000, 3.6, 14.3239), 0.7344),
    "topspin kicks forward": ((8, -4, 80), (8.82124, 3.6, 70.1972), 0.9679),
    "backspin slides": ((6, -3, -40), (4.57500, 2.7, -22.9903), 0.5463),
    "fast and flat slides": ((10, -2, 0), (9.05000, 1.8, 11.3398), 0.8317),
}


def energy_per_mass(v, w):
    return 0.5 * v @ v + 0.5 * (2 / 3) * R**2 * (w @ w)


def bounced(vx, vz, spin_revps, turn=0.0, surface=HARD):
    """A bounce in the plane turned by an angle about z, given and returned in that plane."""
    c, s = math.cos(turn), math.sin(turn)
    v, w = np.array([c * vx, s * vx, vz]), 2 * np.pi * spin_revps * np.array([-s, c, 0])
    v_out, w_out = bounce(v, w, surface)
    along, across = np.array([c, s, 0]), np.array([-s, c, 0])
    assert v_out @ across == pytest.approx(0, abs=1e-12)
    assert w_out @ along == pytest.approx(0, abs=1e-9)
    ratio = energy_per_mass(v_out, w_out) / energy_per_mass(v, w)
    return (v_out @ along, v_out[2], w_out @ across / (2 * np.pi)), ratio


@pytest.mark.parametrize("turn", [0.0, 0.7, 2.5, math.pi])
@pytest.mark.parametrize("name", ROWS)
def test_worked_bounce(name, turn):
    before, after, ratio = ROWS[name]
    out, energy_ratio = bounced(*before, turn)
    assert out == pytest.approx(after, abs=6e-5)
    assert energy_ratio == pytest.approx(ratio, abs=6e-5)


def test_that_check_would_notice_a_solid_ball():
    out, _ = bounced(3, -4, 0)
    assert out[0] != pytest.approx(5 / 7 * 3, abs=0.1)


def test_topspin_gains_speed_and_backspin_loses_it():
    gain = [bounced(8, -4, spin)[0][0] - 8 for spin in (-40, 0, 40, 80)]
    # the first two slide throughout and lose mu (1 + e) |vz| alike
    assert gain[0] == pytest.approx(gain[1]) == pytest.approx(-0.25 * 1.9 * 4)
    assert gain[1] < gain[2] < 0 < gain[3]


def test_side_spin_throws_the_ball_sideways():
    # spin about the direction of flight: the contact point moves along +y, friction along -y
    v, w = bounce([6.0, 0, -3.0], [2 * np.pi * 30, 0, 0], HARD)
    assert v[1] < -0.1
    # with the slip along y alone, the sliding direction is y alone
    v, w = bounce([0, 0, -3.0], [2 * np.pi * 60, 0, 2 * np.pi * 20], HARD)
    assert (v[0], w[2]) == (0, pytest.approx(2 * np.pi * 20))


# ITTF Law 2.1.3: about 23 cm from 30 cm. Without drag 0.8756; with Cd 0.4 and 0.5 computed.
@pytest.mark.parametrize(("drag", "e"), [(1e-9, 0.87560), (0.40, 0.9020), (0.50, 0.9087)])
def test_restitution_of_a_table_of_the_rules(drag, e):
    assert restitution_from_heights(0.30, 0.23, Environment(drag=drag)) == pytest.approx(
        e, abs=6e-5
    )


# ITTF T3, "The Ball": 240-260 mm from 305 mm on steel.
@pytest.mark.parametrize(
    ("drag", "rebound_m", "e"),
    [
        (1e-9, 0.240, 0.88707), (1e-9, 0.260, 0.92329), (0.40, 0.240, 0.9145),
        (0.40, 0.260, 0.9530), (0.50, 0.240, 0.9215), (0.50, 0.260, 0.9605),
    ],
)  # fmt: skip
def test_restitution_of_the_ball_test(drag, rebound_m, e):
    got = restitution_from_heights(0.305, rebound_m, Environment(drag=drag))
    assert got == pytest.approx(e, abs=6e-5)


# Hop times and tops of a ball of Cd 0.5 on a table of e = 0.9, dropped from 0.3 m, and the ratios
# of the times, which are not e; computed by an independent integrator. Tolerance: the last digit.
HOPS_S = (0.429164, 0.375620, 0.330868, 0.292834, 0.260103, 0.231667)
TOPS_M = (0.225772, 0.172952, 0.134195, 0.105117, 0.082932, 0.065790)
RATIOS = (0.87524, 0.88086, 0.88505, 0.88823, 0.89067)


def test_repeated_drops_of_the_kernels():
    # gravity without buoyancy, as in the table; the kernel's height is that of the centre
    environment = (9.80665, 101_325 / (287.05287 * 293.15) * math.pi * R**2 / 0.0054)
    arguments = (*environment, 0.5, 0.0, 0.0, R, 0.0)
    still = np.zeros(3)
    _, state = kernels.land(np.array([0, 0, 0.3 + R]), still, still, *arguments, R, 2.0)
    for hop_s, top_m in zip(HOPS_S, TOPS_M, strict=True):
        v, w = kernels.bounce(state[3:6].copy(), state[6:9].copy(), 0.9, 0.0, 0.25, R)
        t, state = kernels.land(np.array([0, 0, R]), v, w, *arguments, R, 2.0)
        assert t == pytest.approx(hop_s, abs=1.5e-6)
        motion = VerticalMotion(math.sqrt(9.80665 / (environment[1] * 0.5)), 2 / environment[1])
        assert motion.rise_height(v[2]) == pytest.approx(top_m, abs=1.5e-6)
        assert motion.hop_time(v[2]) == pytest.approx(hop_s, abs=1.5e-6)
        assert motion.hop_speed(hop_s) == pytest.approx(v[2], abs=1e-5)


def test_restitution_from_hop_times():
    buoyancy = Environment().effective_gravity_mps2 / 9.80665
    as_in_the_table = Environment(drag=0.5, gravity_mps2=9.80665 / buoyancy)
    e = restitution_from_intervals(HOPS_S, as_in_the_table)
    assert e == pytest.approx(np.full(5, 0.9), abs=2e-5)
    # buoyancy alone moves it little
    assert restitution_from_intervals(HOPS_S, Environment(drag=0.5)) == pytest.approx(e, abs=1e-3)


def test_ratios_of_hop_times_are_not_restitutions():
    ratios = np.array(HOPS_S[1:]) / np.array(HOPS_S[:-1])
    assert ratios == pytest.approx(np.array(RATIOS), abs=6e-6)
    assert np.all(ratios < 0.9 - 0.009)
    # and that is what comes out where drag is left out
    almost_vacuum = restitution_from_intervals(HOPS_S, Environment(drag=1e-9))
    assert almost_vacuum == pytest.approx(ratios, abs=1e-6)


# Fall from z0 = 0.30 m at vx = 6, vz = -1 m/s without drag, with sd (3 mm, .05 m/s, 3 mm, .05 m/s):
# t 0.157840 s, x 0.947043 m, sd of x 21.6007 mm by hand.
def test_error_of_a_bounce_without_drag():
    xyz, v = np.array([0, 0, 0.30]), np.array([6.0, 0, -1.0])
    arguments = (9.80665, 0.0, 0.5, 0.0, 0.0, R, 0.0)
    t, state = kernels.land(xyz, v, np.zeros(3), *arguments, 0.02, 1.0)
    assert (t, state[0], state[5]) == pytest.approx((0.157840, 0.947043, -2.547886), abs=1e-6)
    _, jac = kernels.fly_sensitivities(xyz, v, np.zeros(3), *arguments, np.array([t]))
    # at fixed height the time moves by -dz / vz
    dx = jac[0, 0] - state[3] / state[5] * jac[0, 2]
    assert dx[[0, 3, 2, 5]] == pytest.approx((1, 0.157840, 2.354893, 0.371697), abs=1e-6)
    sd = math.sqrt(np.sum((dx[[0, 3, 2, 5]] * (0.003, 0.05, 0.003, 0.05)) ** 2))
    assert sd == pytest.approx(0.0216007, abs=1e-7)


@pytest.mark.parametrize(
    "call",
    [
        lambda: restitution_from_heights(0.23, 0.30),
        lambda: restitution_from_heights(0.30, 0.0),
        lambda: restitution_from_intervals([0.4]),
        lambda: restitution_from_intervals([0.4, 300.0]),
        lambda: bounce([1, 0, 1], [0, 0, 0]),
        lambda: bounce([1, 0], [0, 0, 0]),
        lambda: TableSurface(restitution_at_rest=1.2),
        lambda: TableSurface(friction=-0.1),
    ],
)
def test_impossible_bounces_are_refused_in_one_sentence(call):
    with pytest.raises(BadInput) as caught:
        call()
    assert len(str(caught.value)) > 30 and "\n" not in str(caught.value)
