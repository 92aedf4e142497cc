"""Flight and bounce of a ball as compiled functions of floats and arrays.

SI units, world frame of `docs/conventions.md`: z up, the playing surface is z = 0. A state is
(x, y, z, vx, vy, vz, wx, wy, wz): centre [m], velocity [m/s], spin vector [rad/s].

Symbols used in this file::

    x, v, w   centre, velocity, spin vector          g   gravity less buoyancy
    R, m, A   radius, mass, cross-section pi R^2     b   rho A / (2 m)
    S         spin parameter R |w| / |v|             Cd  drag coefficient
    L, n      lift scale and bend: CL = L S / (n S + 1); lift is linear in S for n = 0
    q         spin decay rate                        h   step

Equations::

    (1) dx/dt = v
    (2) dv/dt = -g z - b Cd |v| v + b L c (w x v)
    (3) dw/dt = -q w,  hence  w(t) = w(0) exp(-q t)
    (4) c = R |v| / (n R |w| + |v|)

With w across v, (4) is CL = L S / (n S + 1); it is written so that a ball without spin is no
special case. Spin along v lifts nothing. (2) is integrated by the classical Runge-Kutta method
of fourth order with steps of at most `MAX_STEP_S`, which end exactly at each wanted time.

The functions take contiguous float64 arrays; `flight` and `bounce` are the checked shell.
"""
# mypy: allow-untyped-defs
# Arguments without a type are floats or float64 arrays named as in the list above.

import math

import numpy as np
from numba import njit

from halfvolley.types.arrays import FloatArray

MAX_STEP_S = 0.0085
"""Longest step [s]; errs by 2e-7 m at most over 0.5 s at 30 m/s and 150 rev/s (60 flights)."""

MIN_RESTITUTION = 0.5
"""Floor of e0 - e1 |vz|, so that the line never leaves what balls do."""


# (2), (4): acceleration
@njit(cache=True, error_model="numpy")
def _acceleration(vx, vy, vz, wx, wy, wz, g, b, drag, lift, radius, bend):
    v = math.sqrt(vx * vx + vy * vy + vz * vz)
    w = math.sqrt(wx * wx + wy * wy + wz * wz)
    below = bend * radius * w + v
    c = radius * v / below if below > 0.0 else 0.0
    d = b * drag * v
    f = b * lift * c
    return (
        f * (wy * vz - wz * vy) - d * vx,
        f * (wz * vx - wx * vz) - d * vy,
        f * (wx * vy - wy * vx) - d * vz - g,
    )


@njit(cache=True, error_model="numpy")
def rates(
    state: FloatArray,
    g: float,
    b: float,
    drag: float,
    lift: float,
    decay: float,
    radius: float,
    bend: float,
) -> FloatArray:
    """(9,) time derivative of a state, equations (1) to (3)."""
    ax, ay, az = _acceleration(
        state[3], state[4], state[5], state[6], state[7], state[8], g, b, drag, lift, radius, bend
    )
    out = np.empty(9)
    out[0:3] = state[3:6]
    out[3] = ax
    out[4] = ay
    out[5] = az
    out[6] = -decay * state[6]
    out[7] = -decay * state[7]
    out[8] = -decay * state[8]
    return out


