"""Two players made of limbs: where they stand, how they swing, and their bodies as capsules.

A player is steered by a few keyframes (feet, crouch, racket, free hand) that the game dictates:
the racket meets the ball at each stroke, the free hand carries it before a serve. The rest of the
body follows by the lengths of arms and legs.
"""
# mypy: allow-untyped-defs

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.interpolate import PchipInterpolator

from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.simulate.path import HAND, Game
from halfvolley.simulate.scene import FLOOR_Z_M, PlayerLook
from halfvolley.types import FloatArray

HALF_X = TABLE_LENGTH_M.value / 2
N_LIMBS = 28
LIMB_COLUMNS = 19
"""A limb: end (3), radius, end (3), radius, colour (3), second colour (3), its span along the
limb (2), kind (0 capsule, 1 disc with its normal in place of the second end), 2 spare."""

# Controls of one moment (20): root x, y; height of the pelvis; racket blade (3) and its normal (3);
# free hand (3); feet (3 + 3); facing x, y.
CURVE_STEP_S = 1.0 / 300.0
"""Step of the tables of motion; straight lines between them err by 0.2 mm in the fastest swing."""


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """A player with all his or her motion."""

    look: PlayerLook
    side: float  # -1 at A, +1 at B
    seed: int
    t0_s: float  # time of the first row of `curve`
    curve: FloatArray  # (n, 12) root, crouch, blade, normal, free hand every CURVE_STEP_S
    paint: FloatArray  # colours as the skeleton takes them

    def controls(self, t_s: FloatArray) -> FloatArray:
        """(n, 20) controls at times (n,) [s]."""
        height = self.look.height_m / 1.75
        phase = float(self.seed % 97)
        return controls_at(self.curve, self.t0_s, np.atleast_1d(t_s), self.side, height, phase)

    def limbs(self, controls: FloatArray) -> FloatArray:
        """(n, N_LIMBS, LIMB_COLUMNS) bodies under these controls."""
        return skeletons(controls, self.look.height_m / 1.75, self._hand, self.paint)

    @property
    def _hand(self) -> float:
        return -1.0 if self.look.left_handed else 1.0


def _paint(look: PlayerLook) -> FloatArray:
    rows = [
        look.skin, look.hair, look.shirt, look.stripe or look.shirt, look.shorts,
        look.shorts if look.trousers else look.skin, look.shoes, look.racket_front,
        look.racket_back, (0.35, 0.22, 0.1),
    ]  # fmt: skip
    return np.array(rows, dtype=np.float64)


def make_figure(game: Game, look: PlayerLook, side: float, seed: int) -> Figure:
    """The player at one end, moved by a game.

    Parameters
    ----------
    game : Game
        Whose strokes and serves are played.
    look : PlayerLook
        Size, hand and colours.
    side : float
        -1 for the end at x < 0, +1 for the other.
    seed : int
        Of small habits.

    Returns
    -------
    Figure
        Ready to be drawn at any time.
    """
    rng = np.random.default_rng(seed)
    ahead = np.array([-side, 0.0])
    right = np.array([0.0, -ahead[0]])
    hand = -1.0 if look.left_handed else 1.0
    swing = right * hand  # from the body towards the playing hand
    ready_root = np.array([side * (HALF_X + rng.uniform(0.5, 0.8)), 0.0]) - 0.15 * swing
    keys = _Keys(ahead, swing, ready_root, FLOOR_Z_M + 0.80 * look.height_m / 1.75)
    name = "A" if side < 0 else "B"
    strokes = [s for s in game.strokes if s.player == name]
    busy = _carry_keys(game, name, keys)
    times = np.array([s.t_s for s in strokes])
    for s in strokes:
        _stroke_keys(s.t_s, s.centre_m - (game.radius_m + 0.008) * s.normal, s.normal, s.v_mps,
                     side, keys)  # fmt: skip
    first = float(game.paths[0].t_s[0]) - 1.0 if game.paths else 0.0
    last = max([first, *(float(s.t_s) for s in game.strokes)]) + 5.0
    for t in np.arange(first, last, 0.45):
        if np.all(np.abs(times - t) > 0.55) and not any(a - 0.5 < t < b + 0.3 for a, b in busy):
            keys.ready(t, rng)
    # a key at both ends, whatever the game does
    keys.ready(first - 0.1, rng)
    keys.ready(last + 0.1, rng)
    curve = keys.curve(np.arange(first, last, CURVE_STEP_S))
    return Figure(look, side, seed, first, curve, _paint(look))


