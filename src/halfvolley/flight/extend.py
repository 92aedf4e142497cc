"""Contacts just beyond the sightings of a course, and courses that meet.

A chain ends where its pieces end; physics goes on. A flight that comes down on the table must
bounce there, also where the ball was hidden then or was seen only once or twice afterwards.
"""

from dataclasses import replace

import numpy as np

from halfvolley.flight.away import came_back
from halfvolley.flight.course import chance, predict, reconsider, settle, touch_state
from halfvolley.flight.gap import end_to_end, stroke_and_bounce, through
from halfvolley.flight.junctions import Kind, outside, place_cost
from halfvolley.flight.landing import along, crossing, with_bounce_after, with_bounce_before
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.types import FloatArray

BORNE_OUT = (0.65, 0.8, 0.9)  # probability of an added bounce with none, one, more sightings beyond
NOBODY_SAW = 0.9  # probability of a stroke and a bounce that explain a gap beyond doubt
LONG_FRAMES = 4.0  # of a gap in which a touch is sought from its edges too
SIGHTING_COST = 4.0  # what one more sighting may cost


def complete(courses: list[Course], s: Setting, settings: FlightSettings) -> list[Course]:
    """Courses joined where they meet, with the bounces that lie just beyond their sightings.

    A course that was joined is known better, so its ends are looked at once more.
    """
    courses = merge(courses, s, settings)
    courses = merge(_extended(courses, s, settings), s, settings)
    return _extended(courses, s, settings)


def _extended(courses: list[Course], s: Setting, settings: FlightSettings) -> list[Course]:
    out: list[Course] = []
    for i, course in enumerate(courses):
        earliest = float(s.seen.t_s[out[-1].rows[-1]]) if out else -np.inf
        latest = float(s.seen.t_s[courses[i + 1].rows[0]]) if i + 1 < len(courses) else np.inf
        out.append(extend(course, s, settings, earliest, latest))
    return out


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
    touch = crossing(course, s, edge, settings.reach_bounce_s, settings.edge_m, forward)
    if touch is None or not earliest < touch[0] < latest:
        return None
    t, state = touch
    first = max(course.n_arcs - 2, 0) if forward else 0
    last = course.n_arcs - 1 if forward else min(1, course.n_arcs - 1)
    end = refine(course.part(first, last, s.seen.t_s[course.rows]), s, 6)
    more = with_bounce_after if forward else with_bounce_before
    trials = [
        _followed(refine(way, s, 15), s, t, edge, settings, forward, (earliest, latest))
        for way in more(end, s, t, state)
    ]
    best = min(trials, key=lambda trial: trial.cost - SIGHTING_COST * len(trial.rows))
    new = len(best.rows) - len(end.rows)
    if best.cost - end.cost > SIGHTING_COST * new + 10.0:
        return None
    inside = outside(float(state[0]), float(state[1]), -settings.blind_inside_m) == 0.0
    if not new and not (inside and abs(t - edge) <= settings.blind_frames * s.frame_s):
        return None
    at = best.n_arcs - 2 if forward else 0
    borne_out = BORNE_OUT[min(new, len(BORNE_OUT) - 1)]
    best = replace(best, chances=(*best.chances[:at], borne_out, *best.chances[at + 1 :]))
    return settle(grafted(course, best, first, last), s, settings)


