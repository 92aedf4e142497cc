"""Exact rallies for tests: a ball by the laws of the physics room, seen by a known camera.

A `Path` is what happened; `film` says what a finder would have seen of it: exact times of a rolling
shutter, gaussian errors of the claimed covariance, missing sightings, clutter. The camera handed
out is never the one that filmed: the true one is drawn from its covariance.
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from halfvolley.camera.projection import project, project_jacobian, rotation_vector, rotations
from halfvolley.constants import (
    BALL_RADIUS_M,
    DRAG_COEFFICIENT,
    LIFT_BEND,
    LIFT_MEETS_AT,
    LIFT_SCALE,
    TABLE_FRICTION,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
)
from halfvolley.flight import FlightSettings, find_flights
from halfvolley.physics import Environment
from halfvolley.physics.kernels import bounce, fly, fly_sensitivities, land
from halfvolley.track import find_tracks
from halfvolley.types import (
    Camera,
    ClipCamera,
    Contact,
    Detections,
    Flights,
    FloatArray,
    IntArray,
    Shutter,
)

R = BALL_RADIUS_M.value
HALF_X, HALF_Y, FLOOR_Z, NET_Z = 1.37, 0.7625, -0.76 + R, 0.1525
REV = 2.0 * np.pi
DEFAULT = Environment().kernel_arguments


@dataclass(frozen=True, slots=True)
class Nature:
    """Coefficients that rule a path; the defaults are those that the estimator expects."""

    g: float = DEFAULT[0]
    drag: float = DRAG_COEFFICIENT.value
    lift: float = LIFT_SCALE.value
    bend: float = LIFT_BEND.value
    e0: float = TABLE_RESTITUTION_AT_REST.value
    e1: float = TABLE_RESTITUTION_SLOPE.value
    mu: float = TABLE_FRICTION.value
    scatter: float = 0.0  # how much single bounces stray from the law: 1 is what is claimed
    plane_sd_m: float = 0.0  # unevenness of the table

    def beyond(self, own_air: FloatArray) -> "Nature":
        """With more drag and lift than all arcs have."""
        return replace(self, drag=self.drag + own_air[0], lift=self.lift + own_air[1])

    @staticmethod
    def draw(rng: np.random.Generator, scatter: float = 0.0) -> "Nature":
        """As far from what the estimator expects as its priors say, at most two sd."""

        def one(constant):
            return constant.value + constant.sd * float(np.clip(rng.normal(), -2.0, 2.0))

        bend = max(one(LIFT_BEND), 0.0)
        # laws of any bend meet at one spin parameter
        meeting = (1.0 + bend * LIFT_MEETS_AT) / (1.0 + LIFT_BEND.value * LIFT_MEETS_AT)
        lift = one(LIFT_SCALE) + LIFT_SCALE.value * (meeting - 1.0)
        return Nature(
            DEFAULT[0] + 0.03 * rng.normal(), one(DRAG_COEFFICIENT), lift, bend,
            one(TABLE_RESTITUTION_AT_REST), max(one(TABLE_RESTITUTION_SLOPE), 0.0),
            one(TABLE_FRICTION), scatter, 0.001 * scatter,
        )  # fmt: skip

    @property
    def air(self) -> tuple[float, ...]:
        """(g, b, drag, lift, decay, radius, bend) as kernels take them."""
        return self.g, DEFAULT[1], self.drag, self.lift, DEFAULT[4], R, self.bend

    def fly(self, state: FloatArray, t: FloatArray) -> FloatArray:
        """(n, 9) states at times from the start, ascending."""
        return fly(state[:3], state[3:6], state[6:9], *self.air, np.asarray(t, float))

    def bounced(self, state: FloatArray, floor: bool = False) -> FloatArray:
        """(9,) state after a bounce on the table, or the floor, that obeys the law."""
        law = (0.75, 0.01, 0.35) if floor else (self.e0, self.e1, self.mu)
        v, w = bounce(state[3:6], state[6:9], *law, R)
        return np.concatenate([state[:3], v, w])

    def strays(self, before: FloatArray, after: FloatArray, rng: np.random.Generator):
        """(9,) state after a table bounce that strays from the law as much as refinement allows."""
        v_sd = 0.08 + 0.12 * float(np.hypot(*(after[3:5] - before[3:5])))
        w_sd = 1.5 * v_sd / R + 10.0
        sd = [v_sd, v_sd, 0.03 + 0.015 * abs(before[5]), w_sd, w_sd, 10.0 + 0.1 * abs(before[8])]
        out = after.copy()
        out[3:] += self.scatter * np.array(sd) * rng.normal(size=6)
        out[5] = max(out[5], 0.05)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """A contact as it was."""

    kind: str
    t_s: float
    before: FloatArray  # (9,) state
    after: FloatArray  # (9,)

    @property
    def xyz_m(self) -> FloatArray:
        return self.before[:3]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Arcs that follow each other, with the touches between."""

    nature: Nature
    starts_s: FloatArray  # (k,) clip's clock
    states: FloatArray  # (k, 9)
    touches: tuple[Touch, ...]  # (k - 1,)
    end_s: float
    own_air: FloatArray | None = None  # (k, 2) drag and lift of each arc beyond the nature's

    def at(self, t_s: FloatArray) -> FloatArray:
        """(n, 9) states at times in any order; before the start the first arc is followed back."""
        t_s = np.asarray(t_s, float)
        out = np.empty((len(t_s), 9))
        arc = np.clip(np.searchsorted(self.starts_s, t_s, side="right") - 1, 0, None)
        for i in np.unique(arc):
            on = np.flatnonzero(arc == i)
            on = on[np.argsort(t_s[on])]
            nature = self.nature if self.own_air is None else self.nature.beyond(self.own_air[i])
            out[on] = nature.fly(self.states[i], t_s[on] - self.starts_s[i])
        return out

    def of_kind(self, kind: str) -> list[Touch]:
        return [touch for touch in self.touches if touch.kind == kind]


