"""What may lie between two courses: a touch, or a stroke and a bounce with nothing seen between.

A server strikes a few hundredths of a second before the first bounce, and a half volley comes as
soon after one. Neither touch alone lets the flights before and after meet; the two together do.
"""

import math

import numpy as np

from halfvolley.constants import BALL_RADIUS_M
from halfvolley.flight.junctions import Kind, outside
from halfvolley.flight.landing import along
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.serves import TOSS_MPS
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.shared import LAW
from halfvolley.physics.kernels import bounce
from halfvolley.types import FloatArray, IntArray

R = BALL_RADIUS_M.value
EARLY = 0.15  # share of the gap before the first touch, and after the second, to begin with


def end_to_end(
    a: Course, b: Course, kinds: tuple[Kind, ...], starts: FloatArray, states: FloatArray,
    s: Setting, chances: tuple[float, ...] | None = None,
) -> Course:  # fmt: skip
    """Both courses in one, not yet refined, with touches (m,) between, and the states after them.

    The last of these states replaces that at the start of b.
    """
    rows = one_each(np.unique(np.concatenate([a.rows, b.rows])), s)
    more = np.zeros((len(kinds) - 1, 2))
    return Course(
        rows, (*a.kinds, *kinds, *b.kinds),
        (*a.chances, *(chances or (0.0,) * len(kinds)), *b.chances),
        np.vstack([a.states, states, b.states[1:]]),
        np.concatenate([a.starts, starts, b.starts[1:]]), np.vstack([a.own_air, more, b.own_air]),
        a.globals, scale=max(a.scale, b.scale),
    )  # fmt: skip


def through(a: Course, b: Course, s: Setting, start: FloatArray | None = None) -> Course:
    """Both courses in one, not yet refined, whose middle arc was out of sight for a while."""
    rows = one_each(np.unique(np.concatenate([a.rows, b.rows])), s)
    states = np.vstack([a.states, b.states[1:]])
    if start is not None:
        states[a.n_arcs - 1] = start
    return Course(
        rows, (*a.kinds, *b.kinds), (*a.chances, *b.chances), states,
        np.concatenate([a.starts, b.starts[1:]]), np.vstack([a.own_air, b.own_air[1:]]), a.globals,
        scale=max(a.scale, b.scale),
    )  # fmt: skip


def one_each(rows: IntArray, s: Setting) -> IntArray:
    """Of several rows of one frame, the last."""
    keep = np.append(np.diff(s.seen.frame[rows]) > 0, True)
    return rows[keep]


def stroke_and_bounce(a: Course, b: Course, s: Setting, settings: FlightSettings) -> Course | None:
    """The courses in one, refined, with a bounce after a stroke or before it in the gap; or None.

    A ball that was tossed is struck first, any other bounces first.
    """
    t_a, t_b = float(s.seen.t_s[a.rows[-1]]), float(s.seen.t_s[b.rows[0]])
    if not s.frame_s < t_b - t_a < settings.two_touches_s:
        return None
    inside = np.array([t_a, t_b]) + EARLY * (t_b - t_a) * np.array([1.0, -1.0])
    # the last sighting before the gap may lie after the first touch
    trials = [_between(a, b, inside - np.array([late, 0.0]), s) for late in (0.0, 0.75 * s.frame_s)]
    return min((t for t in trials if t is not None), key=lambda t: t.cost, default=None)


def _between(a: Course, b: Course, starts: FloatArray, s: Setting) -> Course | None:
    """The courses in one with both touches, sought from these times (2,) on."""
    if starts[0] <= a.starts[-1]:
        return None
    end = along(a, s, a.n_arcs - 1, starts[:1] - a.starts[-1])[0]
    begin = along(b, s, 0, starts[1:] - b.starts[0])[0]
    tossed = math.hypot(end[3], end[4]) < TOSS_MPS
    after = _struck_first(end, begin, starts, b, s) if tossed else _bounced_first(end, begin, s)
    if after is None:
        return None
    kinds: tuple[Kind, ...] = ("racket", "table") if tossed else ("table", "racket")
    return refine(end_to_end(a, b, kinds, starts, after, s), s, 25)


def _struck_first(
    end: FloatArray, begin: FloatArray, starts: FloatArray, b: Course, s: Setting
) -> FloatArray | None:
    """States (2, 9) after the stroke and after the bounce, that one moved down to the table.

    A short flight looks the same from the camera if it grows with its distance.
    """
    row = b.rows[0]
    eye = -s.seen.R[row].T @ s.seen.t_m[row]
    away = float(begin[2] - eye[2])
    grow = (R - eye[2]) / away if abs(away) > 1e-6 else 0.0
    place = eye + grow * (begin[:3] - eye)
    if not 0.3 < grow < 3.0 or outside(float(place[0]), float(place[1])) > 0.0:
        return None
    bounced = np.concatenate([place, grow * begin[3:6], begin[6:]])
    struck = np.concatenate([end[:3], (place - end[:3]) / (starts[1] - starts[0]), np.zeros(3)])
    return np.array([struck, bounced])


def _bounced_first(end: FloatArray, begin: FloatArray, s: Setting) -> FloatArray | None:
    """States (2, 9) after the bounce and after the stroke."""
    if end[5] >= 0.0 or outside(float(end[0]), float(end[1])) > 0.0:
        return None
    v, w = bounce(end[3:6], end[6:], *s.prior_mean[LAW], R)
    return np.array([np.concatenate([end[:3], v, w]), begin])
