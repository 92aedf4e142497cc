"""The checked shell: what it hands to the kernels, and what it refuses."""

import numpy as np
import pytest

from halfvolley.errors import BadInput, Unknown
from halfvolley.physics import (
    Air,
    Ball,
    Environment,
    TableSurface,
    VerticalMotion,
    air_at_altitude,
    air_density,
    bounce,
    fly,
    kernels,
    landing,
)


def test_fly_hands_the_environment_to_the_kernel_in_its_order():
    e = Environment(drag=0.5, lift=0.7, spin_decay_ps=0.03, lift_bend=0.0)
    t = np.linspace(-0.02, 0.3, 7)
    states = fly([0, 0, 0.3], [8, 1, 2], [10, 300, 20], t, e)
    displaced_kg = Air().density_kgpm3 * Ball().volume_m3
    g = 9.80665 * (1 - displaced_kg / 0.0027)
    b = Air().density_kgpm3 * np.pi * 4e-4 / (2 * 0.0027)
    start = np.array([0, 0, 0.3]), np.array([8.0, 1, 2]), np.array([10.0, 300, 20])
    expected = kernels.fly(*start, g, b, 0.5, 0.7, 0.03, 0.02, 0.0, t)
    together = np.hstack([states.xyz_m, states.v_mps, states.omega_radps])
    assert together == pytest.approx(expected, rel=1e-12)
    assert len(states) == 7 and np.array_equal(states.t_s, t)


def test_spin_fades_by_the_named_rate():
    states = fly([0, 0, 0.3], [8, 0, 2], [0, 300, 0], [0.0, 0.5], Environment(spin_decay_ps=0.07))
    assert states.omega_radps[1, 1] == pytest.approx(300 * np.exp(-0.035))


def test_a_heavier_ball_in_thinner_air_flies_further():
    def reach(e):
        return landing([0, 0, 0.3], [10, 0, 2], [0, 0, 0], 0.02, e).xyz_m[0, 0]

    usual = reach(Environment())
    assert reach(Environment(ball=Ball(mass_kg=0.00277))) > usual + 0.01
    assert reach(Environment(air=air_at_altitude(1500))) > usual + 0.05


def test_lift_laws_agree_for_little_spin_and_part_for_much():
    def rise(bend, spin):
        e = Environment(lift=0.9, lift_bend=bend)
        return fly([0, 0, 0.3], [10, 0, 2], [0, -spin, 0], [0.2], e).xyz_m[0, 2]

    plain = rise(0.0, 0.0)
    assert rise(2.0, 0.0) == plain
    assert rise(2.0, 5.0) - plain == pytest.approx(rise(0.0, 5.0) - plain, rel=0.03)
    assert rise(2.0, 600.0) - plain < 0.6 * (rise(0.0, 600.0) - plain)


def test_landing_that_does_not_happen_is_unknown():
    answer = landing([0, 0, 0.3], [1, 0, 1], [0, 0, 0], 2.0)
    assert isinstance(answer, Unknown) and "2.0 m" in answer.reason
    assert not landing([0, 0, 0.3], [1, 0, 1], [0, 0, 0], 0.02, t_max_s=0.1)


def test_a_bounce_on_the_prior_table():
    surface = TableSurface()
    v, w = bounce([5, 0, -3], [0, 0, 0])
    assert v[2] == pytest.approx(3 * surface.restitution(-3))
    assert surface.restitution(3) == pytest.approx(0.925 - 0.03)
    assert w[1] == pytest.approx((5 - v[0]) * 1.5 / 0.02)


@pytest.mark.parametrize("drag", [0.35, 0.6])
@pytest.mark.parametrize("speed_mps", [0.05, 2.0, 6.0])
def test_vertical_motion_inverts_itself(drag, speed_mps):
    motion = VerticalMotion.of(Environment(drag=drag))
    height_m = motion.rise_height(speed_mps)
    assert motion.rise_speed(height_m) == pytest.approx(speed_mps, rel=1e-9)
    assert motion.hop_speed(motion.hop_time(speed_mps)) == pytest.approx(speed_mps, rel=1e-7)
    assert motion.fall_speed(height_m) < speed_mps
    assert motion.rise_time(speed_mps) < motion.fall_time(height_m)
    states = fly([0, 0, 0], [0, 0, speed_mps], [0, 0, 0], [motion.rise_time(speed_mps)],
                 Environment(drag=drag))  # fmt: skip
    # the step of 8.5 ms errs by less than 1e-7 m over such a flight
    assert states.xyz_m[0, 2] == pytest.approx(height_m, abs=1e-7)
    assert states.v_mps[0, 2] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: Ball(radius_m=0.0),
        lambda: Ball(mass_kg=-2.7),
        lambda: Air(temperature_K=20.0),
        lambda: air_density(293.15, 1013.25),
        lambda: air_density(293.15, 101_325.0, 50.0),
        lambda: air_at_altitude(20_000.0),
        lambda: Environment(drag=0.0),
        lambda: Environment(gravity_mps2=-9.81),
        lambda: Environment(lift_bend=-0.1),
        lambda: fly([0, 0], [1, 0, 0], [0, 0, 0], [0.1]),
        lambda: fly([0, 0, 0], [np.nan, 0, 0], [0, 0, 0], [0.1]),
        lambda: fly([0, 0, 0], [1, 0, 0], [0, 0, 0], [0.2, 0.1]),
        lambda: fly([0, 0, 0], [1, 0, 0], [0, 0, 0], [np.inf]),
    ],
)
def test_impossible_input_is_refused_in_one_sentence(call):
    with pytest.raises(BadInput) as caught:
        call()
    assert len(str(caught.value)) > 30 and "\n" not in str(caught.value)


@pytest.mark.parametrize("v_mps", [0.4, 2.1, 6.0])
def test_height_of_a_hop_is_that_of_the_integrated_flight(v_mps):
    """Closed form against the kernel's integrator, rising and falling."""
    e = Environment(drag=0.48)
    motion = VerticalMotion.of(e)
    t = np.linspace(0.0, motion.hop_time(v_mps), 15)
    flown = fly([0, 0, 0], [0, 0, v_mps], [0, 0, 0], t, e).xyz_m[:, 2]
    height = motion.hop_height(v_mps, t)
    assert height == pytest.approx(flown, abs=2e-6)
    assert height[-1] == pytest.approx(0.0, abs=1e-9)
    assert height.max() > 0.9 * motion.rise_height(v_mps)
    assert np.abs(VerticalMotion.of(Environment(drag=0.53)).hop_height(v_mps, t) - flown).max() > (
        1e-5 * v_mps**3
    ), "a drag 0.05 off would be noticed"
