"""Flight of a simulated ball between touches, as a compiled function of floats and arrays.

This integrator is the simulator's own, so that an error of the physics room cannot hide in both;
it also knows drag that grows with spin, which the estimator's model leaves out.

Symbols::

    s      (9,) x, y, z [m], vx, vy, vz [m/s], wx, wy, wz [rad/s]
    coef   (7,) gravity, rho A / 2m, Cd, growth of Cd with S, lift scale, 1 if lift is linear in S,
           spin decay rate; see `BallPhysics`
    arena  (11,) half length, half width, net height, half net length, floor, half room x, half
           room y, half surrounds x, half surrounds y, top of surrounds, ceiling [m]
"""
# mypy: allow-untyped-defs

import math

import numpy as np
from numba import njit

FREE, TABLE, EDGE, NET, CORD, FLOOR, WALL, SIDE = range(8)
STEP_S = 0.0005
SLAB_M = 0.03  # thickness of the table top


@njit(cache=True)
def _rates(s, coef, radius, out):
    v = math.sqrt(s[3] ** 2 + s[4] ** 2 + s[5] ** 2)
    w = math.sqrt(s[6] ** 2 + s[7] ** 2 + s[8] ** 2)
    spin = radius * w / v if v > 1e-9 else 0.0
    drag = coef[1] * coef[2] * (1.0 + coef[3] * spin) * v
    # CL |v|^2 (w x v)/|w x v| with CL taken at w across v: lift per unit of w x v
    if coef[5] > 0.5:
        lift = coef[1] * coef[4] * radius
    else:
        lift = coef[1] * coef[4] * radius / (2.0 * spin + 1.0)
    out[0], out[1], out[2] = s[3], s[4], s[5]
    out[3] = lift * (s[7] * s[5] - s[8] * s[4]) - drag * s[3]
    out[4] = lift * (s[8] * s[3] - s[6] * s[5]) - drag * s[4]
    out[5] = lift * (s[6] * s[4] - s[7] * s[3]) - drag * s[5] - coef[0]
    for i in range(6, 9):
        out[i] = -coef[6] * s[i]


@njit(cache=True)
def step(s, h, coef, radius, out, k):
    """State after h seconds: classical Runge-Kutta; k is (5, 9) of scratch."""
    _rates(s, coef, radius, k[0])
    for i in range(9):
        k[4, i] = s[i] + 0.5 * h * k[0, i]
    _rates(k[4], coef, radius, k[1])
    for i in range(9):
        k[4, i] = s[i] + 0.5 * h * k[1, i]
    _rates(k[4], coef, radius, k[2])
    for i in range(9):
        k[4, i] = s[i] + h * k[2, i]
    _rates(k[4], coef, radius, k[3])
    for i in range(9):
        out[i] = s[i] + h / 6.0 * (k[0, i] + 2.0 * (k[1, i] + k[2, i]) + k[3, i])


@njit(cache=True)
def _near(s, px, py, pz, reach, n):
    dx, dy, dz = s[0] - px, s[1] - py, s[2] - pz
    d = math.sqrt(dx * dx + dy * dy + dz * dz)
    if d >= reach or d < 1e-9:
        return False
    n[0], n[1], n[2] = dx / d, dy / d, dz / d
    return s[3] * n[0] + s[4] * n[1] + s[5] * n[2] < 0.0


@njit(cache=True)
def touch(s, arena, radius, n):
    """Code of what the ball touches while moving towards it; n (3,) becomes the normal."""
    x, y, z = s[0], s[1], s[2]
    if z < radius and z > -SLAB_M - radius:
        px = min(max(x, -arena[0]), arena[0])
        py = min(max(y, -arena[1]), arena[1])
        pz = min(max(z, -SLAB_M), 0.0)
        if _near(s, px, py, pz, radius, n):
            if pz == 0.0:
                return TABLE if px == x and py == y else EDGE
            return SIDE
    if abs(x) < radius and z < arena[2] + radius and z > -radius and abs(y) < arena[3] + radius:
        py = min(max(y, -arena[3]), arena[3])
        pz = min(z, arena[2])
        if _near(s, 0.0, py, pz, radius, n):
            return CORD if pz == arena[2] else NET
    n[0], n[1], n[2] = 0.0, 0.0, 0.0
    if z < arena[4] + radius and s[5] < 0.0:
        n[2] = 1.0
        return FLOOR
    if z > arena[10] - radius and s[5] > 0.0:
        n[2] = -1.0
        return WALL
    for axis in range(2):
        towards = s[axis] * s[3 + axis] > 0.0
        if not towards:
            continue
        beyond = abs(s[axis]) + radius
        low = z < arena[9] and abs(s[1 - axis]) < arena[8 - axis]
        # surrounds are thin: a ball that flew over them is not thrown back
        if (low and 0.0 < beyond - arena[7 + axis] < 0.05) or beyond > arena[5 + axis]:
            n[axis] = -1.0 if s[axis] > 0.0 else 1.0
            return WALL
    return FREE


@njit(cache=True)
def fly_until(s0, coef, arena, radius, t_max, nodes, n):
    """Flies until something is touched or t_max is over.

    Fills nodes (m, 10) with time and state, the last at the touch; returns (number of nodes, code)
    and leaves the normal of the touch in n (3,).
    """
    k = np.empty((5, 9))
    s = s0.copy()
    after = np.empty(9)
    t = 0.0
    nodes[0, 0] = 0.0
    nodes[0, 1:] = s
    count = 1
    while count < nodes.shape[0] and t < t_max - 1e-12:
        h = min(STEP_S, t_max - t)
        step(s, h, coef, radius, after, k)
        code = touch(after, arena, radius, n)
        if code != FREE:
            low, high = 0.0, h
            for _ in range(40):
                mid = 0.5 * (low + high)
                step(s, mid, coef, radius, after, k)
                if touch(after, arena, radius, n) == FREE:
                    low = mid
                else:
                    high = mid
            step(s, high, coef, radius, after, k)
            code = touch(after, arena, radius, n)
            nodes[count, 0] = t + high
            nodes[count, 1:] = after
            return count + 1, code
        t += h
        s[:] = after
        nodes[count, 0] = t
        nodes[count, 1:] = s
        count += 1
    return count, FREE


@njit(cache=True)
def place_at(node_t, node_x, node_v, t, out):
    """out (3,) becomes the place on a path of cubic pieces at time t; returns the piece's index."""
    i = np.searchsorted(node_t, t, side="right") - 1
    last = node_t.shape[0] - 1
    if i < 0:
        i = 0
    if i >= last:
        i = last
        h = 0.0
    else:
        h = node_t[i + 1] - node_t[i]
    if h <= 0.0:
        for a in range(3):
            out[a] = node_x[i, a]
        return i
    p = min(max((t - node_t[i]) / h, 0.0), 1.0)
    q = 1.0 - p
    b0 = q * q * (1.0 + 2.0 * p)
    b1 = p * p * (3.0 - 2.0 * p)
    for a in range(3):
        out[a] = (
            b0 * node_x[i, a] + b1 * node_x[i + 1, a]
            + h * p * q * (q * node_v[i, a] - p * node_v[i + 1, a])
        )  # fmt: skip
    return i


@njit(cache=True)
def places_at(node_t, node_x, node_v, t):
    """(n, 3) places at times t (n,)."""
    out = np.empty((t.shape[0], 3))
    for i in range(t.shape[0]):
        place_at(node_t, node_x, node_v, t[i], out[i])
    return out
