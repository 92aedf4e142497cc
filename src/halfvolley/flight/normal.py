"""Compiled normal equations of a course: every sighting, contact, law and prior of `refine`.

Unknowns: the state (9) at the start of each of k arcs, the time of each of k - 1 contacts, what
each arc has of drag and lift beyond the clip's (2 k), and the globals (22). A block of residuals
touches a few of them: `cols` says which column of its derivatives J belongs to which unknown.
"""

import math

import numpy as np
from numba import njit

from halfvolley.constants import BALL_RADIUS_M, NET_HEIGHT_M
from halfvolley.flight.junctions import FLOOR_Z_M
from halfvolley.flight.kernels import TAIL, arc_residuals
from halfvolley.flight.shared import (
    BEND,
    BIAS,
    DRAG,
    EXPOSURE,
    GRAVITY,
    LAW,
    LIFT,
    N_GLOBALS,
    SHIFT,
    SHUTTER,
)
from halfvolley.physics.kernels import bounce_jacobian, fly_sensitivities, rates
from halfvolley.types.arrays import FloatArray, IntArray

R = BALL_RADIUS_M.value
FREE, TABLE, FLOOR, NET = range(4)  # what a contact must obey
JOIN_SD_M = 0.0005  # a ball dents by less during a touch
PLANE_SD_M = 0.001  # flatness of a table
FLOOR_SD_M = 0.01
NET_SD_M = 0.02  # the ball's radius: where it touches the net
NET_TOP_M = NET_HEIGHT_M.value + R  # no ball that touches the net is higher
NET_LEAVES, NET_TAKES_SD, NET_TAKES_SD_MPS = 0.7, 0.3, 0.5  # of the speed across the table
CORD_M, CORD_SD_M = NET_HEIGHT_M.value + 0.5 * R, 0.01  # of one that goes on over it


