"""A serve whose stroke and own bounce nobody saw: a toss, and the flight that follows.

From an end the server's body hides the racket and often the bounce just after it. The toss tells
where the ball was struck, the flight after it where it came off the table, and the rules that
nothing but a stroke and that bounce lie between.
"""

from dataclasses import replace

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.flight.course import touch_state
from halfvolley.flight.junctions import place_cost
from halfvolley.flight.kernels import fit_free
from halfvolley.flight.landing import along, before_bounce, crossing
from halfvolley.flight.pieces import prior
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.types import FloatArray

R = BALL_RADIUS_M.value
TOSS_MPS = 1.0  # a tossed ball travels no faster than this along the floor,
TOSS_SD = (0.3, 30.0)  # and mostly in m/s and with a spin in rad/s
MOST_CHI2 = 20.5  # of five degrees: one true toss of a thousand lies beyond
FEWEST_SIGHTS = 4  # of a toss
SERVE_MPS = 2.5  # and a serve no slower along the table
BEHIND_M, BESIDE_M = 1.0, 0.5  # where a server of this table stands
WITHIN_M = 0.3  # and how far the stroke may lie inside the end, as the first guess knows it
APART_M = 0.3  # how far the toss may pass from the path to the bounce, as the first guess has it


def hidden_serve(
    toss: Course, after: Course, s: Setting, settings: FlightSettings
) -> tuple[Course, float] | None:
    """Both courses with the stroke and the bounce between, refined, and what that costs.

    Parameters
    ----------
    toss, after : Course
        The last arcs before the gap and the first ones after it.
    s : Setting
        Lines of sight and priors.
    settings : FlightSettings
        Limits.

    Returns
    -------
    tuple of Course and float, or None
        The course, and its cost with that of the places of its touches. None where the first is no
        toss or the second does not come up from the same half of the table.
    """
    t0, t1 = float(s.seen.t_s[toss.rows[-1]]), float(s.seen.t_s[after.rows[0]])
    tossed = _tossed(toss, s, settings)
    touch = crossing(after, s, t1, t1 - t0, settings.edge_m, forward=False)
    if tossed is None or touch is None:
        return None
    toss = replace(toss, states=np.vstack([toss.states[:-1], tossed]))
    bounce_s, out = touch
    struck = _struck(toss, s, t0, bounce_s, before_bounce(out, after.globals)[0])
    if struck is None:
        return None
    stroke_s, start = struck
    if not served(tossed, start, WITHIN_M) or start[0] * out[0] < 0.0:
        return None
    both = Course(
        np.unique(np.concatenate([toss.rows, after.rows])),
        (*toss.kinds, "racket", "table", *after.kinds),
        (*toss.chances, 0.0, 0.0, *after.chances),
        np.vstack([toss.states, start, out, after.states[1:]]),
        np.concatenate([toss.starts, [stroke_s, bounce_s], after.starts[1:]]),
        np.vstack([toss.own_air, np.zeros((1, 2)), after.own_air]),
        toss.globals, scale=max(toss.scale, after.scale),
    )  # fmt: skip
    whole = refine(both, s, 25)
    at = toss.n_arcs - 1
    places = place_cost("racket", touch_state(whole, s, at))
    places += place_cost("table", touch_state(whole, s, at + 1))
    return whole, whole.cost + places


def served(toss: FloatArray, after: FloatArray, within_m: float = 0.0) -> bool:
    """Whether the states (9,) before and after a stroke are those of a server of this table.

    `within_m` is how far the stroke may lie inside the end.
    """
    behind = abs(after[0]) - TABLE_LENGTH_M.value / 2
    beside = abs(after[1]) - TABLE_WIDTH_M.value / 2
    here = -within_m < behind < BEHIND_M and beside < BESIDE_M and after[2] > 0.0
    tossed = np.hypot(toss[3], toss[4]) < TOSS_MPS
    return bool(here and tossed and -np.sign(after[0]) * after[3] > SERVE_MPS)


def _tossed(course: Course, s: Setting, settings: FlightSettings) -> FloatArray | None:
    """(9,) state at the start of the last arc if that is a toss, None if it cannot be.

    Seen from an end, depth and speed along the view are hardly known; that a ball goes straight up
    and down without spin, as the rules ask, says where it is.
    """
    t = course.starts[-1]
    rows = course.rows[s.seen.t_s[course.rows] >= t]
    if len(rows) < FEWEST_SIGHTS:
        return None
    seen = s.seen.take(rows)
    mean, weight = prior(settings)
    state = np.append(course.states[-1], mean[9])
    costs = []
    for sd in (None, TOSS_SD):
        if sd is not None:
            weight[3:5], weight[6:9] = sd[0] ** -2.0, sd[1] ** -2.0
        state, _, cost, _ = fit_free(
            state, seen.t_s - t, len(seen), seen.R, seen.t_m, seen.ab, seen.sd, mean, weight,
            settings.air, 20,
        )  # fmt: skip
        costs.append(cost)
    return np.asarray(state[:9]) if costs[1] - costs[0] < MOST_CHI2 else None


def _struck(
    toss: Course, s: Setting, t0: float, bounce_s: float, down: FloatArray
) -> tuple[float, FloatArray] | None:
    """When and to which state (9,) a tossed ball was struck that came `down` (9,) on the table.

    The toss falls or rises, and the path to the bounce comes down: they meet at one height.
    """
    times = np.arange(t0, bounce_s - 0.02, 0.002)
    if not len(times):
        return None
    tossed = along(toss, s, toss.n_arcs - 1, times - toss.starts[-1])[:, :3]
    ahead = bounce_s - times
    g = float(toss.globals[11])
    height = R - down[5] * ahead - 0.5 * g * ahead**2
    at = int(np.argmin(np.abs(tossed[:, 2] - height)))
    if abs(tossed[at, 2] - height[at]) > APART_M:
        return None
    along_table = (down[:2] - tossed[at, :2]) / ahead[at]
    start = np.array([*tossed[at], *along_table, down[5] + g * ahead[at], 0.0, 0.0, 0.0])
    return float(times[at]), start
