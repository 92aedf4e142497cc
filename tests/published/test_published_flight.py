"""Flight against closed forms, reference flights and an independent drag package.

Reference flights with rho = 1.2041 kg/m^3, closed forms with that of dry air at 20 C and 101325 Pa
(1.204107); g = 9.80665 m/s^2, R = 20 mm, m = 2.7 g and no buoyancy, unless said.
"""

import math

import fluids
import numpy as np
import pytest

from halfvolley.constants import SPIN_DECAY_PS
from halfvolley.physics import (
    Air,
    Ball,
    Environment,
    VerticalMotion,
    air_at_altitude,
    kernels,
    lift_is_doubtful,
    reynolds_number,
    spin_parameter,
)

G, R, M, RHO = 9.80665, 0.020, 0.0027, 1.2041
AREA = math.pi * R**2
RHO_20C = 101_325.0 / (287.05287 * 293.15)
B = RHO_20C * AREA / (2 * M)


def kernel_environment(drag, lift, rho=RHO_20C, decay=0.0, bend=0.0):
    return G, rho * AREA / (2 * M), drag, lift, decay, R, bend


# Reference flights with CL = k S and constant spin: scipy DOP853 at rtol 1e-12 and a rigid body
# simulator agreed on them to 7e-7 m. Tolerance: 1e-4 m asked for, 2e-6 reached (last digit).
REFERENCE = {
    "no spin": (
        (0, 0, 0.3), (10, 0, 2), (0, 0, 0), 0.5, 0.0, 0.4,
        (3.171046, 0, 0.253975), (6.383344, 0, -1.934316),
    ),
    "topspin": (
        (0, 0, 0.3), (12, 0, 1), (0, 60, 0), 0.45, 0.6, 0.3,
        (2.896176, 0, -0.366424), (7.425330, 0, -4.822917),
    ),
    "backspin": (
        (0, 0, 0.25), (6, 0, 1), (0, -40, 0), 0.45, 0.6, 0.4,
        (2.081598, 0, 0.215465), (4.645761, 0, -1.152355),
    ),
    "sidespin": (
        (0, 0, 0.3), (8, 0, 2), (0, 0, 50), 0.45, 0.6, 0.4,
        (2.610890, 0.527191, 0.268168), (5.176778, 2.327608, -1.932003),
    ),
    "drop": (
        (0, 0, 0.3), (0, 0, 0), (0, 0, 0), 0.5, 0.0, 0.2,
        (0, 0, 0.105638), (0, 0, -1.926173),
    ),
}  # fmt: skip


def start(case):
    xyz, v, spin_revps = (np.array(x, float) for x in case[:3])
    return xyz, v, 2 * np.pi * spin_revps


@pytest.mark.parametrize("name", REFERENCE)
def test_reference_flight(name):
    case = REFERENCE[name]
    drag, lift, t_s, xyz, v = case[3:]
    state = kernels.fly(*start(case), *kernel_environment(drag, lift, RHO), np.array([t_s]))[0]
    assert state[0:3] == pytest.approx(xyz, abs=2e-6)
    assert state[3:6] == pytest.approx(v, abs=2e-6)


def test_that_check_would_notice_one_per_cent_of_drag():
    case = REFERENCE["no spin"]
    state = kernels.fly(*start(case), *kernel_environment(0.505, 0.0, RHO), np.array([0.4]))[0]
    assert abs(state[0] - 3.171046) > 5e-3


def test_that_check_would_notice_spin_of_the_wrong_sign():
    xyz, v, w = start(REFERENCE["topspin"])
    state = kernels.fly(xyz, v, -w, *kernel_environment(0.45, 0.6, RHO), np.array([0.3]))[0]
    assert state[2] > 0.3