@njit(cache=True, nogil=True)
def normal_equations(
    states: FloatArray,
    starts: FloatArray,
    own_air: FloatArray,
    contact: IntArray,
    g: FloatArray,
    turn: FloatArray,
    intrinsics: FloatArray,
    air: FloatArray,
    prior_mean: FloatArray,
    prior_info: FloatArray,
    state_mean: FloatArray,
    state_sd: FloatArray,
    own_air_sd: FloatArray,
    t_seen: FloatArray,
    lever: FloatArray,
    R_seen: FloatArray,
    t_m: FloatArray,
    uv: FloatArray,
    white: FloatArray,
    length_px: FloatArray,
) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Matrix (n, n), right side (n,), cost, and root mean square residual (k,) of each arc.

    `own_air` (k, 2) is drag and lift of each arc beyond those of `g`, with standard deviations
    `own_air_sd` (2,); `contact` (k - 1,) holds FREE, TABLE, FLOOR or NET; `g` (22,) the globals,
    with which `intrinsics` (5,) and `turn` (3, 3) agree; `air` (7,) gravity, b, drag, lift, spin
    decay, radius and bend; `state_mean` (9,) and `state_sd` (k, 9) the prior of the states; the
    rest are the sightings in time order, dated with `prior_mean`, and the length (m,) of their
    streaks.
    """
    k = len(starts)
    n = 12 * k - 1 + N_GLOBALS
    N, y = np.zeros((n, n)), np.zeros(n)
    cost, rms = _add_sights(
        N, y, states, starts, own_air, g, turn, intrinsics, air, prior_mean, t_seen, lever, R_seen,
        t_m, uv, white, length_px,
    )  # fmt: skip
    for i in range(k - 1):
        cost += _add_contact(N, y, states, starts, own_air, i, contact[i], g, air)
    for i in range(k):
        for p in range(9):
            info = 1.0 / state_sd[i, p] ** 2
            off = states[i, p] - state_mean[p]
            N[9 * i + p, 9 * i + p] += info
            y[9 * i + p] -= info * off
            cost += info * off * off
        for p in range(2):
            info = 1.0 / own_air_sd[p] ** 2
            at = 10 * k - 1 + 2 * i + p
            N[at, at] += info
            y[at] -= info * own_air[i, p]
            cost += info * own_air[i, p] ** 2
    off_g = g - prior_mean
    pull = prior_info @ off_g
    N[n - N_GLOBALS :, n - N_GLOBALS :] += prior_info
    y[n - N_GLOBALS :] -= pull
    return N, y, cost + off_g @ pull, rms


@njit(cache=True, nogil=True)
def _add(N: FloatArray, y: FloatArray, cols: IntArray, J: FloatArray, r: FloatArray) -> float:
    """Add whitened residuals r (m,) with derivatives J (m, len(cols)); the sum of their squares."""
    A = np.ascontiguousarray(J.T) @ J
    v = np.ascontiguousarray(J.T) @ r
    for a in range(len(cols)):
        y[cols[a]] -= v[a]
        for b in range(len(cols)):
            N[cols[a], cols[b]] += A[a, b]
    return float(r @ r)


@njit(cache=True, nogil=True)
def _add_sights(
    N: FloatArray, y: FloatArray, states: FloatArray, starts: FloatArray, own_air: FloatArray,
    g: FloatArray, turn: FloatArray, intrinsics: FloatArray, air: FloatArray,
    prior_mean: FloatArray, t_seen: FloatArray, lever: FloatArray, R_seen: FloatArray,
    t_m: FloatArray, uv: FloatArray, white: FloatArray, length_px: FloatArray,
) -> tuple[float, FloatArray]:  # fmt: skip
    """Add the sightings; their Cauchy cost, and the root mean square residual (k,) of each arc."""
    k, m = len(starts), len(t_seen)
    at_globals = len(y) - N_GLOBALS
    t_s = t_seen + lever @ (g[SHUTTER] - prior_mean[SHUTTER])
    arc = np.minimum(np.maximum(np.searchsorted(starts, t_s, side="right") - 1, 0), k - 1)
    weight = np.ones(m)
    for j in range(m):  # near a contact the streak is bent: its centre is on neither arc
        for i in range(1, k):
            near = 1.0 - abs(t_s[j] - starts[i]) / (0.5 * g[EXPOSURE] + 1e-9)
            if near > 0.0:
                bent = 1.0 / math.sqrt(1.0 + (near * length_px[j] / 4.0) ** 2)
                weight[j] = min(weight[j], bent)
    cost, rms = 0.0, np.zeros(k)
    for i in range(k):
        on = np.flatnonzero(arc == i)
        if len(on) == 0:
            continue
        res, d_state, d_t0, d_glob, _ = arc_residuals(
            states[i], starts[i], g[GRAVITY], air[1], g[DRAG] + own_air[i, 0],
            g[LIFT] + own_air[i, 1], air[4], air[5], g[BEND], intrinsics, turn, g[SHIFT], g[BIAS],
            t_s[on], lever[on],
            R_seen[on], t_m[on], uv[on], white[on] * weight[on].reshape(-1, 1, 1),
        )  # fmt: skip
        wide = 30 + (1 if i > 0 else 0)
        J, r = np.empty((2 * len(on), wide)), np.empty(2 * len(on))
        held = 0.0
        for a in range(len(on)):
            square = res[a, 0] ** 2 + res[a, 1] ** 2
            pull = 1.0 / math.sqrt(1.0 + square / TAIL)
            cost += TAIL * math.log1p(square / TAIL)
            held += min(square, 16.0)
            for e in range(2):
                row = 2 * a + e
                r[row] = pull * res[a, e]
                J[row, :9] = pull * d_state[a, e]
                J[row, 9:28] = pull * d_glob[a, e]
                J[row, 28:30] = J[row, 21:23]  # as the clip's drag and lift
                if i > 0:
                    J[row, 30] = pull * d_t0[a, e]
        rms[i] = math.sqrt(held / (2.0 * len(on)))
        cols = np.empty(wide, np.int64)
        cols[:9] = np.arange(9 * i, 9 * i + 9)
        cols[9:27] = np.arange(at_globals, at_globals + BIAS.stop)
        cols[27] = at_globals + BEND
        cols[28:30] = np.arange(10 * k - 1 + 2 * i, 10 * k + 1 + 2 * i)
        if i > 0:
            cols[30] = 9 * k + i - 1
        _add(N, y, cols, J, r)
    return cost, rms


@njit(cache=True, nogil=True)
def _add_contact(
    N: FloatArray, y: FloatArray, states: FloatArray, starts: FloatArray, own_air: FloatArray,
    i: int, kind: int, g: FloatArray, air: FloatArray,
) -> float:  # fmt: skip
    """The end of arc i against the start of the next, and what the kind of contact asks."""
    k = len(starts)
    at_globals = len(y) - N_GLOBALS
    x, after = states[i], states[i + 1]
    span = np.array([starts[i + 1] - starts[i]])
    drag, lift = g[DRAG] + own_air[i, 0], g[LIFT] + own_air[i, 1]
    flown, jac = fly_sensitivities(
        x[0:3], x[3:6], x[6:9], g[GRAVITY], air[1], drag, lift, air[4], air[5], g[BEND], span
    )
    end = flown[0]
    # columns: state before (9), gravity, drag, lift, bend (4), state after (9), table (3), own drag
    # and lift (2), times (1 or 2)
    wide = 28 + (1 if i > 0 else 0)
    cols = np.empty(wide, np.int64)
    cols[:9] = np.arange(9 * i, 9 * i + 9)
    cols[9:12] = np.arange(at_globals + GRAVITY, at_globals + LIFT + 1)
    cols[12] = at_globals + BEND
    cols[13:22] = np.arange(9 * i + 9, 9 * i + 18)
    cols[22:25] = np.arange(at_globals + LAW.start, at_globals + LAW.stop)
    cols[25:27] = np.arange(10 * k - 1 + 2 * i, 10 * k + 1 + 2 * i)
    cols[27] = 9 * k + i
    d_end = np.zeros((9, wide))
    d_end[:, :13] = jac[0]
    d_end[:, 25:27] = jac[0, :, 10:12]
    d_end[:, 27] = rates(end, g[GRAVITY], air[1], drag, lift, air[4], air[5], g[BEND])
    if i > 0:
        cols[28] = 9 * k + i - 1
        d_end[:, 28] = -d_end[:, 27]
    J = d_end[:3] / JOIN_SD_M
    for p in range(3):
        J[p, 13 + p] = -1.0 / JOIN_SD_M
    cost = _add(N, y, cols, J, (end[:3] - after[:3]) / JOIN_SD_M)
    if kind == TABLE or kind == FLOOR:
        J, r = _bounce_law(kind, end, after, d_end, g)
        cost += _add(N, y, cols, J, r)
    if kind == NET:
        cost += _add(N, y, cols, *_at_net(end, after, d_end))
    return cost


@njit(cache=True, nogil=True)
def _at_net(end: FloatArray, after: FloatArray, d_end: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place of a ball at the net, and its speed across the table afterwards.

    It goes on over the cord, or was stopped below its upper side. The net yields and takes some of
    the speed across.
    """
    J, r = np.zeros((3, d_end.shape[1])), np.zeros(3)
    J[0, 13] = 1.0 / NET_SD_M
    r[0] = after[0] / NET_SD_M
    goes_on = end[3] * after[3] > 0.0
    if goes_on or after[2] > NET_TOP_M:
        J[1, 15] = 1.0 / CORD_SD_M
        r[1] = (after[2] - (CORD_M if goes_on else NET_TOP_M)) / CORD_SD_M
    sd = NET_TAKES_SD_MPS + NET_TAKES_SD * abs(end[4])
    J[2] = -NET_LEAVES / sd * d_end[4]
    J[2, 17] += 1.0 / sd
    r[2] = (after[4] - NET_LEAVES * end[4]) / sd
    return J, r