class _Keys:
    """Keyframes under construction; a later word at the same moment wins by its weight."""

    def __init__(
        self, ahead: FloatArray, swing: FloatArray, root: FloatArray, crouch: float
    ) -> None:
        self.ahead, self.swing, self.root, self.crouch = ahead, swing, root, crouch
        self.rows: dict[str, list[tuple[float, int, FloatArray]]] = {
            "root": [], "blade": [], "free": []
        }  # fmt: skip

    def add(self, part: str, t: float, weight: int, values: FloatArray) -> None:
        self.rows[part].append((float(t), weight, np.asarray(values, dtype=np.float64)))

    def ready(self, t: float, rng: np.random.Generator) -> None:
        root = self.root + rng.normal(0.0, 0.06, 2)
        self.add("root", t, 0, np.append(root, self.crouch + rng.normal(0, 0.01)))
        self.relax(t, root, rng)

    def relax(self, t: float, root: FloatArray, rng: np.random.Generator) -> None:
        """Racket and free hand before the body."""
        blade = np.append(root + 0.42 * self.ahead + 0.18 * self.swing, 0.12)
        normal = np.append(self.ahead - 0.3 * self.swing, 0.1)
        self.add("blade", t, 0, np.concatenate([blade + rng.normal(0, 0.02, 3), normal]))
        free = np.append(root + 0.38 * self.ahead - 0.2 * self.swing, 0.1)
        self.add("free", t, 0, free + rng.normal(0, 0.02, 3))

    def curve(self, t_s: FloatArray) -> FloatArray:
        """(n, 12) all controls at times (n,), smooth from key to key."""
        parts = []
        for name, width in (("root", 3), ("blade", 6), ("free", 3)):
            rows = sorted(self.rows[name], key=lambda r: r[0])
            kept: list[tuple[float, int, FloatArray]] = []
            for row in rows:
                if kept and row[0] - kept[-1][0] < 0.04:
                    if row[1] > kept[-1][1]:
                        kept[-1] = row
                    continue
                kept.append(row)
            t = np.array([r[0] for r in kept])
            y = np.stack([r[2] for r in kept])
            assert y.shape[1] == width
            parts.append(PchipInterpolator(t, y)(np.clip(t_s, t[0], t[-1])))
        return np.ascontiguousarray(np.concatenate(parts, axis=1))


def _stroke_keys(
    t: float, blade: FloatArray, normal: FloatArray, v: FloatArray, side: float, keys: _Keys
) -> None:
    """Backswing, contact and follow-through, and feet that bring the arm there."""
    ahead, swing = keys.ahead, keys.swing
    along = v / np.linalg.norm(v)
    forehand = np.dot(blade[:2] - keys.root, swing) > -0.12
    reach = 0.42 if forehand else 0.08
    root = blade[:2] - 0.42 * ahead - reach * swing
    if abs(root[1]) < 1.0:
        root[0] = side * max(side * root[0], HALF_X + 0.28)
    low = min(keys.crouch, keys.crouch + 0.6 * (blade[2] - 0.15))
    for dt in (-0.06, 0.06):
        keys.add("root", t + dt, 2, np.append(root - 0.08 * np.sign(dt) * ahead * -1, low))
    size = np.clip(np.linalg.norm(v) / 14.0, 0.35, 1.0)
    back = (
        blade - size * (0.34 * along + np.array([0, 0, 0.10])) + 0.10 * size * np.append(swing, 0.0)
    )
    follow = blade + size * (0.30 * along + np.array([0, 0, 0.14]))
    turned = normal + 0.5 * np.append(swing, 0.0) * (1 if forehand else -1)
    keys.add("blade", t - 0.20, 1, np.concatenate([back, turned]))
    # three keys around the touch keep the blade on the line of its stroke
    pace = 0.9 * size * 0.45 * np.linalg.norm(v) ** 0.5
    for dt in (-0.03, 0.0, 0.03):
        keys.add(
            "blade",
            t + dt * 1.34,
            3,
            np.concatenate([blade + pace * dt * along * (1 if dt else 0), normal]),
        )
    keys.add("blade", t + 0.16, 1, np.concatenate([follow, normal + 0.4 * np.append(ahead, 0.0)]))
    free = np.append(root + 0.3 * ahead - 0.35 * swing, 0.15)
    keys.add("free", t, 1, free)