class _NoSuchBall(Exception):
    """From here no ball does what is wanted; another start is drawn."""


class _Writer:
    """Grows a path arc by arc."""

    def __init__(self, nature: Nature, t_s: float, state: FloatArray, rng) -> None:
        self.nature, self.t_s, self.state, self.rng = nature, t_s, state, rng
        self.starts, self.states, self.touches = [t_s], [state], []

    def touch(self, kind: str, span_s: float, after=None) -> None:
        """Fly for a while, then touch something; `after` is a state or a function of one."""
        before = self.nature.fly(self.state, np.array([span_s]))[0]
        self.state = after(before) if callable(after) else after
        self.t_s += span_s
        self.starts.append(self.t_s)
        self.states.append(self.state)
        self.touches.append(Touch(kind, self.t_s, before, self.state))

    def bounce(self) -> None:
        """Down to the table and up again."""
        n = self.nature
        span, _ = self.fall(R + n.plane_sd_m * self.rng.normal())
        self.touch("table", span, lambda s: n.strays(s, n.bounced(s), self.rng))

    def fall(self, height_m: float) -> tuple[float, FloatArray]:
        s = self.state
        return land(s[:3], s[3:6], s[6:9], *self.nature.air, height_m, 3.0)

    def done(self, more_s: float) -> Path:
        return Path(
            self.nature, np.array(self.starts), np.array(self.states), tuple(self.touches),
            self.t_s + more_s,
        )  # fmt: skip


def spin_of(ahead: FloatArray, top_revps: float, side_revps: float, roll_revps: float = 0.0):
    """(3,) spin [rad/s]: about the horizontal across, the vertical, and the way ahead."""
    flat = np.array([ahead[0], ahead[1], 0.0]) / np.hypot(ahead[0], ahead[1])
    up = np.array([0.0, 0.0, 1.0])
    return REV * (top_revps * np.cross(up, flat) + side_revps * up + roll_revps * flat)


def aimed(nature: Nature, start: FloatArray, target: FloatArray, span_s: float, spin: FloatArray):
    """(9,) state at `start` from which the ball is at `target` after a time, or None."""
    v = (target - start) / span_s + np.array([0.0, 0.0, 0.5 * 9.8 * span_s])
    for _ in range(12):
        states, jac = fly_sensitivities(start, v, spin, *nature.air, np.array([span_s]))
        miss = target - states[0, :3]
        v = v + np.linalg.solve(jac[0, :3, 3:6], miss)
        if np.abs(miss).max() < 1e-9:
            return np.concatenate([start, v, spin])
    return None


