"""What becomes of a ball after its last sighting: touches foretold from the flight it was on.

A flight that leaves the picture goes on by the same laws. Its state is drawn from its covariance
many times, each draw is followed through net, table, floor and walls until the rally is decided,
and the draws together say how it ended, when, and how surely.
"""

from dataclasses import dataclass

import numpy as np

from halfvolley.camera import camera_at, project
from halfvolley.constants import (
    BALL_RADIUS_M,
    NET_HEIGHT_M,
    NET_OVERHANG_M,
    TABLE_FRICTION,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
    TABLE_WIDTH_M,
)
from halfvolley.match.outcome import Touch, is_decided
from halfvolley.physics import Environment
from halfvolley.physics.kernels import bounce, fly, fly_sensitivities
from halfvolley.types import Arc, ClipCamera, ContactKind, FloatArray, Side

R = BALL_RADIUS_M.value
HALF_LENGTH_M, HALF_WIDTH_M = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
NET_END_M = HALF_WIDTH_M + NET_OVERHANG_M.value
FLOOR_M = R - TABLE_HEIGHT_M.value  # height of the centre on the floor
STEP_S = 0.004
BEFORE_S = 0.012  # so that a touch at the end of the flight is met
LONGEST_S = 1.6  # of one flight; a lob that comes down on the floor takes as long
MOST_TOUCHES = 6  # a ball in a draw is decided long before
SURFACE = (TABLE_RESTITUTION_AT_REST.value, TABLE_RESTITUTION_SLOPE.value, TABLE_FRICTION.value)


@dataclass(frozen=True, slots=True)
class View:
    """What could have been seen."""

    camera: ClipCamera
    until_s: float  # last frame of the clip


@dataclass(frozen=True, slots=True)
class ForetellSettings:
    """How far a flight is trusted beyond its last sighting."""

    draws: int = 200  # a share of 0.95 is known to 0.015
    drag_sd: float = 0.02  # on top of what the flight's own state knows
    # a playing space is 14 m x 7 m by ITTF Regulation 3.2.3; club halls have less room, or more
    wall_x_m: tuple[float, float] = (4.5, 9.0)
    wall_y_m: tuple[float, float] = (2.8, 5.5)
    ceiling_m: tuple[float, float] = (2.2, 4.5)  # above the table; 4.24 m by the same regulation
    rebound: float = 0.15  # the net throws a ball back with this share of its speed at most


@dataclass(frozen=True, slots=True, eq=False)
class Fate:
    """One way in which a rally may have ended."""

    t_s: float  # of the touch that is the first after the ball is decided
    xyz_m: FloatArray  # (3,) the ball's centre there
    touches: tuple[Touch, ...]  # that follow those known
    first_s: float  # time of the first of them


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """A ball on its way after the last touch that is known."""

    arc: Arc
    known: tuple[Touch, ...]  # of its rally so far, at least one
    serving: bool  # whether the first stroke of these is the serve

    @property
    def from_s(self) -> float:
        """From when on it is followed: a little before its last sighting, or its next touch [s]."""
        return max(self.arc.t0_s, self.arc.t1_s - BEFORE_S)


def foretell(
    way: Way, environment: Environment, settings: ForetellSettings, rng: np.random.Generator
) -> tuple[Fate, ...]:
    """How the rally may have ended, each as likely as the others.

    Parameters
    ----------
    way : Way
        The flight and the touches before it.
    environment : Environment
        Ball and air.
    settings : ForetellSettings
        Draws and walls.
    rng : numpy.random.Generator
        Source of the draws.

    Returns
    -------
    tuple of Fate
        Fewer than `draws` where some are not decided in time.
    """
    fates = []
    air = environment.kernel_arguments
    for state in _draw_states(way, air, settings.draws, rng):
        drag = way.arc.drag * (1.0 + settings.drag_sd * rng.standard_normal())
        own = _air_on(way.arc, air, drag)
        walls = (
            rng.uniform(*settings.wall_x_m), rng.uniform(*settings.wall_y_m),
            rng.uniform(*settings.ceiling_m),
        )  # fmt: skip
        fate = _follow(state, way, own, walls, settings, rng)
        if fate is not None:
            fates.append(fate)
    return tuple(fates)


