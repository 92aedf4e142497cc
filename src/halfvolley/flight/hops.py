"""A ball that bounces straight up and down, fitted to its sightings.

A ball let go from the hand has no spin and falls straight, so that one number says all of a hop:
the speed v_i with which it left the table. Its time, its top and the speed into the next bounce
follow in closed form (`VerticalMotion`). Unknowns of one drop with bounces 0 .. n:

    t_0;  v_-1 (of a hop that would end in bounce 0 as the fall did), v_0 .. v_n;
    (x, y) at the start of each hop and at the end of the last, straight between

and, shared by all drops of a clip, the globals: the camera's eleven parameters, gravity, drag,
exposure, readout, what all detections share (u, v), and the height of the table.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from halfvolley.camera.projection import rotations
from halfvolley.constants import DRAG_COEFFICIENT
from halfvolley.flight.shared import CAMERA_FLOOR, INTRINSICS, SHIFT, TURN
from halfvolley.flight.sights import Sights
from halfvolley.physics import Environment, VerticalMotion
from halfvolley.types import Camera, Contact, FloatArray, Shutter

TAIL = 8.0  # of Cauchy's loss, in squared sds: a few bad sightings lose their weight
N_CAMERA = 11
GRAVITY, DRAG, EXPOSURE, READOUT, BIAS_U, BIAS_V, PLANE, N_GLOBALS = (*range(11, 18), 18)
_GLOBAL_STEPS = np.array(  # of central differences, in the globals' own units
    [1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-6, 1e-6,
     1e-3, 1e-3, 1e-5]
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class HopPriors:
    """What is believed before the pictures are looked at."""

    gravity_sd_mps2: float
    sideways_sd_mps: float = 0.1  # how straight a hand lets go
    bias_sd_px: float = 0.15  # what all detections share: shading, coding
    plane_sd_m: float = 0.001  # how flat a table is, and the ball's radius
    rounds: int = 20  # most steps of the search


@dataclass(frozen=True, slots=True, eq=False)
class Drop:
    """The bounces of one drop and the sightings on its hops."""

    contacts: tuple[Contact, ...]
    seen: Sights


@dataclass(frozen=True, slots=True, eq=False)
class Hops:
    """The most likely hops of all drops of a clip."""

    blocks: tuple[FloatArray, ...]  # unknowns of each drop
    globals: FloatArray  # (18,)
    cov: FloatArray  # of the blocks in order, then the globals
    rms: float  # of the sightings over their claimed errors
    environment: Environment

    def derived(self, numbers: Callable[[FloatArray, VerticalMotion], FloatArray]) -> FloatArray:
        """Numbers (m,) that a function makes of each drop's unknowns, one drop after another."""
        return _derived(self, numbers, np.concatenate([*self.blocks, self.globals]))

    def derived_cov(
        self, numbers: Callable[[FloatArray, VerticalMotion], FloatArray]
    ) -> FloatArray:
        """(m, m) covariance of `derived`."""
        x = np.concatenate([*self.blocks, self.globals])
        steps = np.concatenate([*(_block_steps(b) for b in self.blocks), _GLOBAL_STEPS])
        J = _slopes(lambda x: _derived(self, numbers, x), x, steps)
        return J @ self.cov @ J.T

    @property
    def motion(self) -> VerticalMotion:
        """Vertical motion in the air and gravity of the fit."""
        return _motion(self.globals, self.environment)

    @property
    def gravity_mps2(self) -> tuple[float, float]:
        """Gravity less buoyancy and its standard deviation [m/s^2]."""
        k = len(self.cov) - N_GLOBALS + GRAVITY
        return float(self.globals[GRAVITY]), math.sqrt(float(self.cov[k, k]))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    drops: tuple[Drop, ...]
    camera: Camera
    environment: Environment
    priors: HopPriors
    dated_with: FloatArray  # (2,) exposure and readout of the sightings' times
    mean: FloatArray  # (18,) of the globals
    info: FloatArray  # (18, 18)