def _clears_net(nature: Nature, state: FloatArray, span_s: float, by_m: float = 0.03) -> bool:
    t = np.linspace(0.0, span_s, 60)
    x = nature.fly(state, t)
    i = np.flatnonzero(x[1:, 0] * x[:-1, 0] <= 0.0)
    return bool(len(i) == 0 or np.all(x[i, 2] > NET_Z + R + by_m))


def _stroke(nature: Nature, start: FloatArray, rng: np.random.Generator, net: bool = False):
    """State after a stroke that lands on the other half (or goes into the net)."""
    side = np.sign(start[0])
    for _ in range(400):
        target = np.array([-side * rng.uniform(0.25, 1.3), rng.uniform(-0.68, 0.68), R])
        span = rng.uniform(0.2, 0.55) * np.hypot(*(target - start)[:2]) / 2.4
        spin = spin_of(target - start, rng.normal(15.0, 30.0), rng.normal(0, 8), rng.normal(0, 4))
        state = aimed(nature, start, target, span, spin)
        if state is None or np.linalg.norm(state[3:6]) > 22.0:
            continue
        if _clears_net(nature, state, span) != net:
            return state
    raise _NoSuchBall


def _serve(nature: Nature, start: FloatArray, rng: np.random.Generator):
    """State after a serve: one bounce on either half."""
    side = np.sign(start[0])
    for _ in range(1000):
        first = np.array([side * rng.uniform(0.5, 1.15), start[1] + rng.uniform(-0.2, 0.2), R])
        span = rng.uniform(0.09, 0.2)
        spin = spin_of(first - start, rng.normal(5, 25), rng.normal(0, 15), rng.normal(0, 5))
        state = aimed(nature, start, first, span, spin)
        if state is None or state[5] > 1.5 or np.linalg.norm(state[3:6]) > 12.0:
            continue
        after = nature.bounced(nature.fly(state, np.array([span]))[0])
        t, last = land(after[:3], after[3:6], after[6:9], *nature.air, R, 1.5)
        inside = -1.28 < side * last[0] < -0.2 and abs(last[1]) < 0.7
        if t > 0 and inside and _clears_net(nature, after, t):
            return state
    raise _NoSuchBall


def rally(
    rng: np.random.Generator,
    nature: Nature | None = None,
    *,
    t0_s: float = 12.3,
    strokes: int = 4,
    finish: str = "missed",
    side: float | None = None,
) -> Path:
    """Toss, serve, strokes; the last ball is missed and falls to the floor, or goes into the net.

    `strokes` counts the serve. `finish` is "missed", "net", or "cut" (ends on the last bounce's
    way up).
    """
    nature = nature or Nature()
    while True:
        try:
            return _rally(rng, nature, t0_s, strokes, finish, side or float(rng.choice([-1, 1])))
        except _NoSuchBall:
            continue


def _tossed(
    rng: np.random.Generator, nature: Nature, t0_s: float, side: float
) -> tuple[_Writer, tuple[float, FloatArray]]:
    """A ball that was tossed; for how long, and the place (3,) where it is struck."""
    hand = np.array([side * rng.uniform(1.45, 1.7), rng.uniform(-0.4, 0.4), rng.uniform(0.1, 0.3)])
    up = np.array([side * rng.normal(0, 0.1), rng.normal(0, 0.1), rng.uniform(2.2, 3.2)])
    w = _Writer(nature, t0_s, np.concatenate([hand, up, np.zeros(3)]), rng)
    span, at = w.fall(float(hand[2]) + rng.uniform(0.0, 0.1))
    return w, (span, at[:3])


def _rally(
    rng: np.random.Generator, nature: Nature, t0_s: float, strokes: int, finish: str, side: float
) -> Path:
    w, (span, start) = _tossed(rng, nature, t0_s, side)
    w.touch("racket", span, _serve(nature, start, rng))
    for i in range(strokes):
        last = i == strokes - 1
        if last and i > 0 and finish == "net":
            return _into_net(w, rng)
        for _ in range(2 if i == 0 else 1):
            w.bounce()
        if last:
            break
        span = _reach(w, rng)
        struck = nature.fly(w.state, np.array([span]))[0]
        net = finish == "net" and i == strokes - 2
        w.touch("racket", span, _stroke(nature, struck[:3], rng, net))
    if finish == "cut":
        return w.done(0.15)
    return _to_floor(w)


