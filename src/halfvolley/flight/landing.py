"""Where the outermost flight of a course meets the table beyond its sightings, and what follows."""

from dataclasses import replace

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, NET_HEIGHT_M, NET_OVERHANG_M, TABLE_WIDTH_M
from halfvolley.flight.junctions import outside
from halfvolley.flight.refine import Course, Setting, air_of
from halfvolley.flight.shared import LAW
from halfvolley.physics.kernels import bounce, fly
from halfvolley.types import FloatArray

R = BALL_RADIUS_M.value
LEAST_FALL_MPS = 0.2  # what comes down more slowly rolls


def along(course: Course, s: Setting, arc: int, tau_s: FloatArray) -> FloatArray:
    """(n, 9) states on an arc at ascending times from its start."""
    x = course.states[arc]
    return fly(x[:3], x[3:6], x[6:9], *air_of(course, s, arc), tau_s)


def crossing(
    course: Course, s: Setting, edge_s: float, reach_s: float, edge_m: float, forward: bool
) -> tuple[float, FloatArray] | None:
    """When and in which state (9,) the outermost arc touches the table beyond the last sighting.

    Looks `reach_s` beyond `edge_s`, the time of the outermost sighting; `edge_m` is how far outside
    the table the place may lie.
    """
    arc = course.n_arcs - 1 if forward else 0
    way = 1.0 if forward else -1.0
    beyond = edge_s + way * np.arange(-0.5 * s.frame_s, reach_s, 0.001)
    tau = np.sort(beyond - course.starts[arc])
    states = along(course, s, arc, tau)
    states = states if forward else states[::-1]
    below = np.flatnonzero((states[1:, 2] <= R) & (states[:-1, 2] > R))
    if not len(below):
        return None
    i = int(below[0])
    share = (states[i, 2] - R) / (states[i, 2] - states[i + 1, 2])
    state = states[i] + share * (states[i + 1] - states[i])
    falls = state[5] * way < -LEAST_FALL_MPS
    far = outside(float(state[0]), float(state[1])) > edge_m
    if hits_net(states[: i + 2]) or not falls or far:
        return None
    ordered = tau if forward else tau[::-1]
    t = float(course.starts[arc] + ordered[i] + share * (ordered[i + 1] - ordered[i]))
    return t, state


def hits_net(states: FloatArray) -> bool:
    """Whether a path (n, 9) goes through the net."""
    x = states[:, 0]
    through = np.flatnonzero(np.sign(x[1:]) != np.sign(x[:-1]))
    low = states[through, 2] < NET_HEIGHT_M.value
    wide = TABLE_WIDTH_M.value / 2 + NET_OVERHANG_M.value
    return bool(np.any(low & (np.abs(states[through, 1]) < wide)))


def with_bounce_after(course: Course, s: Setting, t_s: float, state: FloatArray) -> list[Course]:
    """The course with a bounce in `state` (9,) at a time after it, and an arc by the bounce law."""
    e0, e1, mu = course.globals[LAW]
    v, w = bounce(state[3:6], state[6:9], e0, e1, mu, R)
    return [
        replace(
            course, kinds=(*course.kinds, "table"), chances=(*course.chances, 0.0),
            starts=np.append(course.starts, t_s),
            states=np.vstack([course.states, np.concatenate([state[:3], v, w])]),
            own_air=np.vstack([course.own_air, np.zeros(2)]),
        )
    ]  # fmt: skip


def with_bounce_before(course: Course, s: Setting, t_s: float, state: FloatArray) -> list[Course]:
    """The course with a bounce out of `state` (9,) before it, each way that it may have come."""
    lead = 2.0 * s.frame_s
    ways = []
    for before in before_bounce(state, course.globals):
        back = np.array([-lead])
        first = fly(before[:3], before[3:6], before[6:9], *air_of(course, s, 0), back)[0]
        ways.append(
            replace(
                course, kinds=("table", *course.kinds), chances=(0.0, *course.chances),
                starts=np.concatenate([[t_s - lead, t_s], course.starts[1:]]),
                states=np.vstack([first, state, course.states[1:]]),
                own_air=np.vstack([np.zeros(2), course.own_air]),
            )
        )  # fmt: skip
    return ways


def before_bounce(state: FloatArray, globals_: FloatArray) -> tuple[FloatArray, FloatArray]:
    """States (9,) just before a bounce out of which a ball comes in `state`.

    A ball that rolls off the table tells only that friction took all it could: the first way had
    little spin and slid forward, the second more topspin than rolling and was drawn forward. At no
    slip at all, between them, friction has no direction and no search leaves the place.
    """
    e0, e1, mu = globals_[18:21]
    before = state.copy()
    before[5] = -state[5] / max(e0 - e1 * abs(state[5]), 0.6)
    grip = mu * (state[5] - before[5])  # what friction can change of the velocity along the table
    along_table = np.array([state[7], -state[6]]) * R  # velocity at which this spin rolls
    turning = float(np.hypot(*along_table))
    ahead = along_table / turning if turning > 1e-6 else np.zeros(2)
    slid, drawn = before.copy(), before.copy()
    for way, change in ((slid, min(turning / 1.5, grip)), (drawn, -0.5 * grip)):
        way[3:5] += change * ahead
        way[6:8] += 1.5 * change / R * np.array([ahead[1], -ahead[0]])
    return slid, drawn