@pytest.mark.parametrize(
    ("name", "t_s", "x_m", "vx_mps", "vz_mps"),
    [
        ("no spin", 0.500596, 3.784338, None, -2.70697),
        ("topspin", 0.206412, 2.137754, 8.787275, -3.386901),
        ("backspin", 0.531354, 2.678100, 4.451202, -1.818498),
    ],
)
def test_landing_of_the_reference_flights(name, t_s, x_m, vx_mps, vz_mps):
    case = REFERENCE[name]
    drag, lift = case[3:5]
    t, state = kernels.land(*start(case), *kernel_environment(drag, lift, RHO), R, 2.0)
    assert t == pytest.approx(t_s, abs=1e-6)
    assert state[0] == pytest.approx(x_m, abs=2e-6)
    assert state[2] == pytest.approx(R, abs=1e-12)
    assert state[5] == pytest.approx(vz_mps, abs=5e-6)
    if vx_mps is not None:
        assert state[3] == pytest.approx(vx_mps, abs=2e-6)


# Closed forms of a drop from rest, v = u sqrt(1 - exp(-2 h / L)), t = (u / g) arccosh(exp(h / L)),
# computed from them. Tolerance: the last digit.
DROPS = [
    (0.230, 0.40, 2.09684, 0.217512), (0.230, 0.45, 2.09350, 0.217628),
    (0.230, 0.50, 2.09016, 0.217745), (0.300, 0.40, 2.38548, 0.248740),
    (0.300, 0.45, 2.38053, 0.248914), (0.300, 0.50, 2.37560, 0.249088),
    (0.305, 0.40, 2.40461, 0.250828), (0.305, 0.45, 2.39954, 0.251006),
    (0.305, 0.50, 2.39449, 0.251185), (0.760, 0.40, 3.70209, 0.399309),
    (0.760, 0.45, 3.68303, 0.400014), (0.760, 0.50, 3.66413, 0.400719),
    (1.000, 0.40, 4.19171, 0.460082), (1.000, 0.45, 4.16361, 0.461149),
    (1.000, 0.50, 4.13582, 0.462216), (2.000, 0.40, 5.62249, 0.662767),
    (2.000, 0.45, 5.55041, 0.665811), (2.000, 0.50, 5.47997, 0.668862),
    (5.000, 0.40, 7.67922, 1.106234), (5.000, 0.45, 7.46544, 1.118498),
    (5.000, 0.50, 7.26311, 1.130788),
]  # fmt: skip


def vertical(drag):
    length_m = 1 / (B * drag)
    return VerticalMotion(math.sqrt(G * length_m), length_m)


@pytest.mark.parametrize(("h_m", "drag", "v_mps", "t_s"), DROPS)
def test_drop_from_rest(h_m, drag, v_mps, t_s):
    assert vertical(drag).fall_speed(h_m) == pytest.approx(v_mps, abs=6e-6)
    assert vertical(drag).fall_time(h_m) == pytest.approx(t_s, abs=6e-7)
    at_rest = np.array([0.0, 0.0, h_m]), np.zeros(3), np.zeros(3)
    t, state = kernels.land(*at_rest, *kernel_environment(drag, 0.0), 0.0, 3.0)
    assert t == pytest.approx(t_s, abs=6e-7)
    assert state[5] == pytest.approx(-v_mps, abs=6e-6)


# u = sqrt(2 m g / (rho A Cd)). Tolerance: the last digit.
@pytest.mark.parametrize(
    ("rho", "drag", "u_mps"),
    [
        (RHO_20C, 0.40, 9.3538), (RHO_20C, 0.445, 8.8683), (RHO_20C, 0.45, 8.8189),
        (RHO_20C, 0.50, 8.3663), (RHO_20C, 0.55, 7.9770), (1.225, 0.50, 8.2947),
        (1.225, 0.445, 8.7923), (1.05807, 0.50, 8.9250), (1.05807, 0.445, 9.4605),
    ],
)  # fmt: skip
def test_terminal_speed_is_reached_and_kept(rho, drag, u_mps):
    falling = np.zeros(3), np.array([0.0, 0.0, -4.0]), np.zeros(3)
    state = kernels.fly(*falling, *kernel_environment(drag, 0.0, rho), np.array([12.0]))[0]
    assert state[5] == pytest.approx(-u_mps, abs=6e-5)