def _carry_keys(game: Game, name: str, keys: _Keys) -> list[tuple[float, float]]:
    """The free hand under the ball from pick-up to toss; returns the spans of time."""
    spans = []
    for rally in game.rallies:
        if rally.server != name or rally.ball_id >= len(game.paths):
            continue
        path = game.paths[rally.ball_id]
        t = np.append(np.arange(rally.t_start_s, rally.t_toss_s - 0.02, 0.05), rally.t_toss_s)
        inside = path.state[path.piece(t - 1e-9)] == HAND
        t = t[inside]
        if not len(t):
            continue
        xyz = path.xyz_at(t)
        for when, p in zip(t, xyz, strict=True):
            keys.add("free", when, 2, p - [0, 0, game.radius_m + 0.035])
            root = p[:2] - 0.36 * keys.ahead + 0.22 * keys.swing
            root[0] = -keys.ahead[0] * max(-keys.ahead[0] * root[0], HALF_X + 0.34)
            crouch = keys.crouch + np.clip(0.75 * (p[2] - 0.1), -0.42, 0.06)
            keys.add("root", when, 1, np.append(root, crouch))
        root = xyz[-1, :2] - 0.36 * keys.ahead + 0.22 * keys.swing
        keys.add("free", rally.t_toss_s + 0.12, 1, xyz[-1] + [0, 0, 0.06])
        keys.add(
            "free",
            rally.t_toss_s + 0.35,
            1,
            np.append(root + 0.3 * keys.ahead - 0.3 * keys.swing, 0.05),
        )
        for when in np.arange(t[0], t[-1] - 0.3, 0.4):
            i = int(np.searchsorted(t, when))
            base = xyz[min(i, len(xyz) - 1), :2] - 0.36 * keys.ahead + 0.22 * keys.swing
            blade = np.append(base + 0.3 * keys.ahead + 0.3 * keys.swing, 0.02)
            keys.add("blade", when, 0, np.concatenate([blade, np.append(keys.ahead, 0.2)]))
        spans.append((float(t[0]), float(rally.t_serve_s)))
    return spans


@njit(cache=True)
def _curve_at(curve, t0, t, column):
    s = min(max((t - t0) / CURVE_STEP_S, 0.0), curve.shape[0] - 1.001)
    k = int(s)
    return curve[k, column] + (s - k) * (curve[k + 1, column] - curve[k, column])


@njit(cache=True)
def controls_at(curve, t0, t_s, side, h, phase):
    """(n, 20) controls of a player of relative height h at times (n,).

    The feet follow the body, one late and one early, and are lifted where it moves.
    """
    out = np.empty((t_s.shape[0], 20))
    for i in range(t_s.shape[0]):
        t = t_s[i]
        for c in range(12):
            out[i, c] = _curve_at(curve, t0, t, c)
        out[i, 0] += 0.012 * math.sin(1.7 * t + phase)
        out[i, 1] += 0.012 * math.cos(2.3 * t + phase)
        for j in range(2):
            late = t - 0.10 if j == 0 else t + 0.03
            x, y = _curve_at(curve, t0, late, 0), _curve_at(curve, t0, late, 1)
            dx = _curve_at(curve, t0, late + 0.02, 0) - x
            dy = _curve_at(curve, t0, late + 0.02, 1) - y
            speed = math.sqrt(dx * dx + dy * dy) / 0.02
            out[i, 12 + 3 * j] = x - side * (0.10 if j else -0.04)
            out[i, 13 + 3 * j] = y + side * h * (0.21 if j else -0.21)
            lift = min(0.06 * speed, 0.14) * (0.5 + 0.5 * math.sin(14.0 * t + 3.1 * j))
            out[i, 14 + 3 * j] = FLOOR_Z_M + 0.075 + lift
        # shoulders turn a little towards the racket
        x, y = -side + 0.35 * (out[i, 3] - out[i, 0]), 0.35 * (out[i, 4] - out[i, 1])
        norm = math.sqrt(x * x + y * y)
        out[i, 18], out[i, 19] = x / norm, y / norm
    return out