def _followed(
    course: Course, s: Setting, t: float, edge: float, settings: FlightSettings, forward: bool,
    span_s: tuple[float, float],
) -> Course:  # fmt: skip
    """The course with the sightings beyond `edge` that lie on it, taken in one after another.

    What the bounce law foretells is wide; each sighting makes the next one known better.
    """
    seen = s.seen
    reach = settings.extension_frames * s.frame_s
    low, high = (edge, t + reach) if forward else (t - reach, edge)
    low, high = max(low, span_s[0]), min(high, span_s[1])
    rows = np.arange(np.searchsorted(seen.t_s, low - 1.0), np.searchsorted(seen.t_s, high + 1.0))
    rows = rows[(seen.t_s[rows] > low + 1e-6) & (seen.t_s[rows] < high - 1e-6)]
    frames = np.unique(seen.frame[rows])
    sd_mps = settings.extension_sd_mps
    for frame in frames if forward else frames[::-1]:
        here = rows[seen.frame[rows] == frame]
        off = np.linalg.norm(seen.uv_px[here] - predict(course, s, here), axis=1)
        away = np.abs(seen.t_s[here] - t) * ((seen.t_s[here] > t) == forward)
        scale = s.intrinsics[0] / np.maximum(seen.t_m[here, 2], 1.0)  # px/m at the table
        ratio = off / (settings.recapture_px + 2.0 * sd_mps * away * scale)
        nearest = int(np.argmin(ratio))
        if not ratio[nearest] < 1.0:
            continue
        taken = np.sort(np.append(course.rows, here[nearest]))
        trial = refine(replace(course, rows=taken), s, 10)
        if trial.cost - course.cost < settings.trim_cost:
            course, sd_mps = trial, 0.3 * settings.extension_sd_mps
    return course


def grafted(course: Course, part: Course, first: int, last: int) -> Course:
    """The course with its arcs first to last (inclusive) as another one has them, not yet refined.

    The other may hold more arcs. Where arcs come before, their end says where it starts.
    """

    def joined(own: FloatArray, other: FloatArray) -> FloatArray:
        start = own[: first + 1] if first else other[:1]
        return np.concatenate([start, other[1:], own[last + 1 :]])

    return replace(
        course, rows=np.unique(np.concatenate([course.rows, part.rows])),
        kinds=(*course.kinds[:first], *part.kinds, *course.kinds[last:]),
        chances=(*course.chances[:first], *part.chances, *course.chances[last:]),
        states=joined(course.states, part.states), starts=joined(course.starts, part.starts),
        own_air=joined(course.own_air, part.own_air),
    )  # fmt: skip


def merge(courses: list[Course], s: Setting, settings: FlightSettings) -> list[Course]:
    """Courses as one where one flight or a single contact explains the gap between neighbours.

    While a ball is out of the picture something else may be seen in it: such courses are joined
    also where others lie between.
    """
    out: list[Course] = []
    fresh = False
    for course in courses:
        at = len(out) - 1
        joined = _joined(out[at], course, s, settings) if out else None
        if joined is None:
            if fresh:
                out[-1] = settle(out[-1], s, settings)
            at, joined = _returned(out, course, s, settings)
        if joined is not None:
            del out[at]
        fresh = joined is not None
        out.append(course if joined is None else joined)
    if fresh:
        out[-1] = settle(out[-1], s, settings)
    return sorted(out, key=lambda course: int(course.rows[0]))


def _returned(
    earlier: list[Course], course: Course, s: Setting, settings: FlightSettings
) -> tuple[int, Course | None]:
    """Which of some courses went on as this one after it had left the picture, and both in one."""
    after = _without_blind_start(course, s)
    for i in reversed(range(len(earlier))):
        both = came_back(_without_blind_end(earlier[i], s), after, s, settings)
        if both is not None:
            return i, both
    return -1, None