def fit_hops(
    drops: tuple[Drop, ...], camera: Camera, shutter: Shutter, environment: Environment,
    priors: HopPriors,
) -> Hops | None:  # fmt: skip
    """The most likely hops, by Levenberg-Marquardt; None where the search runs away.

    Parameters
    ----------
    drops : tuple of Drop
        With sightings away from the bounces.
    camera : Camera
        At the clip's first frame, with its covariance.
    shutter : Shutter
        With which the sightings were dated.
    environment : Environment
        Ball and air of the hall.
    priors : HopPriors
        Beliefs.

    Returns
    -------
    Hops or None
        With the covariance of all unknowns; sightings that scatter more than they claim widen it.
    """
    p = _problem(drops, camera, shutter, environment, priors)
    g = p.mean.copy()
    blocks = [_start(drop, _motion(g, environment)) for drop in drops]
    at = np.concatenate([[0], np.cumsum([len(b) for b in blocks])])
    N, y, cost, square = _system(p, blocks, g)
    damp = 1e-3
    for _ in range(priors.rounds):
        try:
            step = cho_solve(cho_factor(N + damp * np.diag(np.diag(N))), y)
        except np.linalg.LinAlgError:
            damp *= 10.0
            continue
        trial = [b + step[at[i] : at[i + 1]] for i, b in enumerate(blocks)]
        rising = all(np.all(b[1 : 1 + _hops(b)] > 0.02) for b in trial)
        after = _system(p, trial, g + step[at[-1] :]) if rising else None
        if after is not None and np.isfinite(after[2]) and after[2] <= cost:
            done = cost - after[2] < 1e-5 * (1.0 + after[2])
            blocks, g = trial, g + step[at[-1] :]
            N, y, cost, square = after
            damp = max(0.2 * damp, 1e-9)
            if done:
                break
        else:
            damp *= 10.0
            if damp > 1e8:
                break
    if not np.isfinite(cost):
        return None
    cov = np.asarray(max(square, 1.0) * np.linalg.inv(N), dtype=np.float64)
    return Hops(tuple(blocks), g, cov, math.sqrt(square), environment)


def _problem(
    drops: tuple[Drop, ...], camera: Camera, shutter: Shutter, environment: Environment,
    priors: HopPriors,
) -> _Problem:  # fmt: skip
    sd = np.array(
        [
            priors.gravity_sd_mps2, DRAG_COEFFICIENT.sd, max(shutter.exposure_sd_s, 1e-6),
            max(shutter.readout_sd_s, 1e-6), priors.bias_sd_px, priors.bias_sd_px,
            priors.plane_sd_m,
        ]
    )  # fmt: skip
    info = np.zeros((N_GLOBALS, N_GLOBALS))
    info[:N_CAMERA, :N_CAMERA] = np.linalg.inv(camera.cov + np.diag(CAMERA_FLOOR**2))
    info[N_CAMERA:, N_CAMERA:] = np.diag(sd**-2.0)
    mean = np.zeros(N_GLOBALS)
    mean[GRAVITY], mean[DRAG] = environment.effective_gravity_mps2, environment.drag
    mean[EXPOSURE], mean[READOUT] = shutter.exposure_s, shutter.readout_s
    dated_with = mean[[EXPOSURE, READOUT]]
    return _Problem(drops, camera, environment, priors, dated_with, mean, info)


def _motion(g: FloatArray, environment: Environment) -> VerticalMotion:
    length = 1.0 / (environment.air_factor_pm * max(float(g[DRAG]), 0.01))
    return VerticalMotion(math.sqrt(max(float(g[GRAVITY]), 0.1) * length), length)


def _start(drop: Drop, motion: VerticalMotion) -> FloatArray:
    """Unknowns of a drop from its contacts."""
    contacts = drop.contacts
    v_in = max(-float(contacts[0].v_in_mps[2]), 0.2)
    slower = min((v_in / motion.terminal_speed_mps) ** 2, 0.95)
    fall = -0.5 * motion.drag_length_m * math.log1p(-slower)
    leave = [motion.rise_speed(fall), *(max(float(c.v_out_mps[2]), 0.1) for c in contacts)]
    places = np.array([c.xyz_m[:2] for c in contacts])
    places = np.vstack([places[0], places, places[-1]])
    return np.concatenate([[contacts[0].t_s], leave, places.ravel()])


def _hops(block: FloatArray) -> int:
    return (len(block) - 3) // 3


def nodes(block: FloatArray, motion: VerticalMotion) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hops of a drop: times (k + 1,) of starts and last end, speeds (k,), places (k + 1, 2)."""
    k = _hops(block)
    v = block[1 : 1 + k]
    spans = np.array([motion.hop_time(float(s)) for s in v])
    times = block[0] + np.concatenate([[-spans[0], 0.0], np.cumsum(spans[1:])])
    return times, v, block[1 + k :].reshape(k + 1, 2)


def _places(block: FloatArray, t_s: FloatArray, motion: VerticalMotion, low_m: float) -> FloatArray:
    """(n, 3) places of the ball's centre."""
    times, v, xy = nodes(block, motion)
    hop = np.clip(np.searchsorted(times, t_s, side="right") - 1, 0, len(v) - 1)
    out = np.empty((len(t_s), 3))
    share = (t_s - times[hop]) / (times[hop + 1] - times[hop])
    out[:, :2] = xy[hop] + share[:, None] * (xy[hop + 1] - xy[hop])
    for i in np.unique(hop):
        on = hop == i
        out[on, 2] = low_m + motion.hop_height(float(v[i]), t_s[on] - times[i])
    return out


