"""Joint refinement of a chain: every sighting, contact and law at once, with the covariance.

Unknowns, in this order: the state (9) at the start of each arc, the time of each contact, drag and
lift of each arc beyond those that all arcs share, and what all share (`shared.GLOBALS`). Residuals:
sightings against the projected flight (Cauchy's loss); the end of an arc against the start of the
next; the centre's height at a table; the bounce law; priors. Levenberg-Marquardt on the normal
equations, whose inverse is the covariance.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotrs

from halfvolley.camera.kernels import rotation
from halfvolley.constants import (
    DRAG_COEFFICIENT,
    LIFT_BEND,
    LIFT_MEETS_AT,
    LIFT_SCALE,
    TABLE_FRICTION,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
)
from halfvolley.flight.junctions import Kind
from halfvolley.flight.normal import FLOOR, FREE, NET, TABLE, normal_equations
from halfvolley.flight.pieces import PLACE_M, SPIN_SD_RADPS
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.shared import (
    BEND,
    CAMERA_FLOOR,
    DRAG,
    GRAVITY,
    INTRINSICS,
    LAW,
    LIFT,
    N_GLOBALS,
    SHUTTER,
    TURN,
)
from halfvolley.flight.sights import Sights
from halfvolley.physics.kernels import fly_sensitivities, rates
from halfvolley.types import ClipCamera, FloatArray, IntArray, Shutter

ASKS = {"table": TABLE, "floor": FLOOR, "net": NET}  # other kinds are free
STATE_MEAN = np.array([*PLACE_M, *(0.0,) * 6])
STATE_SD = np.array([3.0, 2.0, 1.0, 12.0, 5.0, 6.0, *SPIN_SD_RADPS])
# laws hold for one speed and spin better than for all of a clip: drag differs by some 5 %, lift by
# a sixth from any law that bends once: it is not even monotonic (Miyazaki et al. 2017)
OWN_AIR_SD = np.array([0.02, 0.12])
AFTER_LAW_SPIN_SD = 500.0  # the bounce law says what the spin is; this only keeps it finite


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A chain as the refinement sees it: arcs, the contacts between, and the shared globals."""

    rows: IntArray  # (n,) rows of the Sights, in frame order
    kinds: tuple[Kind, ...]  # (k - 1,) of the contacts
    chances: tuple[float, ...]  # (k - 1,) probability of each kind against its rivals
    states: FloatArray  # (k, 9) at the start of each arc
    starts: FloatArray  # (k,) time of each start: first sight, then the contacts [s]
    own_air: FloatArray  # (k, 2) drag and lift of each arc beyond the clip's
    globals: FloatArray  # (22,) corrections and coefficients, see `shared`
    info: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # normal matrix, as `cov`
    cost: float = np.inf
    residual_rms: FloatArray = field(default_factory=lambda: np.zeros(0))  # (k,) of each arc
    scale: float = 1.0  # by which claimed detection errors were multiplied

    @property
    def cov(self) -> FloatArray:
        """(n, n) covariance: states, times of contacts, own air, globals; inverts `info` anew."""
        cov = np.linalg.inv(self.info)
        return 0.5 * (cov + cov.T)

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
            self.starts[first : last + 1].copy(), self.own_air[first : last + 1].copy(),
            self.globals.copy(), scale=self.scale,
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
    prior_mean: FloatArray  # (22,)
    prior_info: FloatArray  # (22, 22)
    air: FloatArray  # (7,) as `FlightSettings.air`
    frame_s: float  # usual time between sights [s]
    late_s: float  # [s] by which the chains' times, made with another exposure, come too early
    size_px: tuple[int, int]  # of the picture, width and height


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
    prior_sd = np.array(
        [
            settings.gravity_sd_mps2, DRAG_COEFFICIENT.sd, LIFT_SCALE.sd,
            max(shutter.exposure_sd_s, 1e-6), max(shutter.readout_sd_s, 1e-6),
            bias_sd_px, bias_sd_px, TABLE_RESTITUTION_AT_REST.sd,
            TABLE_RESTITUTION_SLOPE.sd, TABLE_FRICTION.sd, LIFT_BEND.sd,
        ]
    )  # fmt: skip
    info = np.zeros((N_GLOBALS, N_GLOBALS))
    info[:GRAVITY, :GRAVITY] = np.linalg.inv(c.cov + np.diag(CAMERA_FLOOR**2))
    info[GRAVITY:, GRAVITY:] = np.diag(1.0 / prior_sd**2)
    # a law that bends more has a greater scale, for where they meet lift is known best
    grows = LIFT_SCALE.value * LIFT_MEETS_AT / (1.0 + LIFT_BEND.value * LIFT_MEETS_AT)
    across = np.array([1.0, -grows]) / LIFT_SCALE.sd
    law = np.ix_([LIFT, BEND], [LIFT, BEND])
    info[law] = np.outer(across, across) + np.diag([0.0, prior_sd[-1] ** -2])
    air = settings.air
    mean = np.zeros(N_GLOBALS)
    mean[GRAVITY : LIFT + 1] = air[0], air[2], air[3]
    mean[SHUTTER] = shutter.exposure_s, shutter.readout_s
    mean[LAW.start :] = (
        TABLE_RESTITUTION_AT_REST.value, TABLE_RESTITUTION_SLOPE.value, TABLE_FRICTION.value, air[6]
    )  # fmt: skip
    intrinsics = np.array([c.f_px, *c.c_px, *c.k])
    return Setting(seen, intrinsics, mean, info, air, frame_s, late_s, c.size_px)