# (1) to (3): one step of length h, in place; h < 0 goes back in time
@njit(cache=True, error_model="numpy")
def _step(s, h, g, b, drag, lift, decay, radius, bend):
    vx, vy, vz, wx, wy, wz = s[3], s[4], s[5], s[6], s[7], s[8]
    half = math.exp(-0.5 * decay * h)
    full = half * half
    k = 0.5 * h
    ax, ay, az = _acceleration(vx, vy, vz, wx, wy, wz, g, b, drag, lift, radius, bend)
    ux, uy, uz = wx * half, wy * half, wz * half
    bx, by, bz = _acceleration(
        vx + k * ax, vy + k * ay, vz + k * az, ux, uy, uz, g, b, drag, lift, radius, bend
    )
    cx, cy, cz = _acceleration(
        vx + k * bx, vy + k * by, vz + k * bz, ux, uy, uz, g, b, drag, lift, radius, bend
    )
    ux, uy, uz = wx * full, wy * full, wz * full
    dx, dy, dz = _acceleration(
        vx + h * cx, vy + h * cy, vz + h * cz, ux, uy, uz, g, b, drag, lift, radius, bend
    )
    # the four slopes of x are v, v + k a, v + k b, v + h c
    n = h / 6.0
    s[0] += h * (vx + n * (ax + bx + cx))
    s[1] += h * (vy + n * (ay + by + cy))
    s[2] += h * (vz + n * (az + bz + cz))
    s[3] += n * (ax + 2.0 * (bx + cx) + dx)
    s[4] += n * (ay + 2.0 * (by + cy) + dy)
    s[5] += n * (az + 2.0 * (bz + cz) + dz)
    s[6], s[7], s[8] = ux, uy, uz


@njit(cache=True, error_model="numpy")
def _advance(s, span, g, b, drag, lift, decay, radius, bend):
    n = math.ceil(abs(span) / MAX_STEP_S)
    for _ in range(n):
        _step(s, span / n, g, b, drag, lift, decay, radius, bend)


@njit(cache=True, error_model="numpy")
def fly(
    xyz: FloatArray,
    v: FloatArray,
    w: FloatArray,
    g: float,
    b: float,
    drag: float,
    lift: float,
    decay: float,
    radius: float,
    bend: float,
    t: FloatArray,
) -> FloatArray:
    """(n, 9) states at times t (n,) ascending, relative to the start; t < 0 lies before it."""
    n = t.shape[0]
    out = np.empty((n, 9))
    start = np.empty(9)
    start[0:3] = xyz
    start[3:6] = v
    start[6:9] = w
    first = np.searchsorted(t, 0.0)
    s = start.copy()
    now = 0.0
    for i in range(first, n):
        _advance(s, t[i] - now, g, b, drag, lift, decay, radius, bend)
        now = t[i]
        out[i] = s
    s = start.copy()
    now = 0.0
    for i in range(first - 1, -1, -1):
        _advance(s, t[i] - now, g, b, drag, lift, decay, radius, bend)
        now = t[i]
        out[i] = s
    return out


# Derivatives of (2) with respect to v, w, and the parameters drag, lift and bend:
# d|v|v/dv = |v| I + v v^T/|v|;  d(w x v)/dv = [w]x;  d(w x v)/dw = -[v]x;
# dc/dv = n R^2 |w| / m^2 v/|v|,  dc/dw = -n R^2 |v| / m^2 w/|w|,  dc/dn = -R |w| c / m,
# m = n R |w| + |v|
# a: (3, 10) = columns d/dv (3), d/dw (3), d/dg, d/dCd, d/dL, d/dn; k: (3,) = acceleration
@njit(cache=True, error_model="numpy")
def _gradients(vx, vy, vz, wx, wy, wz, g, b, drag, lift, radius, bend, k, a):
    v = math.sqrt(vx * vx + vy * vy + vz * vz)
    w = math.sqrt(wx * wx + wy * wy + wz * wz)
    m = bend * radius * w + v
    c = radius * v / m if m > 0.0 else 0.0
    cv = 0.0  # (dc/d|v|) / |v|
    cw = 0.0  # (dc/d|w|) / |w|
    if v > 0.0 and w > 0.0:
        cv = bend * radius * radius * w / (m * m * v)
        cw = -bend * radius * radius * v / (m * m * w)
    lx = wy * vz - wz * vy
    ly = wz * vx - wx * vz
    lz = wx * vy - wy * vx
    d = b * drag * v
    e = b * drag / v if v > 0.0 else 0.0
    f = b * lift * c
    pv = b * lift * cv
    pw = b * lift * cw
    k[0] = f * lx - d * vx
    k[1] = f * ly - d * vy
    k[2] = f * lz - d * vz - g
    a[0, 0] = -d - e * vx * vx + pv * lx * vx
    a[0, 1] = -f * wz - e * vx * vy + pv * lx * vy
    a[0, 2] = f * wy - e * vx * vz + pv * lx * vz
    a[1, 0] = f * wz - e * vy * vx + pv * ly * vx
    a[1, 1] = -d - e * vy * vy + pv * ly * vy
    a[1, 2] = -f * wx - e * vy * vz + pv * ly * vz
    a[2, 0] = -f * wy - e * vz * vx + pv * lz * vx
    a[2, 1] = f * wx - e * vz * vy + pv * lz * vy
    a[2, 2] = -d - e * vz * vz + pv * lz * vz
    a[0, 3] = pw * lx * wx
    a[0, 4] = f * vz + pw * lx * wy
    a[0, 5] = -f * vy + pw * lx * wz
    a[1, 3] = -f * vz + pw * ly * wx
    a[1, 4] = pw * ly * wy
    a[1, 5] = f * vx + pw * ly * wz
    a[2, 3] = f * vy + pw * lz * wx
    a[2, 4] = -f * vx + pw * lz * wy
    a[2, 5] = pw * lz * wz
    a[0, 6] = 0.0
    a[1, 6] = 0.0
    a[2, 6] = -1.0
    a[0, 7] = -b * v * vx
    a[1, 7] = -b * v * vy
    a[2, 7] = -b * v * vz
    a[0, 8] = b * c * lx
    a[1, 8] = b * c * ly
    a[2, 8] = b * c * lz
    pn = -f * radius * w / m if m > 0.0 else 0.0
    a[0, 9] = pn * lx
    a[1, 9] = pn * ly
    a[2, 9] = pn * lz