def netted_serve(rng: np.random.Generator, nature: Nature) -> Path | None:
    """Toss, and a serve that goes into the net at once; None where that cannot be."""
    w, (span, start) = _tossed(rng, nature, 12.3, float(rng.choice([-1, 1])))
    try:
        w.touch("racket", span, _stroke(nature, start, rng, net=True))
    except _NoSuchBall:
        return None
    return _into_net(w, rng)


def _reach(w: _Writer, rng: np.random.Generator) -> float:
    """When the player strikes after the bounce: above the end of the table or behind it."""
    t = np.linspace(0.05, 0.6, 56)
    x = w.nature.fly(w.state, t)
    fits = (np.abs(x[:, 0]) > 1.2) & (np.abs(x[:, 0]) < 2.3) & (x[:, 2] > 0.08)
    beyond = (np.abs(x[:, 0]) > HALF_X) | (x[:, 2] > 0.1)
    ok = np.flatnonzero(fits & beyond)
    if not len(ok):  # a short ball: struck above the table, while it is still in the air
        ok = np.flatnonzero(x[:, 2] > 0.06)
    return float(t[ok[int(rng.integers(len(ok)))]])


def _into_net(w: _Writer, rng: np.random.Generator) -> Path:
    t = np.linspace(0.0, 1.0, 4001)
    x = w.nature.fly(w.state, t)
    side = np.sign(w.state[0])
    span = float(t[np.flatnonzero(side * x[:, 0] <= R)[0]])

    def stopped(before):
        after = before.copy()
        after[3:6] *= [-rng.uniform(0.03, 0.1), 0.3, 0.3]
        after[6:] *= 0.3
        return after

    w.touch("net", span, stopped)
    span, _ = w.fall(R)
    if span > 0.05:
        w.bounce()
        return w.done(0.25)
    return w.done(0.1)


def _to_floor(w: _Writer) -> Path:
    """Off the table and down; small hops on the table are played out."""
    for _ in range(3):
        _, at = w.fall(R)
        if abs(at[0]) < HALF_X + 0.01 and abs(at[1]) < HALF_Y + 0.01:
            w.bounce()
        else:
            break
    else:
        return w.done(0.1)
    w.touch("floor", w.fall(FLOOR_Z)[0], lambda s: w.nature.bounced(s, floor=True))
    return w.done(0.3)


# --- cameras -----------------------------------------------------------------------------------
def looking(
    centre_m, at_m=(0.0, 0.0, 0.1), f_px=1500.0, size_px=(1920, 1080), k=(0.0, 0.0), roll_rad=0.0
) -> Camera:
    """A camera at a place that looks at another, known without error."""
    forward = np.asarray(at_m, float) - np.asarray(centre_m, float)
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(forward, right), forward])
    turn = rotations(np.array([[0.0, 0.0, roll_rad]]))[0] @ turn
    c = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
    return Camera(
        size_px, f_px, c, np.array(k, float), turn, -turn @ np.asarray(centre_m, float),
        np.zeros((11, 11)),
    )  # fmt: skip


def random_camera(rng: np.random.Generator, view: str, size_px=(1920, 1080)) -> Camera:
    """A camera that sees the table and a good deal around, from a side, a corner or an end."""
    sx, sy = rng.choice([-1.0, 1.0], 2)
    if view == "side":
        centre = (rng.uniform(-0.6, 0.6), sy * rng.uniform(4.2, 5.5), rng.uniform(0.9, 1.8))
        f_px = rng.uniform(1300, 1700)
    elif view == "corner":
        centre = (sx * rng.uniform(3.2, 4.2), sy * rng.uniform(2.8, 3.8), rng.uniform(1.4, 2.3))
        f_px = rng.uniform(1400, 1900)
    else:
        centre = (sx * rng.uniform(4.5, 6.0), rng.uniform(-0.5, 0.5), rng.uniform(1.5, 2.4))
        f_px = rng.uniform(1400, 1900)
    return looking(
        centre, rng.normal([0, 0, 0.1], [0.1, 0.1, 0.05]), f_px * size_px[0] / 1920.0, size_px,
        (rng.normal(-0.03, 0.02), 0.0), rng.normal(0.0, 0.01),
    )  # fmt: skip