_Air = tuple[float, float, float, float, float, float, float]
Walls = tuple[float, float, float]


def _air_on(arc: Arc, air: _Air, drag: float) -> _Air:
    """The air of a hall with the lift of an arc, and a drag."""
    return *air[:2], drag, arc.lift, *air[4:6], arc.lift_bend


def _draw_states(way: Way, air: _Air, n: int, rng: np.random.Generator) -> FloatArray:
    """(n, 9) states at the way's start.

    The covariance is carried there before anything is drawn: what the sightings show is the path,
    while spin and velocity at its far end hang together too tightly for draws of a wide prior.
    """
    arc = way.arc
    own = _air_on(arc, air, arc.drag)
    span = np.array([way.from_s - arc.t0_s])
    states, jac = fly_sensitivities(arc.xyz_m, arc.v_mps, arc.omega_radps, *own, span)
    values, vectors = np.linalg.eigh(jac[0, :, :9] @ arc.cov @ jac[0, :, :9].T)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(states[0] + rng.standard_normal((n, 9)) @ root.T)


def _follow(
    state: FloatArray, way: Way, air: _Air, walls: Walls,
    settings: ForetellSettings, rng: np.random.Generator,
) -> Fate | None:  # fmt: skip
    """One draw until it is decided."""
    touches: list[Touch] = []
    striker = way.known[-1].player
    t, first = way.from_s, np.inf
    for _ in range(MOST_TOUCHES):
        met = next_touch(state, air, walls)
        if met is None:
            return None
        kind, dt, state = met
        t += dt
        first = min(first, t)
        half: Side | None = None
        if kind == "table":
            half = "A" if state[0] < 0 else "B"
        touches.append(Touch(kind, half, striker, 1.0))
        if is_decided([*way.known, *touches], serving=way.serving):
            return Fate(t, state[:3], tuple(touches), first)
        if kind == "table":
            v, w = bounce(state[3:6].copy(), state[6:].copy(), *SURFACE, R)
            state = np.concatenate([state[:3], v, w])
        else:
            state = _after_net(state, settings, rng)
    return None


def next_touch(
    state: FloatArray, air: _Air, walls: Walls
) -> tuple[ContactKind, float, FloatArray] | None:
    """The first thing that a free ball meets.

    Parameters
    ----------
    state : (9,) float64
        Centre [m], velocity [m/s] and spin [rad/s] now, world frame.
    air : tuple
        As in `Environment.kernel_arguments`.
    walls : tuple of float
        How far from the table's centre the walls stand, along it and across, and the ceiling's
        height [m].

    Returns
    -------
    tuple or None
        Its kind ("other" for a wall or the ceiling), the time until then [s] and the state (9,)
        there.
    """
    tau = np.arange(0.0, LONGEST_S, STEP_S)
    path = fly(state[:3], state[3:6], state[6:], *air, tau)
    a, b = path[:-1], path[1:]
    over = (np.abs(b[:, 0]) < HALF_LENGTH_M + R) & (np.abs(b[:, 1]) < HALF_WIDTH_M + R)
    at_net = (np.abs(b[:, 1]) < NET_END_M) & (b[:, 2] > 0.0)
    low = b[:, 2] < NET_HEIGHT_M.value + R
    meets: tuple[tuple[ContactKind, FloatArray, int, float], ...] = (
        ("net", (a[:, 0] * b[:, 0] <= 0.0) & (np.abs(a[:, 0]) > 1e-9) & at_net & low, 0, 0.0),
        ("table", (a[:, 2] > R) & (b[:, 2] <= R) & over, 2, R),
        ("floor", b[:, 2] <= FLOOR_M, 2, FLOOR_M),
        ("other", np.abs(b[:, 0]) > walls[0], 0, float(np.sign(state[3])) * walls[0]),
        ("other", np.abs(b[:, 1]) > walls[1], 1, float(np.sign(state[4])) * walls[1]),
        ("other", b[:, 2] > walls[2], 2, walls[2]),
    )
    first = [(int(np.argmax(when)), kind, axis, at) for kind, when, axis, at in meets if when.any()]
    if not first:
        return None
    i, kind, axis, at = min(first, key=lambda m: m[0])
    span = b[i, axis] - a[i, axis]
    share = float(np.clip((at - a[i, axis]) / span, 0.0, 1.0)) if span else 0.0
    return kind, STEP_S * (i + share), a[i] + share * (b[i] - a[i])


