"""Joint refinement of a chain: every sighting, contact and law at once, with the covariance.

Unknowns, in this order: the state (9) at the start of each arc, the time of each contact, and the
globals that all arcs share (`GLOBALS`). Residuals: sightings against the projected flight (Cauchy's
loss);
the end of an arc against the start of the next; the centre's height at a table; the bounce law;
priors. Levenberg-Marquardt on the normal equations, whose inverse is the covariance.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from halfvolley.camera.projection import rotations
from halfvolley.constants import (
    BALL_RADIUS_M,
    DRAG_COEFFICIENT,
    LIFT_SCALE,
    TABLE_FRICTION,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
)
from halfvolley.flight.junctions import FLOOR_Z_M, Kind
from halfvolley.flight.kernels import TAIL, arc_residuals
from halfvolley.flight.pieces import SPIN_SD_RADPS
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights
from halfvolley.physics.kernels import bounce_jacobian, fly_sensitivities, rates
from halfvolley.types import CAMERA_PARAMETERS, ClipCamera, FloatArray, IntArray, Shutter

R = BALL_RADIUS_M.value
GLOBALS = (
    *CAMERA_PARAMETERS, "gravity", "drag", "lift", "exposure", "readout", "bias_u", "bias_v",
    "restitution", "restitution_slope", "friction",
)  # fmt: skip
N_GLOBALS = len(GLOBALS)
JOIN_SD_M = 0.0005  # a ball dents by less during a touch
PLANE_SD_M = 0.001  # flatness of a table
FLOOR_SD_M = 0.01
NET_SD_M = 0.02  # the ball's radius: where it touches the net
PLACE_M = np.array([0.0, 0.0, 0.2])
STATE_SD = np.array([3.0, 2.0, 1.0, 12.0, 5.0, 6.0, *SPIN_SD_RADPS])
AFTER_LAW_SPIN_SD = 500.0  # the bounce law says what the spin is; this only keeps it finite


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A chain as the refinement sees it: arcs, the contacts between, and the shared globals."""

    rows: IntArray  # (n,) rows of the Sights, in frame order
    kinds: tuple[Kind, ...]  # (k - 1,) of the contacts
    chances: tuple[float, ...]  # (k - 1,) probability of each kind against its rivals
    states: FloatArray  # (k, 9) at the start of each arc
    starts: FloatArray  # (k,) time of each start: first sight, then the contacts [s]
    globals: FloatArray  # (21,) corrections and coefficients, see GLOBALS
    cov: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # order of unknowns
    cost: float = np.inf
    residual_rms: FloatArray = field(default_factory=lambda: np.zeros(0))  # (k,) of each arc
    scale: float = 1.0  # by which claimed detection errors were multiplied

    @property
    def n_arcs(self) -> int:
        """Number of arcs."""
        return len(self.starts)

    def part(self, first: int, last: int, t_seen: FloatArray) -> "Course":
        """The arcs first to last (inclusive) as a course of their own, not yet refined.

        `t_seen` (n,) are the times of the course's rows.
        """
        on = self.arc_of(t_seen)
        return Course(
            self.rows[(on >= first) & (on <= last)], self.kinds[first:last],
            self.chances[first:last], self.states[first : last + 1].copy(),
            self.starts[first : last + 1].copy(), self.globals.copy(), scale=self.scale,
        )  # fmt: skip

    def doubted(self, factor: float) -> "Course":
        """The course with the probability of each contact multiplied."""
        return replace(self, chances=tuple(factor * chance for chance in self.chances))

    def arc_of(self, t_s: FloatArray) -> IntArray:
        """(n,) arc that each time lies on."""
        return np.clip(np.searchsorted(self.starts, t_s, side="right") - 1, 0, self.n_arcs - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """What stays fixed during a refinement: the lines of sight, the camera and the priors."""

    seen: Sights
    intrinsics: FloatArray  # (5,) f, cx, cy, k1, k2
    prior_mean: FloatArray  # (21,)
    prior_info: FloatArray  # (21, 21)
    air: FloatArray
    frame_s: float
    late_s: float  # by which the chains' times, made with another exposure, come too early


def setting(
    seen: Sights, camera: ClipCamera, shutter: Shutter, frame_s: float, settings: FlightSettings,
    late_s: float = 0.0, on_ball: IntArray | None = None,
) -> Setting:  # fmt: skip
    """Priors of the globals: camera, air, shutter, bias of detections, table.

    `on_ball` are the rows that lie on a flight, all where it is left out.
    """
    c = camera.camera
    # what makes single detections err (noise, shading, coding) also makes them err alike
    sd = seen.sd if on_ball is None else seen.sd[on_ball]
    typical_px = float(np.median(sd)) * c.f_px if len(sd) else 0.0
    bias_sd_px = float(np.hypot(settings.bias_sd_px, settings.bias_share * typical_px))
    sd = np.array(
        [
            settings.gravity_sd_mps2, DRAG_COEFFICIENT.sd, LIFT_SCALE.sd,
            max(shutter.exposure_sd_s, 1e-6), max(shutter.readout_sd_s, 1e-6),
            bias_sd_px, bias_sd_px, TABLE_RESTITUTION_AT_REST.sd,
            TABLE_RESTITUTION_SLOPE.sd, TABLE_FRICTION.sd,
        ]
    )  # fmt: skip
    # a camera known exactly would make the information infinite; these floors are far below use
    floor = np.array([1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5])
    info = np.zeros((N_GLOBALS, N_GLOBALS))
    info[:11, :11] = np.linalg.inv(c.cov + np.diag(floor**2))
    info[11:, 11:] = np.diag(1.0 / sd**2)
    air = settings.air
    mean = np.zeros(N_GLOBALS)
    mean[11:14] = air[0], air[2], air[3]
    mean[14:16] = shutter.exposure_s, shutter.readout_s
    mean[18:] = (
        TABLE_RESTITUTION_AT_REST.value, TABLE_RESTITUTION_SLOPE.value, TABLE_FRICTION.value
    )  # fmt: skip
    intrinsics = np.array([c.f_px, *c.c_px, *c.k])
    return Setting(seen, intrinsics, mean, info, air, frame_s, late_s)


class _Normal:
    """Normal equations that are filled block by block."""

    def __init__(self, n: int) -> None:
        self.N = np.zeros((n, n))
        self.y = np.zeros(n)
        self.cost = 0.0

    def add(self, blocks: list[tuple[slice, FloatArray]], r: FloatArray) -> None:
        """Add whitened residuals r (m,) with derivatives (m, width) to each block of unknowns."""
        self.cost += float(r @ r)
        for i, (at, J) in enumerate(blocks):
            self.y[at] -= J.T @ r
            for j, (other, K) in enumerate(blocks):
                if j < i:
                    continue
                product = J.T @ K
                self.N[at, other] += product
                if j > i:
                    self.N[other, at] += product.T


def _air(s: Setting, g: FloatArray) -> tuple[float, float, float, float, float, float]:
    return g[11], s.air[1], g[12], g[13], s.air[4], s.air[5]


def _system(c: Course, s: Setting) -> tuple[_Normal, FloatArray]:
    """Normal equations of a course, and the root mean square residual of each arc."""
    k = c.n_arcs
    n = 9 * k + (k - 1) + N_GLOBALS
    at_globals = slice(n - N_GLOBALS, n)
    out = _Normal(n)
    rms = _add_sights(out, c, s, at_globals)
    _add_contacts(out, c, s, at_globals)
    for i in range(k):
        sd = STATE_SD.copy()
        if i > 0 and c.kinds[i - 1] in ("table", "floor"):
            sd[6:] = AFTER_LAW_SPIN_SD
        off = c.states[i].copy()
        off[:3] -= PLACE_M
        out.add([(slice(9 * i, 9 * i + 9), np.diag(1.0 / sd))], off / sd)
    off = c.globals - s.prior_mean
    out.N[at_globals, at_globals] += s.prior_info
    out.y[at_globals] -= s.prior_info @ off
    out.cost += float(off @ s.prior_info @ off)
    return out, rms


def _add_sights(out: _Normal, c: Course, s: Setting, at_globals: slice) -> FloatArray:
    k, g = c.n_arcs, c.globals
    seen = s.seen.take(c.rows)
    t_s = seen.t_s + seen.lever @ (g[14:16] - s.prior_mean[14:16])
    arc = c.arc_of(t_s)
    turn = rotations(g[None, 5:8])[0]
    intrinsics = s.intrinsics + g[:5]
    white = seen.white / c.scale
    # near a contact the streak is bent: its centre is on neither arc
    if k > 1:
        contact = np.min(np.abs(t_s[:, None] - c.starts[None, 1:]), axis=1)
        bent = np.maximum(0.0, 1.0 - contact / (0.5 * g[14] + 1e-9))
        length = np.hypot(*seen.speed_px.T)
        white = white / np.sqrt(1.0 + (bent * length / 4.0) ** 2)[:, None, None]
    rms = np.zeros(k)
    gravity, b, drag, lift, decay, radius = _air(s, g)
    for i in range(k):
        on = np.flatnonzero(arc == i)
        if not len(on):
            continue
        res, d_state, d_t0, d_glob, _ = arc_residuals(
            c.states[i], c.starts[i], gravity, b, drag, lift, decay, radius, intrinsics, turn,
            g[8:11], g[16:18], t_s[on], seen.lever[on], seen.R[on], seen.t_m[on], seen.uv_px[on],
            white[on],
        )  # fmt: skip
        square = res[:, 0] ** 2 + res[:, 1] ** 2
        rms[i] = np.sqrt(np.mean(np.minimum(square, 16.0)) / 2.0)
        pull = 1.0 / np.sqrt(1.0 + square / TAIL)
        r = (res * pull[:, None]).ravel()
        m = len(r)
        J = (d_state * pull[:, None, None]).reshape(m, 9)
        G = np.zeros((m, N_GLOBALS))
        G[:, :18] = (d_glob * pull[:, None, None]).reshape(m, 18)
        blocks = [(slice(9 * i, 9 * i + 9), J), (at_globals, G)]
        if i > 0:
            blocks.append((_time(k, i - 1), (d_t0 * pull[:, None]).reshape(m, 1)))
        out.add(blocks, r)
        # `add` counted the squares with their pull; Cauchy's cost is a logarithm
        out.cost += float(np.sum(TAIL * np.log1p(square / TAIL)) - r @ r)
    return rms


def _time(k: int, contact: int) -> slice:
    return slice(9 * k + contact, 9 * k + contact + 1)


def arc_end(c: Course, s: Setting, i: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """State (9,) at the end of arc i; derivatives to its start state, (g, drag, lift), and time."""
    air = _air(s, c.globals)
    span = np.array([c.starts[i + 1] - c.starts[i]])
    x = c.states[i]
    states, jac = fly_sensitivities(x[:3], x[3:6], x[6:9], *air, 0, span)
    change = rates(states[0], *air, 0)
    return states[0], jac[0, :, :9], jac[0, :, 9:], change


def _add_contacts(out: _Normal, c: Course, s: Setting, at_globals: slice) -> None:
    k = c.n_arcs
    for i, kind in enumerate(c.kinds):
        end, d_state, d_air, change = arc_end(c, s, i)
        before, after = slice(9 * i, 9 * i + 9), slice(9 * i + 9, 9 * i + 18)
        start = c.states[i + 1]
        d_time = [(_time(k, i), change[:, None])]
        if i > 0:
            d_time.append((_time(k, i - 1), -change[:, None]))
        to_end: list[tuple[slice, FloatArray]] = [(before, d_state), *d_time]
        air = np.zeros((9, N_GLOBALS))
        air[:, 11:14] = d_air
        to_end.append((at_globals, air))
        joint = [(at, J[:3] / JOIN_SD_M) for at, J in to_end]
        joint.append((after, -np.eye(9)[:3] / JOIN_SD_M))
        out.add(joint, (end[:3] - start[:3]) / JOIN_SD_M)
        if kind in ("table", "floor"):
            _add_law(out, kind, end, start, to_end, after, c, at_globals)
        if kind == "net":
            out.add([(after, np.eye(9)[:1] / NET_SD_M)], start[:1] / NET_SD_M)


def _add_law(
    out: _Normal, kind: Kind, end: FloatArray, start: FloatArray,
    to_end: list[tuple[slice, FloatArray]], after: slice, c: Course, at_globals: slice,
) -> None:  # fmt: skip
    """Height of the centre, and velocity and spin after against the bounce law."""
    height, sd = (R, PLANE_SD_M) if kind == "table" else (FLOOR_Z_M, FLOOR_SD_M)
    out.add([(after, np.eye(9)[2:3] / sd)], (start[2:3] - height) / sd)
    e0, e1, mu = c.globals[18:21]
    law, jac = bounce_jacobian(end[3:6], end[6:9], e0, e1, max(mu, 0.01), R)
    loose = 1.0 if kind == "table" else 6.0  # floors differ far more than tables
    change = float(np.hypot(*(law[:2] - end[3:5])))
    v_sd = loose * (0.08 + 0.12 * change)
    z_sd = loose * (0.03 + 0.015 * abs(end[5]))
    w_sd = 1.5 * v_sd / R + 10.0
    turn_sd = loose * (10.0 + 0.1 * abs(end[8]))
    weight = 1.0 / np.array([v_sd, v_sd, z_sd, w_sd, w_sd, turn_sd])
    blocks = [(at, -weight[:, None] * (jac[:, :6] @ J[3:9])) for at, J in to_end]
    table = np.zeros((6, N_GLOBALS))
    table[:, 18:] = -weight[:, None] * jac[:, 6:]
    # the globals already stand in to_end (air); both parts share one block
    blocks = [(at, J + table if at == at_globals else J) for at, J in blocks]
    blocks.append((after, weight[:, None] * np.eye(9)[3:9]))
    out.add(blocks, weight * (start[3:9] - law))


def refine(course: Course, s: Setting, rounds: int = 25) -> Course:
    """The most likely course, with its covariance.

    Parameters
    ----------
    course : Course
        Start; its `kinds` and `rows` stay.
    s : Setting
        Lines of sight and priors.
    rounds : int
        Most steps of the Levenberg-Marquardt search.

    Returns
    -------
    Course
        States, times and globals at the least cost, with covariance and residuals.
    """
    normal, rms = _system(course, s)
    damp = 1e-4
    for _ in range(rounds):
        M = normal.N + damp * np.diag(np.diag(normal.N))
        try:
            step = cho_solve(cho_factor(M), normal.y)
        except np.linalg.LinAlgError:
            damp = max(damp * 10.0, 1e-6)
            continue
        trial = _moved(course, step, s)
        if trial is not None:
            after, after_rms = _system(trial, s)
        if trial is not None and after.cost <= normal.cost and np.isfinite(after.cost):
            done = normal.cost - after.cost < 1e-4 * (1.0 + after.cost)
            course, normal, rms = trial, after, after_rms
            damp = max(damp * 0.2, 1e-9)
            if done:
                break
        else:
            damp *= 10.0
            if damp > 1e8:
                break
    cov = np.linalg.inv(normal.N)
    return replace(course, cov=0.5 * (cov + cov.T), cost=normal.cost, residual_rms=rms)


def _moved(c: Course, step: FloatArray, s: Setting) -> Course | None:
    """The course after a step, or None where contacts would change their order."""
    k = c.n_arcs
    starts = c.starts.copy()
    starts[1:] += step[9 * k : 9 * k + k - 1]
    if np.any(np.diff(starts) < 0.25 * s.frame_s * min(1.0, k)) or not np.all(np.isfinite(step)):
        return None
    states = c.states + step[: 9 * k].reshape(k, 9)
    return replace(c, states=states, starts=starts, globals=c.globals + step[-N_GLOBALS:])