# Variational equation: V = dv/d(v0, w0, g, Cd, L, n) obeys dV/dt = A V + F, where A = a[:, :3]
# and F = (0, a_w exp(-q t), a_g, a_Cd, a_L, a_n); out = A (V + h last) + F
@njit(cache=True, error_model="numpy")
def _variation(a, shrink, V, h, last, out):
    for j in range(10):
        p = V[0, j] + h * last[0, j]
        q = V[1, j] + h * last[1, j]
        r = V[2, j] + h * last[2, j]
        f = 0.0 if j < 3 else (shrink if j < 6 else 1.0)
        for i in range(3):
            out[i, j] = a[i, 0] * p + a[i, 1] * q + a[i, 2] * r + f * a[i, j]


# One step as `_step`, carrying X = dx/d(...) and V along; the same stages are used, so the result
# is the exact derivative of the numerical solution. shrink = exp(-q t) at the start of the step.
@njit(cache=True, error_model="numpy")
def _step_sensitivities(s, X, V, shrink, h, g, b, drag, lift, decay, radius, bend, k, a, ks):
    vx, vy, vz, wx, wy, wz = s[3], s[4], s[5], s[6], s[7], s[8]
    half = math.exp(-0.5 * decay * h)
    m = 0.5 * h
    ux, uy, uz = wx * half, wy * half, wz * half
    _gradients(vx, vy, vz, wx, wy, wz, g, b, drag, lift, radius, bend, k[0], a)
    _variation(a, shrink, V, 0.0, ks[0], ks[0])
    for i in range(1, 3):
        _gradients(
            vx + m * k[i - 1, 0], vy + m * k[i - 1, 1], vz + m * k[i - 1, 2], ux, uy, uz,
            g, b, drag, lift, radius, bend, k[i], a,
        )  # fmt: skip
        _variation(a, shrink * half, V, m, ks[i - 1], ks[i])
    ux, uy, uz = ux * half, uy * half, uz * half
    _gradients(
        vx + h * k[2, 0], vy + h * k[2, 1], vz + h * k[2, 2], ux, uy, uz,
        g, b, drag, lift, radius, bend, k[3], a,
    )  # fmt: skip
    _variation(a, shrink * half * half, V, h, ks[2], ks[3])
    n = h / 6.0
    for i in range(3):
        s[i] += h * (s[3 + i] + n * (k[0, i] + k[1, i] + k[2, i]))
        s[3 + i] += n * (k[0, i] + 2.0 * (k[1, i] + k[2, i]) + k[3, i])
        for j in range(10):
            X[i, j] += h * (V[i, j] + n * (ks[0, i, j] + ks[1, i, j] + ks[2, i, j]))
            V[i, j] += n * (ks[0, i, j] + 2.0 * (ks[1, i, j] + ks[2, i, j]) + ks[3, i, j])
    s[6], s[7], s[8] = ux, uy, uz