def air_of(c: Course, s: Setting, i: int) -> tuple[float, ...]:
    """Gravity, b, drag, lift, spin decay, radius and bend on arc i, as flight kernels take them."""
    g, own = c.globals, c.own_air[i]
    return (
        g[GRAVITY], s.air[1], g[DRAG] + own[0], g[LIFT] + own[1], s.air[4], s.air[5], g[BEND]
    )  # fmt: skip


def _system(
    c: Course, s: Setting, seen: Sights
) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Normal matrix, right side and cost of a course, and the residual of each arc."""
    g = c.globals
    sd = np.tile(STATE_SD, (c.n_arcs, 1))
    by_law = [i + 1 for i, kind in enumerate(c.kinds) if kind in ("table", "floor")]
    sd[by_law, 6:] = AFTER_LAW_SPIN_SD
    asks = np.array([ASKS.get(kind, FREE) for kind in c.kinds], np.int64)
    turn = np.empty((3, 3))
    rotation(*g[TURN], turn)
    return normal_equations(
        c.states, c.starts, c.own_air, asks, g, turn, s.intrinsics + g[INTRINSICS],
        s.air, s.prior_mean, s.prior_info, STATE_MEAN, sd, OWN_AIR_SD, seen.t_s, seen.lever,
        seen.R, seen.t_m, seen.uv_px, seen.white / c.scale, np.hypot(*seen.speed_px.T),
    )  # fmt: skip


def arc_end(c: Course, s: Setting, i: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """State (9,) at the end of arc i; derivatives to its start, (g, drag, lift, bend), and time."""
    air = air_of(c, s, i)
    span = np.array([c.starts[i + 1] - c.starts[i]])
    x = c.states[i]
    states, jac = fly_sensitivities(x[:3], x[3:6], x[6:9], *air, span)
    change = rates(states[0], *air)
    return states[0], jac[0, :, :9], jac[0, :, 9:], change


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
        States, times and globals at the least cost, with covariance and residuals; infinite cost
        where the start lies beyond what numbers hold.
    """
    seen = s.seen.take(course.rows)
    N, y, cost, rms = _system(course, s, seen)
    if not _is_finite(N, cost):
        return replace(course, cost=np.inf)
    damp = 1e-4
    for _ in range(rounds):
        try:
            step = _step(N, y, damp, course.globals[BEND] <= 0.0)
        except np.linalg.LinAlgError:
            damp = max(damp * 10.0, 1e-6)
            continue
        trial = _moved(course, step, s)
        if trial is not None:
            M, after_y, after, after_rms = _system(trial, s, seen)
        if trial is not None and after <= cost and _is_finite(M, after):
            done = cost - after < 1e-4 * (1.0 + after)
            course, N, y, cost, rms = trial, M, after_y, after, after_rms
            damp = max(damp * 0.2, 1e-9)
            if done:
                break
        else:
            damp *= 10.0
            if damp > 1e8:
                break
    return replace(course, info=N, cost=float(cost), residual_rms=rms)


def _step(N: FloatArray, y: FloatArray, damp: float, least_bend: bool) -> FloatArray:
    """Damped step of all unknowns; of all but the bend of the lift where that would go below 0."""
    M = N.copy()
    M.flat[:: len(y) + 1] *= 1.0 + damp
    factor, failed = dpotrf(M.T, overwrite_a=1)  # what wraps it takes as long as small matrices
    if failed:
        raise np.linalg.LinAlgError("the damped matrix is not positive")
    step = dpotrs(factor, y)[0]
    if least_bend and step[-1] < 0.0:
        # what the others do while the bend stays, from the same factor
        unit = np.zeros(len(y))
        unit[-1] = 1.0
        pull = dpotrs(factor, unit)[0]
        step -= step[-1] / pull[-1] * pull
    return step


def _is_finite(N: FloatArray, cost: float) -> bool:
    return bool(np.isfinite(cost) and np.all(np.isfinite(N)))


def _moved(c: Course, step: FloatArray, s: Setting) -> Course | None:
    """The course after a step; None where contacts would change their order, or air push on."""
    k = c.n_arcs
    starts = c.starts.copy()
    starts[1:] += step[9 * k : 9 * k + k - 1]
    if np.any(np.diff(starts) < 0.25 * s.frame_s * min(1.0, k)) or not np.all(np.isfinite(step)):
        return None
    states = c.states + step[: 9 * k].reshape(k, 9)
    own_air = c.own_air + step[10 * k - 1 : -N_GLOBALS].reshape(k, 2)
    shared = c.globals + step[-N_GLOBALS:]
    shared[BEND] = max(shared[BEND], 0.0)  # lift without end soon leaves all bounds,
    if np.any(shared[DRAG] + own_air[:, 0] <= 0.0):  # as does a ball that gains speed
        return None
    return replace(c, states=states, starts=starts, own_air=own_air, globals=shared)