def calibrated(camera: Camera, line_px: float = 0.15) -> Camera:
    """The camera with the covariance of a fit to the table's lines and the net's top."""
    s = np.linspace(-1.0, 1.0, 12)
    edges = [
        *([[x * HALF_X, y, 0.0] for x in s for y in (-HALF_Y, 0.0, HALF_Y)]),
        *([[x, y * HALF_Y, 0.0] for y in s for x in (-HALF_X, HALF_X)]),
        *([[0.0, 0.915 * y, NET_Z] for y in s]),
    ]
    _, _, J = project_jacobian(camera, np.array(edges))
    J = J.reshape(-1, 11) / line_px
    w = camera.size_px[0]
    prior = np.array([0.3 * w, 0.01 * w, 0.01 * w, 0.05, 0.02, 1, 1, 1, 5, 5, 5.0])
    # a whole line may be off by what the lines' width and the table's size allow: 4 points' worth
    info = J.T @ J / 4.0 + np.diag(1.0 / prior**2)
    return replace(camera, cov=np.linalg.inv(info))


def moved(camera: Camera, p: FloatArray) -> Camera:
    """The camera with a change p (11,) of its parameters, in the order of CAMERA_PARAMETERS."""
    return replace(
        camera, f_px=camera.f_px + p[0], c_px=camera.c_px + p[1:3], k=camera.k + p[3:5],
        R=rotations(p[None, 5:8])[0] @ camera.R, t_m=camera.t_m + p[8:11],
    )  # fmt: skip


def drawn(camera: Camera, rng: np.random.Generator) -> Camera:
    """A camera drawn from the covariance of this one."""
    return moved(camera, rng.multivariate_normal(np.zeros(11), camera.cov, method="eigh"))


def clip_camera(camera: Camera, shutter: Shutter, usable_s=((-1e3, 1e3),)) -> ClipCamera:
    """The camera standing still through a clip."""
    return ClipCamera(
        camera, shutter, np.zeros(1), rotation_vector(camera.R)[None], camera.t_m[None],
        np.array(usable_s, float).reshape(-1, 2), 0.2, 1.0, (),
    )  # fmt: skip


# --- what is seen ------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Footage:
    """How a path is filmed and found."""

    fps: float = 60.0
    readout_s: float = 0.010
    exposure_s: float = 0.003
    noise_px: float = 0.35  # across the motion
    smear: float = 0.06  # of the streak, adds to the error along it
    miss: float = 0.06  # share of frames without a sighting
    clutter: float = 1.0  # random detections a frame
    bias_px: float = 0.0  # sd of what all detections share
    hidden_s: tuple[tuple[float, float], ...] = ()  # spans without any sighting

    def shutter(self, source: str = "given", readout_sd_s: float = 2e-4, exposure_sd_s=1e-4):
        """The shutter as the estimator gets it."""
        return Shutter(self.readout_s, readout_sd_s, self.exposure_s, exposure_sd_s, source)


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


def seen_at(path: Path, camera: Camera, frame_t_s: FloatArray, footage: Footage):
    """(n,) mid-exposure times and (n, 2) true streak centres of the ball in each frame."""
    height = camera.size_px[1]
    t = np.asarray(frame_t_s, float) + 0.5 * footage.exposure_s
    mid = t + 0.5 * footage.readout_s
    for _ in range(6):
        v = project(camera, path.at(mid)[:, :3])[:, 1]
        mid = t + footage.readout_s * np.clip(np.nan_to_num(v), 0.0, height) / height
    each = mid[:, None] + 0.5 * footage.exposure_s * _NODES
    uv = project(camera, path.at(each.ravel())[:, :3]).reshape(len(t), -1, 2)
    return mid, np.einsum("k,nkc->nc", 0.5 * _WEIGHTS, uv)


