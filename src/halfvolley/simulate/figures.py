"""Two players: where they stand and how they swing.

A player is steered by a few keyframes (feet, crouch, racket, free hand) that the game dictates:
the racket meets the ball at each stroke, the free hand carries it before a serve. The rest of the
body follows by the lengths of arms and legs (`body`).
"""
# mypy: allow-untyped-defs

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its parts are loaded when they are used
from numba import njit

from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.simulate.body import skeletons
from halfvolley.simulate.path import HAND, Game
from halfvolley.simulate.scene import FLOOR_Z_M, PlayerLook
from halfvolley.types import FloatArray

HALF_X = TABLE_LENGTH_M.value / 2

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
        """(n, limbs, columns) bodies under these controls."""
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
            parts.append(scipy.interpolate.PchipInterpolator(t, y)(np.clip(t_s, t[0], t[-1])))
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