def test_thin_air_of_the_environment_makes_a_faster_ball():
    low, high = Environment(air=air_at_altitude(0.0)), Environment(air=air_at_altitude(1500.0))
    # 7.6 % from the density alone; buoyancy takes 1.5 % less of the weight at 1500 m than 1.3 %
    assert high.terminal_speed_mps / low.terminal_speed_mps == pytest.approx(
        1.0760 * 1.001, abs=5e-4
    )


# Deceleration by drag at 10 m/s; more than g from Cd 0.35 on. Tolerance: the last digit.
@pytest.mark.parametrize(("drag", "a_mps2"), [(0.40, 11.208), (0.45, 12.609), (0.50, 14.010)])
def test_drag_at_ten_metres_a_second(drag, a_mps2):
    state = np.array([0, 0, 0, 10.0, 0, 0, 0, 0, 0])
    assert -kernels.rates(state, *kernel_environment(drag, 0.0))[3] == pytest.approx(
        a_mps2, abs=6e-4
    )


# e-folding distance of speed and the part lost over a table's length, without gravity.
@pytest.mark.parametrize(
    ("drag", "length_m", "lost"),
    [(0.40, 8.9219, 0.264), (0.45, 7.9306, 0.292), (0.50, 7.1375, 0.319)],
)
def test_speed_falls_by_e_over_the_drag_length(drag, length_m, lost):
    assert 1 / (B * drag) == pytest.approx(length_m, abs=6e-5)
    # x(t) = L ln(1 + v0 t / L)
    arguments = (0.0, *kernel_environment(drag, 0.0)[1:])
    ahead = np.zeros(3), np.array([20.0, 0.0, 0.0]), np.zeros(3)
    t = np.array([length_m / 20 * math.expm1(2.74 / length_m), length_m / 20 * math.expm1(1.0)])
    table, fold = kernels.fly(*ahead, *arguments, t)
    assert table[0] == pytest.approx(2.74, abs=1e-4)
    assert 1 - table[3] / 20 == pytest.approx(lost, abs=6e-4)
    assert fold[0] == pytest.approx(length_m, abs=1e-4)
    assert fold[3] == pytest.approx(20 / math.e, abs=1e-4)


# Re = v D / nu with nu = 1.506e-5 m^2/s (dry air, 20 C). Tolerance: 0.02 % for the rounded nu.
@pytest.mark.parametrize(
    ("v_mps", "re"), [(1, 2656), (5, 13280), (10, 26560), (20, 53120), (30, 79680)]
)
def test_reynolds_number(v_mps, re):
    assert reynolds_number(v_mps) == pytest.approx(re, rel=2e-4)


# R. M. French, "Dropping a ping-pong ball", Experimental Techniques: Re = 2739 v at 15 C, where
# mu = 1.789e-5 Pa s.
def test_reynolds_number_of_a_drop_experiment():
    e = Environment(air=Air(288.15))
    assert reynolds_number(1.0, e) == pytest.approx(2739, abs=2)


@pytest.mark.parametrize(
    ("v_mps", "spin_revps", "s"),
    [(10, 50, 0.6283), (20, 100, 0.6283), (17, 130, 0.9610), (5, 50, 1.2566)],
)
def test_spin_parameter(v_mps, spin_revps, s):
    assert spin_parameter(2 * np.pi * spin_revps, v_mps, R) == pytest.approx(s, abs=6e-5)


