"""Compiled parts of the flight room: closed-form starts and the residuals of the joint refinement.

Symbols: P (3,) centre of the ball at the reference time [m]; V, w velocity and spin of one side
[m/s, rad/s]; tau time from the reference [s]; R, t camera_from_world; (a, b) undistorted image
coordinates; c = R X + t the ball in the camera's frame.

    r = ((a, b) - (c0, c1) / c2) / sd                                    (1) residual of a sighting
    dr = -(R_e - (c_e / c2) R_2) dX / (c2 sd), e = 0, 1                   (2) its derivative
"""

import math

import numpy as np
from numba import njit, prange

from halfvolley.camera.kernels import project_point_jacobian
from halfvolley.physics.kernels import fly, fly_sensitivities
from halfvolley.types.arrays import FloatArray, IntArray

GLANCE_ROUNDS = 4  # after which a piece that is far off is given up
HOPELESS = 16.0  # cost a sighting: some 9 standard deviations each
STEP_S = 0.0175  # of the integration, one frame at 60/s: errs by some 3e-6 m
TAIL = 6.0  # squared scale of the loss, TAIL log(1 + r^2 / TAIL): Cauchy, 95 % efficient


@njit(cache=True, nogil=True, error_model="numpy")
def _normal_equations(
    x: FloatArray,
    tau: FloatArray,
    n_before: int,
    R: FloatArray,
    t: FloatArray,
    ab: FloatArray,
    sd: FloatArray,
    mean: FloatArray,
    info: FloatArray,
    air: FloatArray,
    N: FloatArray,
    D: FloatArray,
    y: FloatArray,
) -> float:
    """Fill N = D + prior and the gradient y; return the cost, equations (1) and (2)."""
    N[:, :] = 0.0
    D[:, :] = 0.0
    cost = 0.0
    for i in range(mean.shape[0]):
        N[i, i] = info[i]
        y[i] = info[i] * (mean[i] - x[i])
        cost += info[i] * (x[i] - mean[i]) ** 2
    g, b, _, lift, decay, radius, bend = air
    h, ht, c = np.empty((2, 10)), np.empty(2), np.empty(3)
    m = mean.shape[0]
    last = m - 1
    with_t = m == 17
    for side in range(2):
        lo = 0 if side == 0 else n_before
        hi = n_before if side == 0 else tau.shape[0]
        if lo == hi:
            continue
        o = 3 + 6 * side if with_t else 3
        late = x[15] if with_t else 0.0
        states, jac = fly_sensitivities(
            x[0:3], x[o : o + 3], x[o + 3 : o + 6], g, b, x[last], lift, decay, radius, bend,
            tau[lo:hi] - late, STEP_S,
        )  # fmt: skip
        for k in range(lo, hi):
            for i in range(3):
                c[i] = t[k, i]
                for j in range(3):
                    c[i] += R[k, i, j] * states[k - lo, j]
            depth = max(c[2], 0.3)
            r0 = (ab[k, 0] - c[0] / depth) / sd[k]
            r1 = (ab[k, 1] - c[1] / depth) / sd[k]
            square = (r0 * r0 + r1 * r1) / TAIL
            pull = 1.0 / (1.0 + square)
            cost += TAIL * math.log1p(square)
            for e in range(2):
                ht[e] = 0.0
                for p in range(10):
                    h[e, p] = 0.0
                for i in range(3):
                    q = (R[k, e, i] - c[e] / depth * R[k, 2, i]) / (depth * sd[k])
                    ht[e] -= q * states[k - lo, 3 + i]
                    for p in range(9):
                        h[e, p] += q * jac[k - lo, i, p]
                    h[e, 9] += q * jac[k - lo, i, 10]
            for p in range(10):
                P = p if p < 3 else (o + p - 3 if p < 9 else last)
                y[P] += pull * (h[0, p] * r0 + h[1, p] * r1)
                for q in range(p + 1):
                    Q = q if q < 3 else (o + q - 3 if q < 9 else last)
                    D[P, Q] += pull * (h[0, p] * h[0, q] + h[1, p] * h[1, q])
                if with_t:
                    D[max(P, 15), min(P, 15)] += pull * (h[0, p] * ht[0] + h[1, p] * ht[1])
            if with_t:
                y[15] += pull * (ht[0] * r0 + ht[1] * r1)
                D[15, 15] += pull * (ht[0] * ht[0] + ht[1] * ht[1])
    for p in range(m):
        for q in range(p):
            D[q, p] = D[p, q]
    N += D
    return cost