# rows of the result: x, v, w; columns: x0, v0, w0, g, Cd, L, n
@njit(cache=True, error_model="numpy")
def _store(jac, X, V, shrink):
    jac[:] = 0.0
    for i in range(3):
        jac[i, i] = 1.0
        jac[6 + i, 6 + i] = shrink
        for j in range(10):
            jac[i, 3 + j] = X[i, j]
            jac[3 + i, 3 + j] = V[i, j]


@njit(cache=True, error_model="numpy")
def fly_sensitivities(
    xyz: FloatArray,
    v: FloatArray,
    w: FloatArray,
    g: float,
    b: float,
    drag: float,
    lift: float,
    decay: float,
    radius: float,
    bend: float,
    t: FloatArray,
    max_step: float = MAX_STEP_S,
) -> tuple[FloatArray, FloatArray]:
    """(n, 9) states as `fly` and their (n, 9, 13) derivatives.

    Columns: place (3), velocity (3) and spin (3) at the start, g, drag, lift, bend. The
    derivative with respect to a time is `rates` of the state there. Twice the step errs by 16
    times as much.
    """
    n = t.shape[0]
    out = np.empty((n, 9))
    jac = np.empty((n, 9, 13))
    first = np.searchsorted(t, 0.0)
    s = np.empty(9)
    X = np.empty((3, 10))
    V = np.empty((3, 10))
    k = np.empty((4, 3))
    ks = np.zeros((4, 3, 10))
    a = np.empty((3, 10))
    for way in range(2):  # forward from the start, then back from it
        s[0:3] = xyz
        s[3:6] = v
        s[6:9] = w
        X[:] = 0.0
        V[:] = 0.0
        for i in range(3):
            V[i, i] = 1.0
        now = 0.0
        steps = n - first if way == 0 else first
        for i in range(steps):
            row = first + i if way == 0 else first - 1 - i
            span = t[row] - now
            m = math.ceil(abs(span) / max_step)
            for j in range(m):
                h = span / m
                shrink = math.exp(-decay * (now + j * h))
                _step_sensitivities(
                    s, X, V, shrink, h, g, b, drag, lift, decay, radius, bend, k, a, ks
                )
            now = t[row]
            out[row] = s
            _store(jac[row], X, V, math.exp(-decay * now))
    return out, jac


@njit(cache=True, error_model="numpy")
def land(
    xyz: FloatArray,
    v: FloatArray,
    w: FloatArray,
    g: float,
    b: float,
    drag: float,
    lift: float,
    decay: float,
    radius: float,
    bend: float,
    height: float,
    t_max: float,
) -> tuple[float, FloatArray]:
    """Time and (9,) state of the first descent of the centre through a height.

    The time is -1 where it does not come down through `height` within `t_max`.
    """
    s = np.empty(9)
    s[0:3] = xyz
    s[3:6] = v
    s[6:9] = w
    before = s.copy()
    now = 0.0
    while now < t_max:
        h = min(MAX_STEP_S, t_max - now)
        before[:] = s
        _step(s, h, g, b, drag, lift, decay, radius, bend)
        if s[2] <= height and before[2] > height:
            # the crossing lies in this step: regula falsi, then Newton on single steps
            x = h * (before[2] - height) / (before[2] - s[2])
            for _ in range(20):
                s[:] = before
                _step(s, x, g, b, drag, lift, decay, radius, bend)
                change = (s[2] - height) / s[5]
                x = min(max(x - change, 0.0), h)
                if abs(change) < 1e-13:
                    break
            return now + x, s
        now += h
    return -1.0, s


