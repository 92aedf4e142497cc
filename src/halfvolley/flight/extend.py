"""Contacts just beyond the sightings of a course, and courses that meet.

A chain ends where its pieces end; physics goes on. A flight that comes down on the table must
bounce there, also where the ball was hidden then or was seen only once or twice afterwards.
"""

from dataclasses import replace

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, NET_HEIGHT_M, NET_OVERHANG_M, TABLE_WIDTH_M
from halfvolley.flight.course import predict, reconsider, settle, touch_state
from halfvolley.flight.junctions import Kind, outside, place_cost
from halfvolley.flight.refine import Course, Setting, air_of, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.physics.kernels import bounce, fly
from halfvolley.types import FloatArray, IntArray

R = BALL_RADIUS_M.value
SEEN = 0.9  # probability of an added bounce that sightings on both sides bear out
BLIND = 0.65  # and of one that only the flight on one side foretells


def complete(courses: list[Course], s: Setting, settings: FlightSettings) -> list[Course]:
    """Courses joined where they meet, with the bounces that lie just beyond their sightings."""
    courses = merge(courses, s, settings)
    out: list[Course] = []
    for i, course in enumerate(courses):
        earliest = float(s.seen.t_s[out[-1].rows[-1]]) if out else -np.inf
        latest = float(s.seen.t_s[courses[i + 1].rows[0]]) if i + 1 < len(courses) else np.inf
        out.append(extend(course, s, settings, earliest, latest))
    return merge(out, s, settings)


def extend(
    course: Course, s: Setting, settings: FlightSettings, earliest: float, latest: float
) -> Course:
    """The course with bounces added at both ends, between two times [s]."""
    for forward in (True, False):
        for _ in range(settings.most_extensions):
            longer = _bounce_beyond(course, s, settings, forward, earliest, latest)
            if longer is None:
                break
            course = longer
    return course


def _bounce_beyond(
    course: Course, s: Setting, settings: FlightSettings, forward: bool, earliest: float,
    latest: float,
) -> Course | None:  # fmt: skip
    """The course with one more bounce after its end (or before its start), or None."""
    edge = float(s.seen.t_s[course.rows[-1 if forward else 0]])
    unseen = course.n_arcs > 1 and edge > course.starts[1]
    if edge < course.starts[-1] if forward else unseen:
        return None  # the outermost arc was added without sightings
    touch = _crossing(course, s, edge, settings, forward)
    if touch is None:
        return None
    t, state = touch
    if not earliest < t < latest:
        return None
    longer = _with_arc(course, s, t, state, forward)
    gained = _new_sightings(longer, s, t, edge, settings, forward)
    gained = gained[(s.seen.t_s[gained] > earliest) & (s.seen.t_s[gained] < latest)]
    if len(gained) >= 2:
        rows = np.unique(np.concatenate([course.rows, gained]))
        trial = settle(replace(longer, rows=_one_each(rows, s)), s, settings)
        new = len(trial.rows) - len(course.rows)
        if new >= 2 and trial.cost - course.cost < 4.0 * new + 10.0:
            return trial
    inside = outside(float(state[0]), float(state[1]), -settings.blind_inside_m) == 0.0
    if inside and abs(t - edge) <= settings.blind_frames * s.frame_s:
        trial = refine(longer, s, 15)
        if trial.cost - course.cost < 12.0:
            at = len(trial.chances) - 1 if forward else 0
            chances = (*trial.chances[:at], BLIND, *trial.chances[at + 1 :])
            return replace(trial, chances=chances)
    return None


def _crossing(
    course: Course, s: Setting, edge: float, settings: FlightSettings, forward: bool
) -> tuple[float, FloatArray] | None:
    """When and in which state (9,) the outermost arc touches the table beyond the last sighting."""
    arc = course.n_arcs - 1 if forward else 0
    way = 1.0 if forward else -1.0
    beyond = edge + way * np.arange(-0.5 * s.frame_s, settings.reach_bounce_s, 0.001)
    tau = np.sort(beyond - course.starts[arc])
    states = _fly(course, s, arc, tau)
    states = states if forward else states[::-1]
    below = np.flatnonzero((states[1:, 2] <= R) & (states[:-1, 2] > R))
    if not len(below):
        return None
    i = int(below[0])
    share = (states[i, 2] - R) / (states[i, 2] - states[i + 1, 2])
    state = states[i] + share * (states[i + 1] - states[i])
    falls = state[5] * way < -0.2
    if (
        hits_net(states[: i + 2])
        or not falls
        or outside(float(state[0]), float(state[1])) > settings.edge_m
    ):
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