# --- the body ----------------------------------------------------------------------------------
@njit(cache=True)
def _bend(a, b, upper, lower, pole, joint):
    """joint (3,) of a chain from a towards b, bent towards pole; b moves to what can be reached."""
    d = b - a
    dist = math.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    if dist < 1e-6:
        dist = 1e-6
    u = d / dist
    far = 0.999 * (upper + lower)
    if dist > far:
        for i in range(3):
            b[i] = a[i] + u[i] * far
        dist = far
    near = abs(upper - lower) + 0.02
    if dist < near:
        dist = near
    along = (upper * upper - lower * lower + dist * dist) / (2.0 * dist)
    out = math.sqrt(max(upper * upper - along * along, 0.0))
    side = pole - (pole[0] * u[0] + pole[1] * u[1] + pole[2] * u[2]) * u
    norm = math.sqrt(side[0] ** 2 + side[1] ** 2 + side[2] ** 2)
    if norm < 1e-6:
        norm = 1.0
    for i in range(3):
        joint[i] = a[i] + along * u[i] + out * side[i] / norm


@njit(cache=True)
def _limb(out, i, a, ra, b, rb, colour, second, t0, t1, kind):
    for k in range(3):
        out[i, k] = a[k]
        out[i, 4 + k] = b[k]
        out[i, 8 + k] = colour[k]
        out[i, 11 + k] = second[k]
    out[i, 3] = ra
    out[i, 7] = rb
    out[i, 14] = t0
    out[i, 15] = t1
    out[i, 16] = kind
    out[i, 17] = 0.0
    out[i, 18] = 0.0


@njit(cache=True)
def skeletons(controls, h, hand, paint):
    """(n, N_LIMBS, LIMB_COLUMNS) bodies of a player of relative height h; hand +1 is right."""
    n = controls.shape[0]
    out = np.zeros((n, N_LIMBS, LIMB_COLUMNS))
    for i in range(n):
        _skeleton(controls[i], h, hand, paint, out[i])
    return out


