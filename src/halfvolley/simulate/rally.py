"""Rallies from the physics: serves, strokes and mistakes that really fly where they are said to.

A stroke is found by trying: speed and spin are drawn for its kind, a range of elevations is flown,
and one is kept that does what was wanted (lands, hits the net, goes long ...).
"""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import NET_HEIGHT_M, NET_OVERHANG_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.physics.kernels import bounce
from halfvolley.simulate import kernels as k
from halfvolley.simulate.path import (
    DEAD,
    FLIGHT,
    HAND,
    REST,
    ROLLING,
    TOSS,
    BallPath,
    Event,
    EventKind,
    Game,
    MadeRally,
    MadeStroke,
)
from halfvolley.simulate.scene import FLOOR_Z_M, BallPhysics, Hall
from halfvolley.types import FloatArray

REV = 2.0 * np.pi
HALF_X = TABLE_LENGTH_M.value / 2
HALF_Y = TABLE_WIDTH_M.value / 2
_KINDS: dict[int, EventKind] = {
    k.TABLE: "table", k.EDGE: "edge", k.NET: "net", k.CORD: "net", k.FLOOR: "floor",
    k.WALL: "wall", k.SIDE: "side",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RallySettings:
    """How play goes on; ranges are drawn from evenly."""

    first_toss_s: tuple[float, float] = (0.4, 0.9)  # after the start of the clip
    mistake_share: float = 0.17  # a stroke in six ends the point: rallies of four to five strokes
    serve_mistake_share: float = 0.05
    pick_up_s: tuple[float, float] = (0.9, 1.8)  # from the end of a point to the ball in hand;
    settle_s: tuple[float, float] = (0.4, 0.9)  # and before the toss; clips stay short that way
    rare_share: float = 0.12  # of good strokes: net cords and edges, looked for on purpose
    tries: int = 60  # draws of speed and spin before another kind is taken


@dataclass(frozen=True, slots=True)
class StrokeKind:
    """What a kind of stroke does to the ball; topspin positive."""

    speed_mps: tuple[float, float]
    topspin_revps: tuple[float, float]
    sidespin_revps: float  # sd
    elevation_deg: tuple[float, float]


# Typical values of coaching texts; see docs/physics.md.
STROKES = {
    "push": StrokeKind((3.8, 6.5), (-40, -10), 4.0, (2, 35)),
    "block": StrokeKind((6.0, 12.0), (-5, 20), 4.0, (-6, 25)),
    "flick": StrokeKind((6.0, 11.0), (15, 50), 8.0, (0, 30)),
    "drive": StrokeKind((9.0, 16.0), (15, 50), 6.0, (-6, 20)),
    "loop": StrokeKind((10.0, 18.0), (60, 130), 15.0, (2, 35)),
    "lob": StrokeKind((6.0, 11.0), (5, 50), 10.0, (30, 70)),
    "chop": StrokeKind((7.0, 11.0), (-90, -30), 8.0, (-2, 28)),
    "smash": StrokeKind((17.0, 28.0), (5, 30), 5.0, (-22, 8)),
}
SERVES = {
    "serve_top": StrokeKind((4.5, 7.5), (15, 50), 6.0, (-30, 6)),
    "serve_back": StrokeKind((4.0, 6.0), (-50, -15), 6.0, (-30, 6)),
    "serve_side": StrokeKind((4.3, 6.8), (-10, 20), 35.0, (-30, 6)),
    "serve_fast": StrokeKind((7.0, 10.0), (20, 50), 6.0, (-25, 4)),
}


@dataclass(frozen=True, slots=True, eq=False)
class Arena:
    """The numbers that the flight kernel needs."""

    physics: BallPhysics
    coef: FloatArray
    arena: FloatArray

    @property
    def radius(self) -> float:
        return self.physics.radius_m


def make_arena(physics: BallPhysics, hall: Hall) -> Arena:
    """Coefficients and walls as the compiled flight takes them."""
    area = np.pi * physics.radius_m**2
    coef = np.array([
        physics.gravity_mps2, physics.air_kgpm3 * area / (2.0 * physics.mass_kg), physics.cd,
        physics.cd_spin, physics.lift, float(physics.linear_lift), 1.0 / physics.decay_tau_s,
    ])  # fmt: skip
    top = -0.01 if hall.surround is not None else -9.0
    arena = np.array([
        HALF_X, HALF_Y, NET_HEIGHT_M.value, HALF_Y + NET_OVERHANG_M.value, FLOOR_Z_M,
        hall.half_x_m, hall.half_y_m, hall.surround_x_m, hall.surround_y_m, top, hall.ceiling_z_m,
    ])  # fmt: skip
    return Arena(physics, coef, arena)


@dataclass(frozen=True, slots=True, eq=False)
class Leg:
    """A flight up to a touch, and what the touch makes of it."""

    nodes: FloatArray  # (n, 10) time from the start of the leg, then the state
    code: int
    normal: FloatArray
    after: FloatArray  # (9,) state after the touch


def fly_leg(world: Arena, state: FloatArray, t_max: float, rng: np.random.Generator) -> Leg:
    """Flies until the next touch and applies the law of that surface."""
    nodes = np.empty((int(t_max / k.STEP_S) + 3, 10))
    normal = np.zeros(3)
    n, code = k.fly_until(state, world.coef, world.arena, world.radius, t_max, nodes, normal)
    nodes = nodes[:n]
    after = nodes[-1, 1:].copy()
    if code != k.FREE:
        after = rebound(world, after, code, normal, rng)
    return Leg(nodes, code, normal, after)


def rebound(
    world: Arena, state: FloatArray, code: int, normal: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """(9,) state after touching a surface with this normal."""
    p = world.physics
    laws = {
        k.TABLE: (p.e0, p.e1, p.mu), k.EDGE: (0.82, 0.01, p.mu), k.SIDE: (0.6, 0.0, 0.3),
        k.FLOOR: (0.78, 0.012, 0.4), k.WALL: (0.55, 0.0, 0.3), k.CORD: (0.15, 0.0, 0.3),
        k.NET: (0.0, 0.0, 0.2),
    }  # fmt: skip
    out = state.copy()
    if code in (k.NET, k.CORD):
        # the net gives way: what is left of the speed is small and a matter of chance
        across = np.dot(state[3:6], normal) * normal
        along = state[3:6] - across
        keep = 0.8 if code == k.CORD else 0.35
        back = rng.uniform(0.02, 0.15)
        out[3:6] = keep * along - back * across
        out[6:9] = state[6:9] * rng.uniform(0.3, 0.8)
        return out
    e0, e1, mu = laws[code]
    # a frame whose z is the normal
    a = np.array([1.0, 0.0, 0.0]) if abs(normal[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    ex = np.cross(a, normal)
    ex /= np.linalg.norm(ex)
    B = np.stack([ex, np.cross(normal, ex), normal])
    v, w = bounce(B @ state[3:6], B @ state[6:9], e0, e1, mu, world.radius)
    out[3:6] = B.T @ v
    out[6:9] = B.T @ w
    return out


def classify(world: Arena, state: FloatArray, rng: np.random.Generator, serve: bool = False) -> str:
    """What becomes of a struck ball.

    One of good, cord (touched the net and is good), edge, net, long, wide, side, own_side.
    """
    side = -1.0 if state[0] < 0 else 1.0
    own_due, cord = serve, False
    for _ in range(4):
        leg = fly_leg(world, state, 2.0, rng)
        x, y = leg.nodes[-1, 1], leg.nodes[-1, 2]
        if leg.code in (k.NET, k.CORD):
            cord = True
        elif leg.code == k.TABLE or leg.code == k.EDGE:
            if x * side > 0:
                if not own_due or leg.code == k.EDGE:
                    return "net" if cord else "own_side"
                own_due = False
            else:
                if own_due:
                    return "long"
                return "cord" if cord else ("edge" if leg.code == k.EDGE else "good")
        elif leg.code == k.SIDE:
            return "side"
        elif cord:
            return "net"
        else:
            return "wide" if abs(y) > HALF_Y + 0.3 and abs(x) < HALF_X + 0.3 else "long"
        state = leg.after
    return "net"


def spin_vector(v: FloatArray, topspin_revps: float, sidespin_revps: float) -> FloatArray:
    """(3,) spin [rad/s] of a ball that flies along v."""
    ahead = np.array([v[0], v[1], 0.0])
    ahead /= np.linalg.norm(ahead)
    return REV * (
        topspin_revps * np.cross([0.0, 0.0, 1.0], ahead)
        + sidespin_revps * np.array([0.0, 0.0, 1.0])
    )


def find_stroke(
    world: Arena, xyz: FloatArray, kind: StrokeKind, wanted: str, rng: np.random.Generator,
    tries: int, serve: bool = False,
) -> tuple[FloatArray, FloatArray] | None:  # fmt: skip
    """Velocity [m/s] and spin [rad/s] with which a ball struck at xyz does what is wanted."""
    side = -1.0 if xyz[0] < 0 else 1.0
    low, high = kind.elevation_deg
    if wanted in ("net", "long", "wide"):
        low, high = low - 12.0, high + 12.0
    for _ in range(tries):
        target = np.array([-side * rng.uniform(0.35, 1.3), rng.uniform(-0.7, 0.7)])
        if wanted == "wide":
            target[1] = rng.choice([-1, 1]) * rng.uniform(0.85, 1.5)
        elif wanted == "edge":
            target = np.array([-side * HALF_X, rng.uniform(-0.7, 0.7)])
        speed = rng.uniform(*kind.speed_mps)
        top, sideways = rng.uniform(*kind.topspin_revps), rng.normal(0.0, kind.sidespin_revps)
        ahead = target - xyz[:2]
        # sidespin curves the flight: aim to the other side, by what it does in a usual time
        turn = np.arctan2(ahead[1], ahead[0]) - 0.0025 * sideways
        fits = []
        for elevation in np.radians(np.linspace(low, high, 13) + rng.uniform(-1, 1)):
            v = speed * np.array([
                np.cos(elevation) * np.cos(turn), np.cos(elevation) * np.sin(turn),
                np.sin(elevation),
            ])  # fmt: skip
            w = spin_vector(v, top, sideways)
            state = np.concatenate([xyz, v, w])
            if classify(world, state, rng, serve) == wanted:
                fits.append((v, w))
        if fits:
            return fits[int(rng.integers(len(fits)))]
    return None


class Recorder:
    """Gathers nodes, touches and strokes while a game is played."""

    def __init__(self, radius: float) -> None:
        self.radius = radius
        self.nodes: list[FloatArray] = []  # (n, 11): time, state, state code
        self.paths: list[BallPath] = []
        self.events: list[Event] = []
        self.strokes: list[MadeStroke] = []
        self.rallies: list[MadeRally] = []

    @property
    def ball_id(self) -> int:
        return len(self.paths)

    def add(self, t0: float, nodes: FloatArray, state: int) -> None:
        rows = np.column_stack([nodes, np.full(len(nodes), state)])
        rows[:, 0] += t0
        self.nodes.append(rows)

    def hold(self, t0: float, xyz: FloatArray, span: float, state: int) -> None:
        """The ball stays where it is for a time."""
        still = np.zeros((2, 10))
        still[:, 1:4] = xyz
        still[1, 0] = max(span, 0.0)
        self.add(t0, still, state)

    def close_path(self) -> None:
        """Ends the ball at hand; what follows is another one."""
        if not self.nodes:
            return
        a = np.concatenate(self.nodes)
        self.paths.append(
            BallPath(
                self.ball_id, np.ascontiguousarray(a[:, 0]), np.ascontiguousarray(a[:, 1:4]),
                np.ascontiguousarray(a[:, 4:7]), np.ascontiguousarray(a[:, 7:10]),
                a[:, 10].astype(np.int64),
            )
        )  # fmt: skip
        self.nodes = []

    def touch(self, t: float, leg: Leg, rally: int, player: str | None = None) -> None:
        before, after = leg.nodes[-1, 1:], leg.after
        self.events.append(
            Event(
                _KINDS[leg.code], t, before[:3] - self.radius * leg.normal, before[:3].copy(),
                before[3:6].copy(), after[3:6].copy(), before[6:9].copy(), after[6:9].copy(),
                rally, self.ball_id, player, leg.code == k.CORD,
            )
        )  # fmt: skip


def _name(side: float) -> str:
    return "A" if side < 0 else "B"


def smooth_move(a: FloatArray, b: FloatArray, span: float, lift: float = 0.0) -> FloatArray:
    """(n, 10) nodes of a hand's even move from a to b, starting and ending at rest."""
    n = max(int(span / 0.01), 2)
    p = np.linspace(0.0, 1.0, n)
    ease = p**3 * (10 - 15 * p + 6 * p * p)
    rate = (30 * p**2 - 60 * p**3 + 30 * p**4) / span
    nodes = np.zeros((n, 10))
    nodes[:, 0] = p * span
    nodes[:, 1:4] = a + ease[:, None] * (b - a)
    nodes[:, 4:7] = rate[:, None] * (b - a)
    nodes[:, 3] += lift * np.sin(np.pi * ease) ** 2
    nodes[:, 6] += lift * np.pi * np.sin(2 * np.pi * ease) * rate
    return nodes


def _toss(
    world: Arena, hold: FloatArray, strike_z: float, rise: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Nodes of the hand's swing (n, 10) and of the free ball up to the strike (m, 10)."""
    v0 = np.sqrt(2.0 * world.physics.gravity_mps2 * rise) * 1.01  # drag takes a little
    swing_s = 0.16
    t = np.linspace(0.0, swing_s, 40)
    p = t / swing_s
    swing = np.zeros((40, 10))
    swing[:, 0] = t
    swing[:, 1:4] = hold
    # the hand dips and comes up: a cubic from rest that passes the start again with v0
    swing[:, 3] += v0 * swing_s * p * p * (p - 1.0)
    swing[:, 6] = v0 * (3.0 * p * p - 2.0 * p)
    drift = rng.normal(0.0, 0.06, 2)
    state = np.concatenate([hold, [drift[0], drift[1], v0], np.zeros(3)])
    nodes = np.empty((4000, 10))
    n_nodes, _ = k.fly_until(state, world.coef, world.arena, world.radius, 1.5, nodes, np.zeros(3))
    nodes = nodes[:n_nodes]
    falling = np.flatnonzero((nodes[:, 6] < 0) & (nodes[:, 3] <= strike_z))
    return swing, nodes[: falling[0] + 1]


def roll(world: Arena, state: FloatArray, t_max: float, on_table: bool) -> tuple[FloatArray, bool]:
    """(n, 10) nodes of a ball rolling to rest; True if it runs off the table's edge."""
    slow = 0.10 if on_table else 0.25  # deceleration [m/s^2], a matter of dust and slope
    v0 = state[3:5]
    speed = float(np.linalg.norm(v0))
    ahead = v0 / speed if speed > 0 else np.zeros(2)
    stop = min(speed / slow, t_max)
    t = np.append(np.arange(0.0, stop, 0.01), stop)
    nodes = np.zeros((len(t), 10))
    nodes[:, 0] = t
    way = speed * t - 0.5 * slow * t * t
    nodes[:, 1:3] = state[:2] + way[:, None] * ahead
    nodes[:, 3] = world.radius + (0.0 if on_table else FLOOR_Z_M)
    nodes[:, 4:6] = (speed - slow * t)[:, None] * ahead
    nodes[:, 7] = -nodes[:, 5] / world.radius
    nodes[:, 8] = nodes[:, 4] / world.radius
    if on_table:
        gone = (np.abs(nodes[:, 1]) > HALF_X) | (np.abs(nodes[:, 2]) > HALF_Y)
        # the net stops it
        crossed = nodes[:, 1] * state[0] < world.radius * abs(state[0])
    else:
        a = world.arena
        limit = a[7:9] if a[9] > FLOOR_Z_M else a[5:7]
        inside = bool(np.all(np.abs(state[:2]) < limit))
        limit = limit if inside else a[5:7]
        gone = np.zeros(len(t), bool)
        crossed = np.any(np.abs(nodes[:, 1:3]) > limit - world.radius, axis=1)
    if crossed.any() and not (gone.any() and np.argmax(gone) < np.argmax(crossed)):
        nodes = nodes[: max(int(np.argmax(crossed)), 1)]
        nodes[-1, 4:10] = 0.0  # leans against what stopped it
        return nodes, False
    if gone.any():
        return nodes[: int(np.argmax(gone)) + 1], True
    return nodes, False


def _tip(world: Arena, state: FloatArray) -> FloatArray:
    """(n, 10) nodes of a slow ball that tips over the table's edge, up to where it comes free."""
    r, g = world.radius * (1.0 + 1e-5), world.physics.gravity_mps2
    xy = state[:2]
    foot = np.clip(xy, [-HALF_X, -HALF_Y], [HALF_X, HALF_Y])
    off = [HALF_X - abs(xy[0]), HALF_Y - abs(xy[1])]
    axis = int(np.argmin(off))
    out = np.zeros(2)
    out[axis] = np.sign(xy[axis])
    foot[axis] = out[axis] * (HALF_X, HALF_Y)[axis]
    angle = float(np.clip(np.arctan2((xy - foot) @ out, max(state[2], 1e-3)), 0.0, 0.9))
    pace = max(float(state[3:5] @ out) / r, 1.0)  # a ball that came so far does not stop on top
    drift = state[3:5] - (state[3:5] @ out) * out
    nodes, h, t = [], k.STEP_S, 0.0
    while angle < 0.97:  # near cos = 10/17, where the edge no longer presses on a hollow ball
        centre = foot + t * drift + r * np.sin(angle) * out
        v = r * pace * np.cos(angle) * out + drift
        w = pace * np.array([-out[1], out[0], 0.0])
        nodes.append([t, *centre, r * np.cos(angle), *v, -r * pace * np.sin(angle), *w])
        pace += h * 0.6 * g / r * np.sin(angle)
        angle += h * pace
        t += h
    return np.array(nodes)


def _nearest_edge(state: FloatArray) -> FloatArray:
    """(2,) point of the table's rim nearest to a ball beside it."""
    return np.clip(state[:2], [-HALF_X, -HALF_Y], [HALF_X, HALF_Y])


MOST_TOUCHES = 400


def _let_go(
    rec: Recorder, world: Arena, t: float, state: FloatArray, t_stop: float, rally: int,
    rng: np.random.Generator,
) -> FloatArray:  # fmt: skip
    """A dead ball until t_stop: bounces, rolls, lies. Returns its last state."""
    touches = 0
    while t < t_stop - 1e-9:
        leg = fly_leg(world, state, min(t_stop - t, 3.0), rng)
        rec.add(t, leg.nodes, DEAD)
        t += leg.nodes[-1, 0]
        state = leg.after
        if leg.code == k.FREE:
            continue
        rec.touch(t, leg, rally)
        touches += 1
        slow_edge = leg.code == k.EDGE and state[3:6] @ leg.normal < 0.1
        off = bool(slow_edge and leg.normal[2] > 0.65)
        if slow_edge and not off:
            state[3:6] += 0.02 * leg.normal  # it slips off: no grip is left on the edge
        if leg.code in (k.TABLE, k.FLOOR) and state[5] < 0.18:
            nodes, off = roll(world, state, t_stop - t, leg.code == k.TABLE)
            rec.add(t, nodes, ROLLING)
            t += nodes[-1, 0]
            state = nodes[-1, 1:].copy()
            if not off:
                rec.hold(t, state[:3], t_stop - t, REST)
                state[3:] = 0.0
                return state
        if off and t < t_stop - 1e-9:
            nodes = _tip(world, state)
            if len(nodes):
                nodes = nodes[nodes[:, 0] <= t_stop - t]
                rec.add(t, nodes, DEAD)
                t += nodes[-1, 0]
                state = nodes[-1, 1:].copy()
                state[3:6] += (
                    0.02 * (state[:3] - np.append(_nearest_edge(state), 0.0)) / world.radius
                )
        elif touches > MOST_TOUCHES:  # it lies in a corner and only trembles
            rec.hold(t, state[:3], t_stop - t, REST)
            state[3:] = 0.0
            return state
    return state


def _choose_kind(xyz: FloatArray, v_in: FloatArray, rng: np.random.Generator) -> str:
    far, speed = abs(xyz[0]) - HALF_X, float(np.linalg.norm(v_in))
    if xyz[2] > 0.38 and far < 1.2:
        names = ["smash", "drive", "loop"]
        odds = [0.6, 0.25, 0.15]
    elif far > 1.1:
        names, odds = ["lob", "chop", "loop", "drive"], [0.25, 0.3, 0.3, 0.15]
    elif far < 0.12 and xyz[2] < 0.28:
        names, odds = ["push", "flick", "block", "loop"], [0.45, 0.25, 0.2, 0.1]
    elif speed > 9.0:
        names, odds = ["block", "drive", "loop"], [0.45, 0.35, 0.2]
    else:
        names, odds = ["drive", "loop", "push", "block"], [0.4, 0.3, 0.15, 0.15]
    return str(rng.choice(names, p=odds))


def _hit_node(leg: Leg, rng: np.random.Generator) -> int | None:
    """Node of a flight after the bounce at which the receiver can strike, or None."""
    a = leg.nodes
    ok = (
        (a[:, 0] > 0.07) & (np.abs(a[:, 1]) > 0.82) & (np.abs(a[:, 1]) < 3.4)
        & (np.abs(a[:, 2]) < 1.35) & (a[:, 3] > -0.05) & (a[:, 3] < 0.75)
        & (a[:, 1] * leg.nodes[0, 1] > 0)
    )  # fmt: skip
    rows = np.flatnonzero(ok)
    if not len(rows):
        return None
    # early, at the top or late, by taste
    place = rng.choice([rng.beta(1.2, 3.0), rng.beta(3.0, 3.0), rng.beta(3.0, 1.3)])
    return int(rows[int(place * (len(rows) - 1))])


def _strike(
    rec: Recorder, t: float, before: FloatArray, v: FloatArray, w: FloatArray, kind: str,
    rally: int, number: int,
) -> FloatArray:  # fmt: skip
    player = _name(before[0])
    change = v - before[3:6]
    normal = 0.6 * change / np.linalg.norm(change) + 0.4 * v / np.linalg.norm(v)
    normal /= np.linalg.norm(normal)
    after = np.concatenate([before[:3], v, w])
    rec.events.append(
        Event("racket", t, before[:3] - rec.radius * normal, before[:3].copy(), before[3:6].copy(),
              v, before[6:9].copy(), w, rally, rec.ball_id, player)
    )  # fmt: skip
    rec.strokes.append(MadeStroke(rally, number, player, t, kind, before[:3].copy(), normal, v, w))
    return after


def _wanted(share: float, settings: RallySettings, rng: np.random.Generator) -> str:
    if rng.random() < share:
        return str(rng.choice(["net", "long", "wide"], p=[0.4, 0.4, 0.2]))
    if rng.random() < settings.rare_share:
        return str(rng.choice(["cord", "edge"]))
    return "good"


def _play_point(
    rec: Recorder, world: Arena, t: float, state: FloatArray, server: float, rally: int,
    settings: RallySettings, rng: np.random.Generator,
) -> tuple[float, FloatArray, str, str]:  # fmt: skip
    """From the struck serve to the end: time, state, winner, reason."""
    striker, own_due, bounced = server, True, False
    number, past_net = 1, False
    on_net = 0  # touches of the net since the last of anything else
    while True:
        leg = fly_leg(world, state, 3.0, rng)
        x, y = leg.nodes[-1, 1], leg.nodes[-1, 2]
        if bounced:
            row = _hit_node(leg, rng)
            reach = rng.random() > 0.04 and row is not None
            if reach and row is not None:
                cut = leg.nodes[: row + 1]
                struck = _answer(world, cut[-1, 1:], settings, rng)
                if struck is not None:
                    rec.add(t, cut, FLIGHT)
                    t += cut[-1, 0]
                    number += 1
                    kind, v, w = struck
                    state = _strike(rec, t, cut[-1, 1:], v, w, kind, rally, number)
                    striker, bounced, past_net = -striker, False, False
                    continue
        rec.add(t, leg.nodes, FLIGHT)
        t += leg.nodes[-1, 0]
        state = leg.after
        if leg.code == k.FREE:
            continue
        rec.touch(t, leg, rally)
        if leg.code in (k.NET, k.CORD):
            past_net = True
            on_net += 1
            if on_net > MOST_TOUCHES:  # it leans on the net and only trembles
                return t, state, _name(-striker), "net"
            continue
        on_net = 0
        on_table = leg.code in (k.TABLE, k.EDGE)
        if bounced:
            reason = "double_bounce" if on_table and x * striker < 0 else "missed"
            return t, state, _name(striker), reason
        if on_table and own_due and x * striker > 0:
            own_due = False
        elif on_table and not own_due and x * striker < 0:
            bounced = True
        else:
            if past_net:
                reason = "net"
            elif on_table:
                reason = "own_side" if x * striker > 0 else "long"
            elif leg.code == k.SIDE:
                reason = "side"
            else:
                reason = "wide" if abs(y) > HALF_Y + 0.3 and abs(x) < HALF_X + 0.3 else "long"
            return t, state, _name(-striker), reason


def _answer(
    world: Arena, before: FloatArray, settings: RallySettings, rng: np.random.Generator
) -> tuple[str, FloatArray, FloatArray] | None:
    """A stroke for a ball that can be reached, or None where none would do what is wanted."""
    wanted = _wanted(settings.mistake_share, settings, rng)
    for attempt in range(4):
        kind = _choose_kind(before[:3], before[3:6], rng)
        tries = settings.tries if wanted in ("cord", "edge") else settings.tries // 3
        found = find_stroke(world, before[:3], STROKES[kind], wanted, rng, tries)
        if found is not None:
            return kind, found[0], found[1]
        if attempt >= 1:
            wanted = "good"
    return None


def _serve(
    rec: Recorder, world: Arena, t: float, start: FloatArray, server: float, rally: int,
    settings: RallySettings, rng: np.random.Generator, release_s: float | None,
) -> tuple[float, float, float, FloatArray]:  # fmt: skip
    """From the ball in hand, at time t or so that it is let go at release_s, to the struck serve.

    Returns the times of the ball in hand, of its release and of the strike, and the state then.
    """
    for _ in range(200):
        x = server * (HALF_X + rng.uniform(0.08, 0.35))
        y = rng.uniform(-0.55, 0.55)
        hold = np.array([x, y, rng.uniform(0.08, 0.30)])
        rise = rng.uniform(0.17, 0.45)
        strike_z = float(np.clip(hold[2] + rng.uniform(-0.05, 0.10), 0.07, hold[2] + rise - 0.05))
        swing, free = _toss(world, hold, strike_z, rise, rng)
        kind = str(rng.choice(list(SERVES)))
        wanted = _wanted(settings.serve_mistake_share, settings, rng)
        wanted = wanted if wanted in ("net", "long") else "good"
        found = find_stroke(world, free[-1, 1:4], SERVES[kind], wanted, rng, 8, serve=True)
        if found is not None:
            break
    else:
        raise RuntimeError("no serve found: the ball's physics leave no serve possible")
    move = smooth_move(start, hold, max(0.5, float(np.linalg.norm(hold - start)) / 2.2))
    settle = rng.uniform(*settings.settle_s)
    if release_s is not None:
        t = release_s - move[-1, 0] - settle - swing[-1, 0]
    begin = t
    rec.add(t, move, HAND)
    t += move[-1, 0]
    rec.hold(t, hold, settle, HAND)
    t += settle
    rec.add(t, swing, HAND)
    t += swing[-1, 0]
    release = t
    s = free[0, 1:]
    rec.events.append(
        Event("toss_release", t, s[:3] - [0, 0, world.radius], s[:3].copy(), s[3:6].copy(),
              s[3:6].copy(), s[6:9].copy(), s[6:9].copy(), rally, rec.ball_id, _name(server))
    )  # fmt: skip
    rec.add(t, free, TOSS)
    t += free[-1, 0]
    v, w = found
    state = _strike(rec, t, free[-1, 1:], v, w, kind, rally, 1)
    return begin, release, t, state


def play_game(
    physics: BallPhysics,
    hall: Hall,
    rng: np.random.Generator,
    duration_s: float,
    settings: RallySettings = RallySettings(),
    t0_s: float = 0.0,
) -> Game:
    """Points played one after another until the time is over.

    Parameters
    ----------
    physics : BallPhysics
        The ball's coefficients.
    hall : Hall
        The room, for walls and surrounds.
    rng : numpy.random.Generator
        Source of every choice.
    duration_s : float
        World time that must be covered [s]; the last point may run beyond it.
    settings : RallySettings
        How play goes on.
    t0_s : float
        World time at which the first ball lies in the hand [s].

    Returns
    -------
    Game
        The balls' paths with all touches, strokes and points.
    """
    world = make_arena(physics, hall)
    rec = Recorder(world.radius)
    server = float(rng.choice([-1.0, 1.0]))
    end = t0_s + duration_s
    release_s: float | None = t0_s + rng.uniform(*settings.first_toss_s)
    t = t0_s
    start = np.array([server * (HALF_X + 0.2), rng.uniform(-0.3, 0.3), 0.15])
    rally = 0
    while t < end:
        t_start, release, t, state = _serve(
            rec, world, t, start, server, rally, settings, rng, release_s
        )
        t_serve, release_s = t, None
        t, state, winner, reason = _play_point(rec, world, t, state, server, rally, settings, rng)
        rec.rallies.append(
            MadeRally(
                rally, _name(server), t_start, release, t_serve, t,
                sum(s.rally == rally for s in rec.strokes), winner, reason, rec.ball_id,
            )
        )  # fmt: skip
        pick = t + rng.uniform(*settings.pick_up_s)
        rally += 1
        if rally % 2 == 0:
            server = -server
        start, t = _next_ball(rec, world, t, pick, state, server, rally - 1, end, rng)
    _let_go(rec, world, t, np.concatenate([start, np.zeros(6)]), t, rally, rng)
    rec.close_path()
    paths = tuple(p for p in rec.paths if p.t_s[0] < end)
    return Game(
        paths,
        tuple(sorted((e for e in rec.events if e.ball_id < len(paths)), key=lambda e: e.t_s)),
        tuple(rec.strokes),
        tuple(rec.rallies),
        world.radius,
    )


def _next_ball(
    rec: Recorder, world: Arena, t: float, pick: float, state: FloatArray, server: float,
    rally: int, end: float, rng: np.random.Generator,
) -> tuple[FloatArray, float]:  # fmt: skip
    """The dead ball, then the place and time at which the next one is in the server's hand."""
    last = _let_go(rec, world, t, state, pick, rally, rng)
    x, y, z = last[:3]
    near = x * server > 0.3 and abs(x) < 3.6 and abs(y) < 2.2 and z < 0.6
    if near:
        return last[:3].copy(), pick
    # out of reach: it lies where it lies, and another comes from the pocket
    _let_go(rec, world, pick, last, max(end, pick) + 1.0, rally, rng)
    rec.close_path()
    return np.array([server * (HALF_X + 0.45), rng.uniform(-0.2, 0.2), -0.05]), pick