def _misses(p: _Problem, drop: Drop, block: FloatArray, g: FloatArray) -> FloatArray:
    """(n, 2) whitened residuals of the sightings of a drop."""
    seen, c = drop.seen, p.camera
    t_s = seen.t_s + seen.lever @ (g[[EXPOSURE, READOUT]] - p.dated_with)
    low = p.environment.ball.radius_m + float(g[PLANE])
    xyz = _places(block, t_s, _motion(g, p.environment), low)
    turn = rotations(g[None, TURN])[0]
    from_camera = np.einsum("ij,njk,nk->ni", turn, seen.R, xyz) + seen.t_m + g[SHIFT]
    ab = from_camera[:, :2] / from_camera[:, 2:]
    r2 = np.sum(ab**2, axis=1)
    f, cx, cy, k1, k2 = np.array([c.f_px, *c.c_px, *c.k]) + g[INTRINSICS]
    uv = f * (1.0 + k1 * r2 + k2 * r2**2)[:, None] * ab + [cx, cy]
    return np.einsum("nij,nj->ni", seen.white, uv + g[[BIAS_U, BIAS_V]] - seen.uv_px)


def _drift(p: _Problem, block: FloatArray, g: FloatArray) -> FloatArray:
    """Whitened sideways velocities of the hops: a hand lets go nearly straight."""
    times, _, xy = nodes(block, _motion(g, p.environment))
    return (np.diff(xy, axis=0) / np.diff(times)[:, None]).ravel() / p.priors.sideways_sd_mps


@dataclass(frozen=True, slots=True, eq=False)
class _Pulled:
    """Residuals of a drop as a function of its unknowns and the globals, with fixed weights."""

    problem: _Problem
    drop: Drop
    pull: FloatArray  # (n,)

    def __call__(self, x: FloatArray) -> FloatArray:
        block, g = x[:-N_GLOBALS], x[-N_GLOBALS:]
        sighted = _misses(self.problem, self.drop, block, g) * self.pull[:, None]
        return np.concatenate([sighted.ravel(), _drift(self.problem, block, g)])


def _system(
    p: _Problem, blocks: list[FloatArray], g: FloatArray
) -> tuple[FloatArray, FloatArray, float, float]:
    """Normal matrix and vector, cost, and mean squared residual of a sighting's coordinate."""
    at = np.concatenate([[0], np.cumsum([len(b) for b in blocks])])
    n = at[-1] + N_GLOBALS
    N, y = np.zeros((n, n)), np.zeros(n)
    N[at[-1] :, at[-1] :] = p.info
    off = g - p.mean
    y[at[-1] :] = -p.info @ off
    cost, squares, count = float(off @ p.info @ off), 0.0, 0
    for i, (drop, block) in enumerate(zip(p.drops, blocks, strict=True)):
        square = np.sum(_misses(p, drop, block, g) ** 2, axis=1)
        pull = 1.0 / np.sqrt(1.0 + square / TAIL)
        squares += float(np.sum(np.minimum(square, 16.0)))
        count += 2 * len(square)
        both = _Pulled(p, drop, pull)
        x = np.concatenate([block, g])
        r = both(x)
        cost += float(np.sum(TAIL * np.log1p(square / TAIL)) + np.sum(r[2 * len(square) :] ** 2))
        slopes = _slopes(both, x, np.concatenate([_block_steps(block), _GLOBAL_STEPS]))
        J = np.zeros((len(r), n))
        J[:, at[i] : at[i + 1]], J[:, at[-1] :] = np.split(slopes, [len(block)], axis=1)
        N += J.T @ J
        y -= J.T @ r
    return N, y, cost, squares / max(count, 1)


def _slopes(
    function: Callable[[FloatArray], FloatArray], x: FloatArray, steps: FloatArray
) -> FloatArray:
    """(m, n) central differences of a function (m,) of x (n,)."""
    columns = []
    for i, h in enumerate(steps):
        up, down = x.copy(), x.copy()
        up[i] += h
        down[i] -= h
        columns.append((function(up) - function(down)) / (2.0 * h))
    return np.stack(columns, axis=1)


def _block_steps(block: FloatArray) -> FloatArray:
    steps = np.full(len(block), 1e-5)
    steps[0] = 1e-6
    return steps


def _derived(
    hops: Hops, numbers: Callable[[FloatArray, VerticalMotion], FloatArray], x: FloatArray
) -> FloatArray:
    at = np.concatenate([[0], np.cumsum([len(b) for b in hops.blocks])])
    motion = _motion(x[at[-1] :], hops.environment)
    return np.concatenate([numbers(x[at[i] : at[i + 1]], motion) for i in range(len(hops.blocks))])