def _joined(a: Course, b: Course, s: Setting, settings: FlightSettings) -> Course | None:
    """Both as one, judged by the two arcs on either side of the gap, or None."""
    a, b = _without_blind_end(a, s), _without_blind_start(b, s)
    t_a, t_b = float(s.seen.t_s[a.rows[-1]]), float(s.seen.t_s[b.rows[0]])
    if not -2.0 * s.frame_s < t_b - t_a < settings.max_gap_s or t_a < a.starts[-1]:
        return None
    t = 0.5 * (t_a + t_b)
    if (b.n_arcs > 1 and t >= b.starts[1]) or t <= a.starts[-1]:
        return None
    end, start = _both_at(a, b, t, s)
    if np.linalg.norm(end[:3] - start[:3]) > settings.meet_m:
        return None
    left = refine(a.part(max(a.n_arcs - 2, 0), a.n_arcs - 1, s.seen.t_s[a.rows]), s, 6)
    right = refine(b.part(0, min(1, b.n_arcs - 1), s.seen.t_s[b.rows]), s, 6)
    at, apart = left.n_arcs - 1, left.cost + right.cost
    met = _touching(left, right, t, s)
    if met.cost > apart + settings.junction_cost and t_b - t_a > LONG_FRAMES * s.frame_s:
        # the search does not get from the middle of a long gap to a touch at its edge
        edges = (t_a + 0.5 * s.frame_s, t_b - 0.5 * s.frame_s)
        met = min((met, *(_touching(left, right, t, s) for t in edges)), key=lambda m: m.cost)
    local = reconsider(met, s, settings)
    unbroken = refine(through(left, right, s), s, 20)
    # looking again may have found that this touch, or one beside it, was none
    kept = local.n_arcs == left.n_arcs + right.n_arcs
    touching = np.inf
    if kept:
        touching = local.cost + place_cost(local.kinds[at], touch_state(local, s, at))
    if unbroken.cost < min(apart + settings.junction_cost, touching + settings.same_bonus):
        return through(a, b, s, unbroken.states[at])
    single = None
    if kept and local.cost <= apart + settings.junction_cost:
        single = _met(a, b, local, at, 1, s)
        if touching < apart + settings.trim_cost:
            return single
    twice = _met_twice(a, b, left, right, s, settings, touching - settings.same_bonus)
    return single if twice is None else twice


def _both_at(a: Course, b: Course, t: float, s: Setting) -> tuple[FloatArray, FloatArray]:
    """States (9,) at a time as the last arc of one course and the first of another have them."""
    end = along(a, s, a.n_arcs - 1, np.array([t - a.starts[-1]]))[0]
    return end, along(b, s, 0, np.array([t - b.starts[0]]))[0]


def _touching(a: Course, b: Course, t: float, s: Setting) -> Course:
    """Both in one, refined, with a free touch sought from a time on."""
    end, start = _both_at(a, b, t, s)
    start[:3] = 0.5 * (end[:3] + start[:3])
    return refine(end_to_end(a, b, ("other",), np.array([t]), start[None], s), s, 20)


def _met(a: Course, b: Course, local: Course, at: int, n: int, s: Setting) -> Course:
    """Both in one, not yet refined, with the n touches of the local course from `at` on between."""
    touches, after = slice(at, at + n), slice(at + 1, at + 1 + n)
    return end_to_end(
        a, b, local.kinds[touches], local.starts[after], local.states[after], s,
        local.chances[touches],
    )  # fmt: skip


def _met_twice(
    a: Course, b: Course, left: Course, right: Course, s: Setting, settings: FlightSettings,
    once: float,
) -> Course | None:  # fmt: skip
    """Both as one with a stroke and a bounce in the gap, or None.

    `once` is what they may cost at most, with the two arcs on either side.
    """
    local = stroke_and_bounce(left, right, s, settings)
    if local is None:
        return None
    at = left.n_arcs - 1
    x, y = local.states[at + 1 + local.kinds[at : at + 2].index("table"), :2]
    if outside(float(x), float(y), -settings.blind_inside_m) > 0.0:
        return None  # rackets strike at the edge
    cost = local.cost
    cost += sum(place_cost(local.kinds[i], touch_state(local, s, i)) for i in (at, at + 1))
    apart = left.cost + right.cost
    if not cost < min(once, apart + settings.trim_cost):
        return None
    rivals: dict[Kind, float] = {"other": cost, "same": min(once, apart + settings.junction_cost)}
    surely = NOBODY_SAW * chance("other", rivals)
    chances = (*local.chances[:at], surely, surely, *local.chances[at + 2 :])
    return _met(a, b, replace(local, chances=chances), at, 2, s)


def _without_blind_end(c: Course, s: Setting) -> Course:
    """Without a last arc that no sighting lies on."""
    t = s.seen.t_s[c.rows]
    return c.part(0, c.n_arcs - 2, t) if c.n_arcs > 1 and t[-1] < c.starts[-1] else c


def _without_blind_start(c: Course, s: Setting) -> Course:
    """Without a first arc that no sighting lies on."""
    t = s.seen.t_s[c.rows]
    return c.part(1, c.n_arcs - 1, t) if c.n_arcs > 1 and t[0] > c.starts[1] else c