@njit(cache=True, nogil=True)
def _bounce_law(
    kind: int, end: FloatArray, after: FloatArray, d_end: FloatArray, g: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Height of the centre (first), and velocity and spin after against the bounce law."""
    at_rest, slope, friction = g[LAW]
    law, jac = bounce_jacobian(end[3:6], end[6:9], at_rest, slope, max(friction, 0.01), R)
    loose = 1.0 if kind == TABLE else 6.0  # floors differ far more than tables
    v_sd = loose * (0.08 + 0.12 * math.hypot(law[0] - end[3], law[1] - end[4]))
    w_sd = 1.5 * v_sd / R + 10.0
    z_sd = loose * (0.03 + 0.015 * abs(end[5]))
    turn_sd = loose * (10.0 + 0.1 * abs(end[8]))
    weight = 1.0 / np.array([v_sd, v_sd, z_sd, w_sd, w_sd, turn_sd])
    J, r = np.zeros((7, d_end.shape[1])), np.empty(7)
    height, sd = (R, PLANE_SD_M) if kind == TABLE else (FLOOR_Z_M, FLOOR_SD_M)
    J[0, 15] = 1.0 / sd
    r[0] = (after[2] - height) / sd
    moved = np.ascontiguousarray(jac[:, :6]) @ np.ascontiguousarray(d_end[3:9])
    for p in range(6):
        J[1 + p] = -weight[p] * moved[p]
        for q in range(3):
            J[1 + p, 22 + q] -= weight[p] * jac[p, 6 + q]
        J[1 + p, 16 + p] += weight[p]
        r[1 + p] = weight[p] * (after[3 + p] - law[p])
    return J, r