@njit(cache=True, nogil=True, error_model="numpy")
def solve_spd(M: FloatArray, B: FloatArray) -> bool:
    """Solve M X = B in place (both are overwritten) by Cholesky; False where M is not positive."""
    n = M.shape[0]
    for j in range(n):
        pivot = M[j, j]
        for k in range(j):
            pivot -= M[j, k] * M[j, k]
        if not pivot > 1e-13 * M[j, j]:
            return False
        M[j, j] = math.sqrt(pivot)
        for i in range(j + 1, n):
            value = M[i, j]
            for k in range(j):
                value -= M[i, k] * M[j, k]
            M[i, j] = value / M[j, j]
    for c in range(B.shape[1]):
        for i in range(n):
            for k in range(i):
                B[i, c] -= M[i, k] * B[k, c]
            B[i, c] /= M[i, i]
        for i in range(n - 1, -1, -1):
            for k in range(i + 1, n):
                B[i, c] -= M[k, i] * B[k, c]
            B[i, c] /= M[i, i]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def fit_free(
    start: FloatArray,
    tau: FloatArray,
    n_before: int,
    R: FloatArray,
    t: FloatArray,
    ab: FloatArray,
    sd: FloatArray,
    mean: FloatArray,
    info: FloatArray,
    air: FloatArray,
    rounds: int,
) -> tuple[FloatArray, FloatArray, float, float]:
    """Arcs before and after one instant: state, information, cost and free degrees.

    The state is (P, V0, w0, Cd), 10 long as `mean`, of one arc, or (P, V0, w0, V1, w1, T, Cd), 17
    long, of two that meet: the ball's place at the reference time, velocity and spin just before
    and just after, how much later than the reference they meet, and the drag coefficient. The first
    `n_before` sightings lie before (all of them where the state is 10 long: tau may have either
    sign then). `info` is the diagonal of the prior's information; `air` is (g, b, drag, lift,
    decay, radius, bend), its drag not used. Damped Gauss-Newton; the loss is Cauchy's, the cost
    infinite where the numbers ran away.
    """
    m = mean.shape[0]
    x = start.copy()
    N, D, y = np.empty((m, m)), np.empty((m, m)), np.empty(m)
    N2, D2, y2 = np.empty((m, m)), np.empty((m, m)), np.empty(m)
    cost = _normal_equations(x, tau, n_before, R, t, ab, sd, mean, info, air, N, D, y)
    damp = 1e-3
    step = np.empty((m, 1))
    for _ in range(rounds):
        M = N.copy()
        for i in range(m):
            M[i, i] *= 1.0 + damp
        if not math.isfinite(cost + np.sum(np.abs(M)) + np.sum(np.abs(y))):
            return x, N, math.inf, 1.0
        step[:, 0] = y
        if not solve_spd(M, step):
            damp = max(damp * 8.0, 1e-3)
            if damp > 1e6:
                break
            continue
        trial = x + step[:, 0]
        after = _normal_equations(trial, tau, n_before, R, t, ab, sd, mean, info, air, N2, D2, y2)
        if after <= cost:
            done = cost - after < 1e-3 * (1.0 + after)
            x, cost = trial, after
            N[:, :], D[:, :], y[:] = N2, D2, y2
            damp *= 0.2
            if done:
                break
        elif damp > 1e6:
            break
        else:
            damp = max(damp * 8.0, 1e-3)
    if not math.isfinite(cost) or not solve_spd(N.copy(), D):
        return x, N, math.inf, 1.0
    return x, N, cost, 2.0 * tau.shape[0] - np.trace(D)


@njit(cache=True, nogil=True, error_model="numpy")
def even_cost(tau: FloatArray, ab: FloatArray, sd: FloatArray) -> float:
    """Cost of sightings if their image moved evenly on a straight line; loss as in `fit_free`."""
    w = sd**-2.0
    total = np.sum(w)
    t = tau - np.sum(w * tau) / total
    spread = np.sum(w * t * t)
    square = np.zeros(len(tau))
    for e in range(2):
        middle = np.sum(w * ab[:, e]) / total
        rate = np.sum(w * t * ab[:, e]) / spread
        square += w * (ab[:, e] - middle - rate * t) ** 2
    return TAIL * float(np.sum(np.log1p(square / TAIL)))