def _fly(course: Course, s: Setting, arc: int, tau: FloatArray) -> FloatArray:
    x = course.states[arc]
    return fly(x[:3], x[3:6], x[6:9], *air_of(course, s, arc), 0, tau)


def _with_arc(course: Course, s: Setting, t: float, state: FloatArray, forward: bool) -> Course:
    """The course with a bounce in `state` at t and an arc beyond it by the bounce law."""
    e0, e1, mu = course.globals[18:21]
    if forward:
        v, w = bounce(state[3:6], state[6:9], e0, e1, mu, R)
        return replace(
            course, kinds=(*course.kinds, "table"), chances=(*course.chances, SEEN),
            starts=np.append(course.starts, t),
            states=np.vstack([course.states, np.concatenate([state[:3], v, w])]),
            own_air=np.vstack([course.own_air, np.zeros(2)]),
        )  # fmt: skip
    # backwards: the law's inverse, without knowing the spin; sightings decide
    before = state.copy()
    before[5] = -state[5] / max(e0 - e1 * abs(state[5]), 0.6)
    lead = 2.0 * s.frame_s
    back = np.array([-lead])
    first = fly(before[:3], before[3:6], before[6:9], *air_of(course, s, 0), 0, back)[0]
    after = state.copy()
    return replace(
        course, kinds=("table", *course.kinds), chances=(SEEN, *course.chances),
        starts=np.concatenate([[t - lead, t], course.starts[1:]]),
        states=np.vstack([first, after, course.states[1:]]),
        own_air=np.vstack([np.zeros(2), course.own_air]),
    )  # fmt: skip


def _new_sightings(
    course: Course, s: Setting, t: float, edge: float, settings: FlightSettings, forward: bool
) -> IntArray:
    """Rows of detections that lie near the added arc, one a frame, without a gap."""
    seen = s.seen
    reach = settings.extension_frames * s.frame_s
    low, high = (edge, t + reach) if forward else (t - reach, edge)
    rows = np.arange(np.searchsorted(seen.t_s, low - 1.0), np.searchsorted(seen.t_s, high + 1.0))
    rows = rows[(seen.t_s[rows] > low + 1e-6) & (seen.t_s[rows] < high - 1e-6)]
    if not len(rows):
        return np.zeros(0, np.int64)
    off = np.linalg.norm(seen.uv_px[rows] - predict(course, s, rows), axis=1)
    away = np.abs(seen.t_s[rows] - t)
    scale = s.intrinsics[0] / np.maximum(seen.t_m[rows, 2], 1.0)  # px/m at the table
    gate = settings.recapture_px + settings.extension_sd_mps * 2.0 * away * scale
    gate[(seen.t_s[rows] - t) * (1 if forward else -1) < 0] = settings.recapture_px
    chosen: dict[int, int] = {}
    for i in np.argsort(off / gate):
        if off[i] < gate[i]:
            chosen.setdefault(int(seen.frame[rows[i]]), int(rows[i]))
    return np.array(sorted(chosen.values()), np.int64)


def _one_each(rows: IntArray, s: Setting) -> IntArray:
    """Of several rows of one frame, the last."""
    keep = np.append(np.diff(s.seen.frame[rows]) > 0, True)
    return rows[keep]


def merge(courses: list[Course], s: Setting, settings: FlightSettings) -> list[Course]:
    """Neighbouring courses as one where one flight or a single contact explains the gap."""
    out: list[Course] = []
    fresh = False
    for course in courses:
        joined = _joined(out[-1], course, s, settings) if out else None
        if joined is not None:
            out[-1], fresh = joined, True
            continue
        if out and fresh:
            out[-1] = settle(out[-1], s, settings)
        out.append(course)
        fresh = False
    if out and fresh:
        out[-1] = settle(out[-1], s, settings)
    return out