# Bounce of a thin hollow sphere (I = 2/3 m R^2) on the plane z = 0, impulses per mass:
#   e  = max(e0 - e1 |vz|, 0.5),  J = (1 + e) |vz|
#   u  = (vx - R wy, vy + R wx)                 slip of the lowest point
#   p  = -k u;  k = 2/5 (rolls away) or mu J/|u| (slides throughout), whichever is smaller
#   v' = (vx + px, vy + py, -e vz),  w' = w + 3/(2R) (py, -px, 0)
@njit(cache=True, error_model="numpy")
def bounce(
    v: FloatArray, w: FloatArray, e0: float, e1: float, mu: float, radius: float
) -> tuple[FloatArray, FloatArray]:
    """(3,) velocity and (3,) spin after a bounce on the plane z = 0."""
    speed = abs(v[2])
    e = max(e0 - e1 * speed, MIN_RESTITUTION)
    ux = v[0] - radius * w[1]
    uy = v[1] + radius * w[0]
    u = math.sqrt(ux * ux + uy * uy)
    limit = mu * (1.0 + e) * speed
    k = 0.4 if 0.4 * u <= limit else limit / u
    v_out = np.empty(3)
    w_out = np.empty(3)
    v_out[0] = v[0] - k * ux
    v_out[1] = v[1] - k * uy
    v_out[2] = -e * v[2]
    w_out[0] = w[0] - 1.5 * k * uy / radius
    w_out[1] = w[1] + 1.5 * k * ux / radius
    w_out[2] = w[2]
    return v_out, w_out


@njit(cache=True, error_model="numpy")
def bounce_jacobian(
    v: FloatArray, w: FloatArray, e0: float, e1: float, mu: float, radius: float
) -> tuple[FloatArray, FloatArray]:
    """(6,) velocity and spin after a bounce and their (6, 9) derivatives.

    Columns: velocity (3) and spin (3) before, e0, e1, mu. Each side of the change from sliding to
    rolling has its own derivative; on the change itself that of rolling is given.
    """
    out = np.empty(6)
    v_out, w_out = bounce(v, w, e0, e1, mu, radius)
    out[0:3] = v_out
    out[3:6] = w_out
    speed = abs(v[2])
    sign = 1.0 if v[2] > 0.0 else -1.0
    e = e0 - e1 * speed
    de = np.zeros(9)  # derivative of e
    if e > MIN_RESTITUTION:
        de[2] = -e1 * sign
        de[6] = 1.0
        de[7] = -speed
    else:
        e = MIN_RESTITUTION
    du = np.zeros((2, 9))  # derivative of u
    du[0, 0] = 1.0
    du[0, 4] = -radius
    du[1, 1] = 1.0
    du[1, 3] = radius
    ux = v[0] - radius * w[1]
    uy = v[1] + radius * w[0]
    u = math.sqrt(ux * ux + uy * uy)
    limit = mu * (1.0 + e) * speed
    rolls = 0.4 * u <= limit
    k = 0.4 if rolls else limit / u
    jac = np.zeros((6, 9))
    for j in range(9):
        dk = 0.0
        if not rolls:
            dspeed = sign if j == 2 else 0.0
            dmu = 1.0 if j == 8 else 0.0
            dlimit = dmu * (1.0 + e) * speed + mu * (de[j] * speed + (1.0 + e) * dspeed)
            dk = (dlimit - k * (ux * du[0, j] + uy * du[1, j]) / u) / u
        px = -k * du[0, j] - dk * ux
        py = -k * du[1, j] - dk * uy
        jac[0, j] = px
        jac[1, j] = py
        jac[2, j] = -v[2] * de[j]
        jac[3, j] = 1.5 * py / radius
        jac[4, j] = -1.5 * px / radius
    for i in range(6):
        if i != 2:
            jac[i, i] += 1.0
    jac[2, 2] -= e
    return out, jac