@njit(cache=True, parallel=True, error_model="numpy")
def fit_pieces(
    rows: IntArray,
    starts: IntArray,
    t_s: FloatArray,
    R: FloatArray,
    t: FloatArray,
    ab: FloatArray,
    sd: FloatArray,
    mean: FloatArray,
    info: FloatArray,
    air: FloatArray,
    rounds: int,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """`fit_free` for many pieces: their rows lie one after another, `starts` (m + 1,) says where.

    The reference time of each is the middle of its first and last sighting. Last comes the
    `even_cost` of each.
    """
    m = starts.shape[0] - 1
    x, N = np.empty((m, 10)), np.empty((m, 10, 10))
    cost, free, even = np.empty(m), np.empty(m), np.empty(m)
    for i in prange(m):
        on = rows[starts[i] : starts[i + 1]]
        tau = t_s[on] - 0.5 * (t_s[on[0]] + t_s[on[-1]])
        Ri, ti, abi, sdi = R[on], t[on], ab[on], sd[on]
        x[i], N[i], cost[i], free[i] = fit_free(
            mean, tau, len(on), Ri, ti, abi, sdi, mean, info, air, GLANCE_ROUNDS
        )
        if cost[i] < HOPELESS * len(on):
            x[i], N[i], cost[i], free[i] = fit_free(
                x[i], tau, len(on), Ri, ti, abi, sdi, mean, info, air, rounds
            )
        even[i] = even_cost(tau, abi, sdi)
    return x, N, cost, free, even


@njit(cache=True, nogil=True, error_model="numpy")
def _image_of(
    state: FloatArray, cov: FloatArray, tau: float, R: FloatArray, t: FloatArray, air: FloatArray,
    ab: FloatArray, spread: FloatArray,
) -> float:  # fmt: skip
    """Fill image place (2,) and its covariance (2, 2) of a flight; return the depth."""
    g, b, _, lift, decay, radius, bend = air
    at = np.array([tau])
    x = fly(state[:3], state[3:6], state[6:9], g, b, state[9], lift, decay, radius, bend, at)
    c = np.empty(3)
    for i in range(3):
        c[i] = t[i] + R[i, 0] * x[0, 0] + R[i, 1] * x[0, 1] + R[i, 2] * x[0, 2]
    depth = max(c[2], 0.3)
    J = np.empty((2, 6))
    for e in range(2):
        ab[e] = c[e] / depth
        for i in range(3):
            J[e, i] = (R[e, i] - ab[e] * R[2, i]) / depth
            J[e, 3 + i] = tau * J[e, i]
    spread[:, :] = J @ np.ascontiguousarray(cov) @ np.ascontiguousarray(J.T)
    return c[2]


@njit(cache=True, nogil=True, error_model="numpy")
def closest_meeting(
    state_a: FloatArray, cov_a: FloatArray, t_a: float, state_b: FloatArray, cov_b: FloatArray,
    t_b: float, times: FloatArray, R: FloatArray, t: FloatArray, air: FloatArray, slack_m: float,
    slack_mps2: float,
) -> float:  # fmt: skip
    """Least squared distance in the picture, in its own spread, of two flights over some times.

    States (10,) hold at t_a and t_b with covariances (6, 6) of place and velocity. `slack_m` and
    `slack_mps2` allow for what the model lacks: at once, and by acceleration.
    """
    least = math.inf
    ab_a, ab_b = np.empty(2), np.empty(2)
    S_a, S_b = np.empty((2, 2)), np.empty((2, 2))
    for k in range(times.shape[0]):
        depth_a = _image_of(state_a, cov_a, times[k] - t_a, R, t, air, ab_a, S_a)
        depth_b = _image_of(state_b, cov_b, times[k] - t_b, R, t, air, ab_b, S_b)
        if depth_a < 0.3 or depth_b < 0.3:
            continue
        far = max(abs(times[k] - t_a), abs(times[k] - t_b))
        slack = (slack_m + 0.5 * slack_mps2 * far * far) / min(depth_a, depth_b)
        S = S_a + S_b
        S[0, 0] += slack * slack
        S[1, 1] += slack * slack
        du, dv = ab_a[0] - ab_b[0], ab_a[1] - ab_b[1]
        det = S[0, 0] * S[1, 1] - S[0, 1] * S[1, 0]
        d2 = (S[1, 1] * du * du - 2.0 * S[0, 1] * du * dv + S[0, 0] * dv * dv) / det
        least = min(least, d2)
    return least


@njit(cache=True, nogil=True, error_model="numpy")
def arc_residuals(
    state: FloatArray,
    t0: float,
    g: float,
    b: float,
    drag: float,
    lift: float,
    decay: float,
    radius: float,
    bend: float,
    intrinsics: FloatArray,
    turn: FloatArray,
    shift: FloatArray,
    bias: FloatArray,
    t_seen: FloatArray,
    lever: FloatArray,
    R: FloatArray,
    t: FloatArray,
    uv: FloatArray,
    white: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Whitened residuals (predicted less seen) of the sightings on one arc, with derivatives.

    `state` (9,) holds at time `t0`; sightings in time order. `intrinsics` is (f, cx, cy, k1, k2);
    `turn` (3, 3) multiplies every R from the left, `shift` (3,) adds to every t; `bias` (2,)
    adds to the pixels;
    `lever` (n, 2) is the derivative of the time seen to exposure and readout; `white` (n, 2, 2)
    whitens. Returns residuals (n, 2), d/d state (n, 2, 9), d/d t0 (n, 2), d/d globals (n, 2, 19):
    camera (11), g, drag, lift, exposure, readout, bias (2), bend; and the places (n, 3).
    """
    n = t_seen.shape[0]
    res = np.empty((n, 2))
    d_state = np.empty((n, 2, 9))
    d_t0 = np.empty((n, 2))
    d_glob = np.zeros((n, 2, 19))
    tau = t_seen - t0
    states, jac = fly_sensitivities(
        state[0:3], state[3:6], state[6:9], g, b, drag, lift, decay, radius, bend, tau, STEP_S
    )
    d_xyz = np.empty((2, 3))
    d_cam = np.empty((2, 11))
    f, cx, cy, k1, k2 = intrinsics
    for i in range(n):
        Ri = turn @ np.ascontiguousarray(R[i])
        ti = t[i] + shift
        u, v = project_point_jacobian(
            f, cx, cy, k1, k2, Ri, ti, states[i, 0], states[i, 1], states[i, 2], d_xyz, d_cam
        )
        if not math.isfinite(u):
            res[i] = 1e3
            d_state[i] = 0.0
            d_t0[i] = 0.0
            continue
        ru = u + bias[0] - uv[i, 0]
        rv = v + bias[1] - uv[i, 1]
        for e in range(2):
            w0, w1 = white[i, e, 0], white[i, e, 1]
            res[i, e] = w0 * ru + w1 * rv
            rate = 0.0
            for q in range(3):
                h = w0 * d_xyz[0, q] + w1 * d_xyz[1, q]
                rate += h * states[i, 3 + q]
                if q == 0:
                    for p in range(9):
                        d_state[i, e, p] = h * jac[i, q, p]
                    for p in range(3):
                        d_glob[i, e, 11 + p] = h * jac[i, q, 9 + p]
                    d_glob[i, e, 18] = h * jac[i, q, 12]
                else:
                    for p in range(9):
                        d_state[i, e, p] += h * jac[i, q, p]
                    for p in range(3):
                        d_glob[i, e, 11 + p] += h * jac[i, q, 9 + p]
                    d_glob[i, e, 18] += h * jac[i, q, 12]
            d_t0[i, e] = -rate
            for p in range(11):
                d_glob[i, e, p] = w0 * d_cam[0, p] + w1 * d_cam[1, p]
            d_glob[i, e, 14] = rate * lever[i, 0]
            d_glob[i, e, 15] = rate * lever[i, 1]
            d_glob[i, e, 16] = w0
            d_glob[i, e, 17] = w1
    return res, d_state, d_t0, d_glob, states[:, 0:3]