def _joined(a: Course, b: Course, s: Setting, settings: FlightSettings) -> Course | None:
    """Both as one, judged by the two arcs on either side of the gap, or None."""
    a, b = _without_blind_end(a, s), _without_blind_start(b, s)
    t_a, t_b = float(s.seen.t_s[a.rows[-1]]), float(s.seen.t_s[b.rows[0]])
    if not -2.0 * s.frame_s < t_b - t_a < settings.max_gap_s or t_a < a.starts[-1]:
        return None
    t = 0.5 * (t_a + t_b)
    if (b.n_arcs > 1 and t >= b.starts[1]) or t <= a.starts[-1]:
        return None
    end = _fly(a, s, a.n_arcs - 1, np.array([t - a.starts[-1]]))[0]
    start = _fly(b, s, 0, np.array([t - b.starts[0]]))[0]
    if np.linalg.norm(end[:3] - start[:3]) > settings.meet_m:
        return None
    start[:3] = 0.5 * (end[:3] + start[:3])
    left = refine(a.part(max(a.n_arcs - 2, 0), a.n_arcs - 1, s.seen.t_s[a.rows]), s, 6)
    right = refine(b.part(0, min(1, b.n_arcs - 1), s.seen.t_s[b.rows]), s, 6)
    at = left.n_arcs - 1
    local = reconsider(refine(_end_to_end(left, right, t, start, s), s, 20), s, settings)
    through = refine(_through(left, right, s), s, 20)
    apart = left.cost + right.cost
    if local.n_arcs < left.n_arcs + right.n_arcs:  # some touch was none
        touching = np.inf
    else:
        touching = local.cost + place_cost(local.kinds[at], touch_state(local, s, at))
    if through.cost < min(apart + settings.junction_cost, touching + settings.same_bonus):
        return _through(a, b, s, through.states[at])
    if touching == np.inf or local.cost > apart + settings.junction_cost:
        return None
    whole = _end_to_end(a, b, float(local.starts[at + 1]), local.states[at + 1], s)
    i = a.n_arcs - 1
    return replace(
        whole, kinds=(*whole.kinds[:i], local.kinds[at], *whole.kinds[i + 1 :]),
        chances=(*whole.chances[:i], local.chances[at], *whole.chances[i + 1 :]),
    )  # fmt: skip


def _through(a: Course, b: Course, s: Setting, start: FloatArray | None = None) -> Course:
    """Both courses in one, not yet refined, whose middle arc was out of sight for a while."""
    rows = _one_each(np.unique(np.concatenate([a.rows, b.rows])), s)
    states = np.vstack([a.states, b.states[1:]])
    if start is not None:
        states[a.n_arcs - 1] = start
    return Course(
        rows, (*a.kinds, *b.kinds), (*a.chances, *b.chances), states,
        np.concatenate([a.starts, b.starts[1:]]), np.vstack([a.own_air, b.own_air[1:]]), a.globals,
        scale=max(a.scale, b.scale),
    )  # fmt: skip


def _without_blind_end(c: Course, s: Setting) -> Course:
    """Without a last arc that no sighting lies on."""
    t = s.seen.t_s[c.rows]
    return c.part(0, c.n_arcs - 2, t) if c.n_arcs > 1 and t[-1] < c.starts[-1] else c


def _without_blind_start(c: Course, s: Setting) -> Course:
    """Without a first arc that no sighting lies on."""
    t = s.seen.t_s[c.rows]
    return c.part(1, c.n_arcs - 1, t) if c.n_arcs > 1 and t[0] > c.starts[1] else c


def _end_to_end(a: Course, b: Course, t: float, start: FloatArray, s: Setting) -> Course:
    """Both courses in one, not yet refined, meeting at t, from where b's first arc starts."""
    kinds: tuple[Kind, ...] = (*a.kinds, "other", *b.kinds)
    rows = _one_each(np.unique(np.concatenate([a.rows, b.rows])), s)
    return Course(
        rows, kinds, (*a.chances, 0.0, *b.chances), np.vstack([a.states, start, b.states[1:]]),
        np.concatenate([a.starts, [t], b.starts[1:]]), np.vstack([a.own_air, b.own_air]), a.globals,
        scale=max(a.scale, b.scale),
    )  # fmt: skip
