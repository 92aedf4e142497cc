"""Flights and the tangential law of the bounce against a general rigid body simulator, MuJoCo.

Its ellipsoid fluid model is drag f = -c0 rho A v^2 (c0 = Cd / 2) and Magnus force
(c4 - 0.5) rho V w x v, hence c4 = 0.5 + 3 k / 8 for CL = k S; its torque is switched off.
"""

import mujoco
import numpy as np
import pytest

from halfvolley.physics import kernels

G, R, M, RHO = 9.80665, 0.020, 0.0027, 1.2041
B = RHO * np.pi * R**2 / (2 * M)

FLIGHT = """
<mujoco><option gravity="0 0 -9.80665" density="1.2041" viscosity="0" timestep="1e-3"
 integrator="RK4"/><worldbody><body><freejoint/>
<inertial pos="0 0 0" mass="0.0027" diaginertia="7.2e-7 7.2e-7 7.2e-7"/>
<geom type="sphere" size="0.02" contype="0" conaffinity="0" fluidshape="ellipsoid"
 fluidcoef="{half_drag} {half_drag} 0 0 {magnus}"/></body></worldbody></mujoco>"""


def flown_by_mujoco(xyz, v, w, drag, k, t_s):
    model = mujoco.MjModel.from_xml_string(
        FLIGHT.format(half_drag=drag / 2, magnus=0.5 + 3 * k / 8)
    )
    data = mujoco.MjData(model)
    data.qpos[:3] = xyz
    data.qvel[:3], data.qvel[3:] = v, w
    for _ in range(round(t_s / 1e-3)):
        mujoco.mj_step(model, data)
    return data.qpos[:3].copy(), data.qvel[:3].copy()


def flown_by_kernel(xyz, v, w, drag, k, t_s):
    arguments = (G, B, drag, k, 0.0, R, 0.0)
    state = kernels.fly(xyz, v, w, *arguments, np.array([t_s]))[0]
    return state[0:3], state[3:6]


@pytest.mark.parametrize(
    ("v", "spin_revps", "drag", "k"),
    [
        ((10, 0, 2), (0, 0, 0), 0.5, 0.0),
        ((12, 0, 1), (0, 60, 0), 0.45, 0.6),
        ((6, 0, 1), (0, -40, 0), 0.45, 0.6),
        ((8, 0, 2), (0, 0, 50), 0.45, 0.6),
        ((-17, 3, 4), (40, -100, 30), 0.40, 0.3),
    ],
)
def test_flight_against_mujoco(v, spin_revps, drag, k):
    start = np.array([0, 0, 0.3]), np.array(v, float), 2 * np.pi * np.array(spin_revps, float)
    xyz, velocity = flown_by_kernel(*start, drag, k, 0.3)
    other_xyz, other_velocity = flown_by_mujoco(*start, drag, k, 0.3)
    # 1e-3 s steps of the other side err by 1e-6 m
    assert xyz == pytest.approx(other_xyz, abs=5e-6)
    assert velocity == pytest.approx(other_velocity, abs=5e-5)


def test_that_comparison_would_notice_a_spin_turned_round():
    start = np.array([0, 0, 0.3]), np.array([12.0, 0, 1]), 2 * np.pi * np.array([0, 60.0, 0])
    xyz, _ = flown_by_kernel(*start, 0.45, 0.6, 0.3)
    other, _ = flown_by_mujoco(start[0], start[1], -start[2], 0.45, 0.6, 0.3)
    assert abs(xyz[2] - other[2]) > 0.5


# Stiff damped contact with an elliptic friction cone. Restitution is no input there: it is taken
# from the run; then what happens along the table is compared. Tolerance 0.5 % for the soft contact.
CONTACT = """
<mujoco><option gravity="0 0 0" timestep="2e-6" cone="elliptic"/><worldbody>
<geom name="top" type="plane" size="1 1 .1"/><body pos="0 0 .0201"><freejoint/>
<inertial pos="0 0 0" mass="0.0027" diaginertia="7.2e-7 7.2e-7 7.2e-7"/>
<geom name="ball" type="sphere" size="0.02"/></body></worldbody>
<contact><pair geom1="top" geom2="ball" condim="3" friction="0.25 0.25 0 0 0" solref="-1e7 -215"
 solreffriction="-1 -1e5" solimp="0.9999 0.9999 0.001"/></contact></mujoco>"""


@pytest.mark.parametrize(
    ("vx", "vz", "topspin"), [(5, -3, 0), (3, -4, 0), (8, -4, 502.655), (6, -3, -251.327)]
)
def test_tangential_law_against_mujoco(vx, vz, topspin):
    model = mujoco.MjModel.from_xml_string(CONTACT)
    data = mujoco.MjData(model)
    data.qvel[:] = vx, 0.4 * vx, vz, 0, topspin, 0
    touched = False
    for _ in range(5000):
        mujoco.mj_step(model, data)
        touched = touched or data.ncon > 0
        if touched and data.ncon == 0:
            break
    assert touched and data.qvel[2] > 0
    e = -data.qvel[2] / vz
    v, w = np.array([vx, 0.4 * vx, vz], float), np.array([0, topspin, 0], float)
    v_out, w_out = kernels.bounce(v, w, max(e, 0.5), 0.0, 0.25, R)
    if e < 0.5:  # the floor of our law: give the impulse of the run through the friction instead
        v_out, w_out = kernels.bounce(v, w, 0.5, 0.0, 0.25 * (1 + e) / 1.5, R)
    rotation = np.empty(9)
    mujoco.mju_quat2Mat(rotation, data.qpos[3:7])
    spin = rotation.reshape(3, 3) @ data.qvel[3:6]  # body frame there, world frame here
    assert data.qvel[:2] == pytest.approx(v_out[:2], rel=5e-3)
    assert spin[:2] == pytest.approx(w_out[:2], rel=5e-3, abs=0.5)