def film(
    path: Path, camera: Camera, footage: Footage, rng: np.random.Generator, phase: float = 0.5
) -> Detections:
    """Detections of the ball on a path, by the true camera."""
    first = int(np.ceil(path.starts_s[0] * footage.fps - phase))
    last = int((path.end_s - footage.exposure_s - footage.readout_s) * footage.fps - phase)
    frame = np.arange(first, last + 1)
    t = (frame + phase) / footage.fps
    mid, uv = seen_at(path, camera, t, footage)
    x = path.at(mid)
    half = 0.5 * footage.exposure_s
    streak = project(camera, path.at(mid + half)[:, :3]) - project(
        camera, path.at(mid - half)[:, :3]
    )
    length = np.hypot(*streak.T)
    along = streak / np.maximum(length, 1e-9)[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    sd = np.stack([np.hypot(footage.noise_px, footage.smear * length),
                   np.full(len(frame), footage.noise_px)], axis=1)  # fmt: skip
    noise = sd * rng.normal(size=sd.shape)
    uv = uv + noise[:, :1] * along + noise[:, 1:] * across + footage.bias_px * rng.normal(size=2)
    still = length < 1e-6
    cov = np.einsum("n,ni,nj->nij", sd[:, 0] ** 2, along, along)
    cov += np.einsum("n,ni,nj->nij", sd[:, 1] ** 2, across, across)
    cov[still] = footage.noise_px**2 * np.eye(2)
    depth = (x[:, :3] @ camera.R.T + camera.t_m)[:, 2]
    radius = camera.f_px * R / depth * np.exp(0.05 * rng.normal(size=len(frame)))
    w, h = camera.size_px
    keep = np.all((uv > 2) & (uv < [w - 3, h - 3]), axis=1) & (
        rng.random(len(frame)) > footage.miss
    )
    for low, high in footage.hidden_s:
        keep &= (mid < low) | (mid > high)
    score = np.clip(rng.normal(0.85, 0.07, len(frame)), 0.3, 1.0)
    whole = Detections(
        frame, t, uv, cov, radius, streak, score, np.zeros(len(frame), np.int64)
    )  # fmt: skip
    return whole.take(np.flatnonzero(keep))


def clutter(
    frame: FloatArray, fps: float, phase: float, camera: Camera, rate: float,
    rng: np.random.Generator,
) -> Detections:  # fmt: skip
    """Random detections that have nothing to do with each other."""
    n = rng.poisson(rate, len(frame))
    at = np.repeat(frame, n)
    m = len(at)
    return Detections(
        at, (at + phase) / fps, rng.uniform([0, 0], camera.size_px, (m, 2)),
        np.tile(0.3 * np.eye(2), (m, 1, 1)), rng.uniform(3, 9, m), rng.normal(0, 4, (m, 2)),
        rng.uniform(0.1, 0.6, m), np.zeros(m, np.int64),
    )  # fmt: skip


def moving(
    frame: FloatArray, t_s: FloatArray, uv_px: FloatArray, rng: np.random.Generator,
    radius_px: float = 8.0, score: float = 0.5, noise_px: float = 0.5,
) -> Detections:  # fmt: skip
    """Detections of something else whose image path is given."""
    n = len(frame)
    return Detections(
        np.asarray(frame), np.asarray(t_s, float), uv_px + noise_px * rng.normal(size=(n, 2)),
        np.tile(noise_px**2 * np.eye(2), (n, 1, 1)), np.full(n, radius_px), np.zeros((n, 2)),
        np.full(n, score), np.zeros(n, np.int64),
    )  # fmt: skip


def together(*parts: Detections) -> Detections:
    """All detections in frame order."""
    names = [f.name for f in fields(Detections)]
    order = np.argsort(np.concatenate([part.frame for part in parts]), kind="stable")
    return Detections(*(np.concatenate([getattr(p, n) for p in parts])[order] for n in names))


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A filmed path: what the estimator gets, and the truth."""

    path: Path
    detections: Detections
    camera: ClipCamera
    true_camera: Camera
    ball: Detections  # those of the detections that are the ball

    @property
    def ball_t_s(self) -> FloatArray:
        """(n,) when the ball was seen, as the true shutter has it [s]."""
        shutter, height = self.camera.shutter, self.true_camera.size_px[1]
        late = 0.5 * shutter.exposure_s + shutter.readout_s * self.ball.uv_px[:, 1] / height
        return self.ball.t_s + late

    @property
    def ball_rows(self) -> IntArray:
        """(n,) rows of `detections` that are the ball."""
        mine = {
            (int(f), float(u)) for f, u in zip(self.ball.frame, self.ball.uv_px[:, 0], strict=True)
        }
        d = self.detections
        seen = zip(d.frame, d.uv_px[:, 0], strict=True)
        return np.flatnonzero([(int(f), float(u)) in mine for f, u in seen])

    def arcs(self, fewest: int) -> list[set[int]]:
        """Rows of each arc with so many sightings."""
        edges = np.append(self.path.starts_s, self.path.end_s)
        arc = np.searchsorted(edges, self.ball_t_s) - 1
        rows = [set(self.ball_rows[arc == i].tolist()) for i in range(len(edges) - 1)]
        return [r for r in rows if len(r) >= fewest]

    def touches(self, sightings: int = 3, within_s: float = 0.15) -> list[Touch]:
        """Touches with so many sightings on the arc before and as many on that after."""
        t = self.ball_t_s
        edges = [*self.path.starts_s, self.path.end_s]
        out = []
        for i, touch in enumerate(self.path.touches):
            low = max(edges[i], touch.t_s - within_s)
            high = min(edges[i + 2], touch.t_s + within_s)
            before, after = (t > low) & (t < touch.t_s), (t > touch.t_s) & (t < high)
            if min(np.sum(before), np.sum(after)) >= sightings:
                out.append(touch)
        return out


def scene(
    rng: np.random.Generator, view: str = "side", footage: Footage | None = None, *,
    size_px=(1920, 1080), nature: Nature | None = None, source: str = "given",
    line_px: float = 0.15, path: Path | None = None, scatter: float = 0.0, **play,
) -> Scene:  # fmt: skip
    """A rally with everything drawn: camera, coefficients, play, errors."""
    footage = footage or Footage()
    nominal = calibrated(random_camera(rng, view, size_px), line_px)
    true = drawn(nominal, rng)
    if path is None:
        path = rally(rng, nature or Nature.draw(rng, scatter), **play)
    phase = float(rng.random())
    ball = film(path, true, footage, rng, phase)
    frames = np.arange(ball.frame[0] - 5, ball.frame[-1] + 6)
    noise = clutter(frames, footage.fps, phase, true, footage.clutter, rng)
    camera = clip_camera(nominal, footage.shutter(source))
    return Scene(path, together(ball, noise), camera, true, ball)


# --- truth against result ----------------------------------------------------------------------
@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Contacts held against the touches that could be seen."""

    pairs: list[tuple[Touch, Contact]]  # found, kind right
    missed: list[Touch]  # seen well, not found
    wrong: list[tuple[Touch, Contact]]  # found as another kind
    false: list[Contact]  # no touch there


def match(
    path: Path, contacts, expected: list[Touch] | None = None, within_s=0.05, within_m=0.4
) -> Matched:
    """Contacts of probability >= 0.5 against the touches; those not expected may be found or not.

    A found contact is false where no touch at all lies near.
    """
    rows = [c for c in contacts if c.probability >= 0.5]
    expected = list(path.touches) if expected is None else expected
    free = set(range(len(rows)))
    pairs, missed, wrong = [], [], []
    for touch in path.touches:
        near = [
            i for i in free
            if abs(rows[i].t_s - touch.t_s) < within_s
            and np.linalg.norm(rows[i].xyz_m - touch.xyz_m) < within_m
        ]  # fmt: skip
        near.sort(key=lambda i, q=touch: (rows[i].kind != q.kind, abs(rows[i].t_s - q.t_s)))
        if near:
            free.remove(near[0])
        if not any(touch is q for q in expected):
            continue
        if not near:
            missed.append(touch)
        elif rows[near[0]].kind == touch.kind:
            pairs.append((touch, rows[near[0]]))
        else:
            wrong.append((touch, rows[near[0]]))
    return Matched(pairs, missed, wrong, [rows[i] for i in sorted(free)])


def measured(made: Scene, settings: FlightSettings | None = None) -> Flights:
    """What the tracks and the flights of a scene come to."""
    size = made.camera.camera.size_px[0]
    return find_flights(find_tracks(made.detections, size), made.camera, settings)