def _after_net(
    state: FloatArray, settings: ForetellSettings, rng: np.random.Generator
) -> FloatArray:
    """A ball that has met the net: the nearer to the cord, the more often it goes over.

    How far a net throws back is not measured; the spread of the draws holds what it may be.
    """
    x, v = state[:3].copy(), state[3:6].copy()
    over_cord = (x[2] - (NET_HEIGHT_M.value - R)) / (2.0 * R)
    way = float(np.sign(v[0]))
    if rng.random() < over_cord:
        v = np.array([rng.uniform(0.4, 0.9) * v[0], v[1], v[2] + rng.uniform(0.0, 1.5)])
        x[:] = way * 1e-3, x[1], NET_HEIGHT_M.value + R
    else:
        v = np.array([-rng.uniform(0.01, settings.rebound) * v[0], 0.5 * v[1], 0.3 * v[2]])
        x[0] = -way * 1e-3
    return np.concatenate([x, v, np.zeros(3)])


def seconds_in_sight(way: Way, until_s: float, view: View, environment: Environment) -> float:
    """How long the ball would have been in sight after it was last seen [s].

    Parameters
    ----------
    way : Way
        Its flight.
    until_s : float
        When it meets something [s].
    view : View
        The camera.
    environment : Environment
        Ball and air.

    Returns
    -------
    float
        Time in the picture and not behind or under the table; players are not known here.
    """
    t = np.arange(way.from_s + STEP_S, min(until_s, view.until_s), STEP_S)
    if not len(t):
        return 0.0
    arc = way.arc
    air = environment.kernel_arguments
    own = _air_on(arc, air, arc.drag)
    xyz = fly(arc.xyz_m, arc.v_mps, arc.omega_radps, *own, t - arc.t0_s)[:, :3]
    camera = camera_at(view.camera, way.from_s)
    uv = project(camera, np.ascontiguousarray(xyz))
    inside = np.all((uv > 0.0) & (uv < np.array(camera.size_px) - 1.0), axis=1)
    ahead = xyz @ camera.R[2] + camera.t_m[2] > 0.1
    return STEP_S * float(np.sum(inside & ahead & ~_behind_table(camera.centre_m, xyz)))


def _behind_table(eye: FloatArray, xyz: FloatArray) -> np.ndarray:
    """Whether the table's top stands between a place (n, 3) and the camera."""
    below = xyz[:, 2] < 0.0
    share = eye[2] / np.where(below, eye[2] - xyz[:, 2], 1.0)
    cut = eye[:2] + share[:, None] * (xyz[:, :2] - eye[:2])
    on_top = (np.abs(cut[:, 0]) < HALF_LENGTH_M) & (np.abs(cut[:, 1]) < HALF_WIDTH_M)
    return np.asarray(below & on_top & (eye[2] > 0.0))


def edge_gap_m(arc: Arc, environment: Environment, until_s: float | None = None) -> float:
    """How far outside the table's border a flight passes its top edge; inf where it does not.

    Parameters
    ----------
    arc : Arc
        A flight that goes down beside the table.
    environment : Environment
        Ball and air.
    until_s : float, optional
        How long it goes on; to its last sighting where this is left out [s].

    Returns
    -------
    float
        Of the ball's centre, when it is as high as that of a ball on the table [m].
    """
    last_s = arc.t1_s if until_s is None else until_s
    tau = np.arange(0.0, max(last_s - arc.t0_s, STEP_S), STEP_S)
    air = environment.kernel_arguments
    own = _air_on(arc, air, arc.drag)
    xyz = fly(arc.xyz_m, arc.v_mps, arc.omega_radps, *own, tau)[:, :3]
    down = np.flatnonzero((xyz[:-1, 2] > R) & (xyz[1:, 2] <= R))
    if not len(down):
        return float("inf")
    x, y = np.abs(xyz[down[0] + 1, :2])
    return float(max(x - HALF_LENGTH_M, y - HALF_WIDTH_M))