@njit(cache=True)
def _skeleton(c, h, hand, paint, out):
    skin, hair, shirt, stripe, shorts = paint[0], paint[1], paint[2], paint[3], paint[4]
    leg, shoes, front, back, wood = paint[5], paint[6], paint[7], paint[8], paint[9]
    up = np.array([0.0, 0.0, 1.0])
    face = np.array([c[18], c[19], 0.0])
    right = np.array([c[19], -c[18], 0.0])
    pelvis = np.array([c[0], c[1], c[2]])
    blade = c[3:6].copy()
    normal = c[6:9] / math.sqrt(c[6] ** 2 + c[7] ** 2 + c[8] ** 2 + 1e-12)
    free = c[9:12].copy()
    # the lower the crouch, the more the trunk leans
    lean = 0.30 + 1.2 * max(0.0, 0.04 - (c[2] - (-0.76 + 0.80 * h))) * 1.6
    lean = min(lean, 1.15)
    spine = math.sin(lean) * face + math.cos(lean) * up
    chest = pelvis + 0.40 * h * spine
    # lean over for a ball that is out of the arm's reach
    shoulder = chest + hand * 0.19 * h * right
    d = blade - shoulder
    over = math.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2) - 0.62 * h
    if over > 0.0:
        give = min(over, 0.32) / (over + 0.62 * h)
        chest = chest + give * d
    sr = chest + 0.19 * h * right
    sl = chest - 0.19 * h * right
    hip_r = pelvis + 0.10 * h * right
    hip_l = pelvis - 0.10 * h * right
    neck = chest + 0.09 * h * spine
    head = neck + 0.14 * h * (0.25 * face + up)
    arm_s = sr if hand > 0 else sl
    arm_f = sl if hand > 0 else sr
    # the handle points from the blade towards the shoulder, in the blade's plane
    d = arm_s - blade
    handle = d - (d[0] * normal[0] + d[1] * normal[1] + d[2] * normal[2]) * normal
    handle = handle / math.sqrt(handle[0] ** 2 + handle[1] ** 2 + handle[2] ** 2 + 1e-9)
    grip = blade + 0.135 * handle
    elbow = np.zeros(3)
    elbow_f = np.zeros(3)
    _bend(arm_s, grip, 0.29 * h, 0.27 * h, hand * 0.6 * right - up - 0.3 * face, elbow)
    _bend(arm_f, free, 0.29 * h, 0.27 * h, -hand * 0.6 * right - up - 0.3 * face, elbow_f)
    none = skin
    _limb(
        out,
        0,
        hip_r - 0.02 * right,
        0.105 * h,
        sr - 0.075 * h * right,
        0.115 * h,
        shirt,
        stripe,
        0.45,
        0.72,
        0,
    )
    _limb(
        out,
        1,
        hip_l + 0.02 * right,
        0.105 * h,
        sl + 0.075 * h * right,
        0.115 * h,
        shirt,
        stripe,
        0.45,
        0.72,
        0,
    )
    _limb(out, 2, sr - 0.02 * right, 0.065 * h, sl + 0.02 * right, 0.065 * h, shirt, shirt, 2, 2, 0)
    _limb(
        out,
        3,
        chest + 0.05 * h * spine,
        0.06 * h,
        neck + 0.04 * h * up,
        0.05 * h,
        skin,
        none,
        2,
        2,
        0,
    )
    _limb(
        out,
        4,
        head - 0.03 * h * up,
        0.082 * h,
        head + 0.025 * h * up,
        0.092 * h,
        skin,
        none,
        2,
        2,
        0,
    )
    _limb(
        out,
        5,
        head + (0.05 * up - 0.025 * face) * h,
        0.088 * h,
        head + (0.01 * up - 0.04 * face) * h,
        0.085 * h,
        hair,
        none,
        2,
        2,
        0,
    )
    _limb(
        out,
        6,
        head + 0.085 * h * face,
        0.016 * h,
        head + 0.09 * h * face - 0.01 * up,
        0.018 * h,
        skin,
        none,
        2,
        2,
        0,
    )
    j = 7
    for a in range(2):
        s = arm_s if a == 0 else arm_f
        e = elbow if a == 0 else elbow_f
        w = grip if a == 0 else free
        cut = s + 0.55 * (e - s)
        _limb(out, j, s, 0.062 * h, cut, 0.056 * h, shirt, stripe, 0.8, 1.0, 0)
        _limb(out, j + 1, cut, 0.043 * h, e, 0.038 * h, skin, none, 2, 2, 0)
        _limb(out, j + 2, e, 0.038 * h, w, 0.027 * h, skin, none, 2, 2, 0)
        tip = w + 0.05 * h * (w - e) / (math.sqrt(((w - e) ** 2).sum()) + 1e-9)
        if a == 1:
            tip = w + 0.06 * h * face
        _limb(out, j + 3, w, 0.036 * h, tip, 0.034 * h, skin, none, 2, 2, 0)
        j += 4
    knee = np.zeros(3)
    for a in range(2):
        hip = hip_l if a == 0 else hip_r
        foot = c[12:15].copy() if a == 0 else c[15:18].copy()
        wide = -0.25 if a == 0 else 0.25
        if right[1] * (-face[0]) < 0.0:
            wide = -wide
        _bend(hip, foot, 0.43 * h, 0.43 * h, face + wide * right, knee)
        cut = hip + 0.62 * (knee - hip)
        _limb(out, j, hip, 0.095 * h, cut, 0.085 * h, shorts, none, 2, 2, 0)
        _limb(out, j + 1, cut, 0.075 * h, knee, 0.06 * h, leg, none, 2, 2, 0)
        _limb(out, j + 2, knee, 0.058 * h, foot, 0.042 * h, leg, none, 2, 2, 0)
        heel = foot - 0.05 * face - 0.03 * up
        toe = foot + 0.15 * face - 0.035 * up
        _limb(out, j + 3, heel, 0.044 * h, toe, 0.04 * h, shoes, none, 2, 2, 0)
        j += 4
    _limb(out, j, blade + 0.075 * handle, 0.013, grip + 0.03 * handle, 0.014, wood, none, 2, 2, 0)
    _limb(out, j + 1, blade, 0.077, normal, 0.0, front, back, 2, 2, 1)
    belly, breast = pelvis + 0.02 * h * up, chest - 0.02 * h * spine
    _limb(out, j + 2, belly, 0.115 * h, breast, 0.125 * h, shirt, stripe, 0.45, 0.72, 0)