# CL = 1 / (2 + 1/S), common in racket sports (from memory): lift scale 1, bend 2.
@pytest.mark.parametrize(("s", "cl"), [(0.6283, 0.2784), (0.3142, 0.1929)])
def test_saturating_lift(s, cl):
    v = 10.0
    state = np.array([0, 0, 0, v, 0, 0, 0, -s * v / R, 0])
    arguments = kernel_environment(0.45, 1.0, bend=2.0)
    lift = kernels.rates(state, *arguments)[5] + G
    assert lift / (B * v**2) == pytest.approx(cl, abs=6e-5)


# Miyazaki et al. 2017, Eur. J. Phys., "Lift crisis of a spinning table tennis ball": the valley.
def test_the_valley_of_lift_is_marked_and_the_plain_is_not():
    assert lift_is_doubtful(9e4, 0.49)
    assert not lift_is_doubtful(3e4, 0.49)
    assert not lift_is_doubtful(9e4, 0.9)


# Buoyancy is 1.494 % of the weight (rho V / m, computed).
def test_buoyancy():
    assert Environment().effective_gravity_mps2 == pytest.approx(9.80665 * (1 - 0.01494), abs=5e-5)
    assert Ball().volume_m3 == pytest.approx(3.351032e-5, abs=5e-12)
    assert Ball().inertia_kgm2 == pytest.approx(7.2e-7, abs=1e-15)


def test_terminal_speed_of_an_independent_package():
    # fluids chooses its own Cd(Re); with that Cd ours must agree, buoyancy included
    density = M / Ball().volume_m3
    u = fluids.drag.v_terminal(D=2 * R, rhop=density, rho=RHO, mu=1.8134e-5)
    assert u == pytest.approx(8.8241, abs=6e-5)
    drag = fluids.drag.drag_sphere(RHO * u * 2 * R / 1.8134e-5)
    assert Environment(drag=drag).terminal_speed_mps == pytest.approx(u, rel=2e-4)


@pytest.mark.parametrize(
    ("t_s", "v0_mps", "v_mps", "s_m"),
    [(0.5, 0.0, 4.430147, 1.156491), (0.3, 20.0, 13.106621, 4.755828)],
)
def test_fall_with_changing_drag_of_an_independent_package(t_s, v0_mps, v_mps, s_m):
    density = M / Ball().volume_m3
    v, s = fluids.drag.integrate_drag_sphere(
        D=2 * R, rhop=density, rho=RHO, mu=1.8134e-5, t=t_s, V=v0_mps, distance=True
    )
    assert (v, s) == pytest.approx((v_mps, s_m), abs=2e-6)
    # one constant Cd, that of the mean speed, must come within what Cd(Re) changes on the way
    drag = fluids.drag.drag_sphere(RHO * (s / t_s) * 2 * R / 1.8134e-5)
    e = Environment(drag=drag)
    falling = np.zeros(3), np.array([0, 0, -v0_mps]), np.zeros(3)
    state = kernels.fly(*falling, *e.kernel_arguments, np.array([t_s]))[0]
    assert -state[2] == pytest.approx(s, rel=5e-3)
    assert -state[5] == pytest.approx(v, rel=1e-2)


# Torque on a sphere in still fluid, C = 6.45 / sqrt(Re) + 32.1 / Re, T = C rho w^2 R^5 / 2,
# Re = w R^2 / nu (Sawatzki 1970, from memory): 5, 7 and 9 % a second at 30, 60 and 100 rev/s.
@pytest.mark.parametrize(("spin_revps", "decay_ps"), [(30, 0.05), (60, 0.07), (100, 0.09)])
def test_spin_decay_prior_covers_the_still_air_torque(spin_revps, decay_ps):
    w = 2 * np.pi * spin_revps
    re = w * R**2 / 1.506e-5
    torque = (6.45 / math.sqrt(re) + 32.1 / re) * RHO * w**2 * R**5 / 2
    rate = torque / (7.2e-7 * w)
    assert rate == pytest.approx(decay_ps, abs=0.005)
    assert abs(rate - SPIN_DECAY_PS.value) < 2 * SPIN_DECAY_PS.sd
