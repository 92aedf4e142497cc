"""A flight that left the picture and came back: one flight, unseen for up to two seconds.

A lob leaves above the picture and falls back into it. Where both parts were about to be out of the
picture, and one flight that stays out of it between them explains both, they are that flight.
"""

import math

import numpy as np

from halfvolley.camera.projection import rotations
from halfvolley.flight.gap import through
from halfvolley.flight.junctions import FLOOR_Z_M, outside
from halfvolley.flight.landing import along
from halfvolley.flight.refine import Course, Setting, air_of, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.shared import INTRINSICS, SHIFT, TURN
from halfvolley.physics.kernels import fly_sensitivities
from halfvolley.types import FloatArray

ROUNDS = 8  # of the search for the velocity that leads from one place to another
HIT_M = 0.01


def came_back(a: Course, b: Course, s: Setting, settings: FlightSettings) -> Course | None:
    """Both courses in one, not yet refined, whose middle arc was out of the picture; or None.

    It costs too little to be chance, and it hits neither the floor nor the table.
    """
    t_a, t_b = float(s.seen.t_s[a.rows[-1]]), float(s.seen.t_s[b.rows[0]])
    if not s.frame_s < t_b - t_a < settings.max_away_s or t_a < a.starts[-1]:
        return None
    if b.n_arcs > 1 and t_b >= b.starts[1]:
        return None
    reach = s.frame_s * np.arange(1, settings.reach_frames + 1, dtype=np.float64)
    if not (_leaves(a, t_a + reach, s) and _leaves(b, t_b - reach[::-1], s)):
        return None
    left = refine(a.part(max(a.n_arcs - 2, 0), a.n_arcs - 1, s.seen.t_s[a.rows]), s, 6)
    right = refine(b.part(0, min(1, b.n_arcs - 1), s.seen.t_s[b.rows]), s, 6)
    trials = [refine(through(left, right, s, x), s, 40) for x in _starts(left, right, t_b, s)]
    both = min(trials, key=lambda trial: trial.cost)
    if not both.cost < left.cost + right.cost + settings.junction_cost:
        return None
    at = left.n_arcs - 1
    unseen = np.arange(t_a + reach[-1], t_b - reach[-1], s.frame_s)
    if not _stays_out(both, at, unseen, s):
        return None
    return through(a, b, s, both.states[at])


def _leaves(c: Course, t_s: FloatArray, s: Setting) -> bool:
    """Whether the last or first arc of a course, followed on, is out of the picture by then."""
    arc = c.n_arcs - 1 if t_s[0] > c.starts[-1] else 0
    places = along(c, s, arc, t_s - c.starts[arc])[:, :3]
    return bool(_is_out(c, places, s).any())


def _stays_out(c: Course, arc: int, t_s: FloatArray, s: Setting) -> bool:
    """Whether an arc is out of the picture at all these times, and in the air."""
    places = along(c, s, arc, t_s - c.starts[arc])[:, :3]
    low = [z < (0.0 if outside(x, y) == 0.0 else FLOOR_Z_M) for x, y, z in places]
    return bool(_is_out(c, places, s).all()) and not any(low)


def _is_out(c: Course, places: FloatArray, s: Setting) -> FloatArray:
    """(n,) whether places (n, 3) lie above the picture or beside it.

    Far outside, the law of distortion may lead back into the picture; what lies further out than
    its corners is not asked.
    """
    row, g = c.rows[0], c.globals
    f, cx, cy, k1, k2 = s.intrinsics + g[INTRINSICS]
    turn = rotations(g[None, TURN])[0] @ s.seen.R[row]
    ahead = places @ turn.T + s.seen.t_m[row] + g[SHIFT]
    ab = ahead[:, :2] / np.maximum(ahead[:, 2:], 0.1)
    r2 = np.sum(ab**2, axis=1)
    u, v = (f * (1.0 + r2 * (k1 + k2 * r2)) * ab.T) + np.array([[cx], [cy]])
    width, height = s.size_px
    far = f * np.sqrt(r2) > 1.2 * math.hypot(max(cx, width - cx), max(cy, height - cy))
    below = ab[:, 1] > (height - cy) / f
    return np.asarray(((u < 0.0) | (u > width - 1.0) | (v < 0.0) | far) & ~below)


def _starts(left: Course, right: Course, t_s: float, s: Setting) -> list[FloatArray]:
    """States (9,) at the start of the last arc of one course, as each of the two knows it best.

    The other course's flight is followed back; and where the first one's place is known better,
    what leads from there to the place of the other at a time. A short flight says too little of
    its velocity to be followed for a second.
    """
    arc, back = left.n_arcs - 1, np.array([left.starts[-1] - right.starts[0]])
    came = along(right, s, 0, back)[0]
    target = along(right, s, 0, np.array([t_s - right.starts[0]]))[0, :3]
    x, span = left.states[arc].copy(), np.array([t_s - left.starts[arc]])
    for _ in range(ROUNDS):
        states, jac = fly_sensitivities(x[:3], x[3:6], x[6:9], *air_of(left, s, arc), span)
        off = target - states[0, :3]
        if not np.all(np.isfinite(off)):
            break
        if np.linalg.norm(off) < HIT_M:
            return [came, x]
        x[3:6] += np.linalg.solve(jac[0, :3, 3:6], off)
    return [came]
