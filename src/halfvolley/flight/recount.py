"""How many touches there were: two, where one that nothing explains costs more.

A ball that falls back from the net bounces within a few frames, and may brush the net once more.
One free touch and a flight that leaves through the picture's depth can stand in for touches that
the laws know. Which reading costs less, its touches counted in, is the one that is kept.
"""

from dataclasses import replace

import numpy as np

from halfvolley.flight.course import expense, reconsider, settle
from halfvolley.flight.extend import grafted
from halfvolley.flight.pieces import fit_runs, flown
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.types import FloatArray, IntArray

FEWEST = 3  # sightings on either side of a touch that is put into a flight


def recounted(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """The course with one touch more beside each that nothing explains, where that costs less."""
    i = 0
    while i < len(course.kinds):
        longer = _with_one_more(course, i, s, settings) if course.kinds[i] == "other" else None
        if longer is not None:
            course = longer
            i += 1
        i += 1
    return course


def _with_one_more(course: Course, i: int, s: Setting, settings: FlightSettings) -> Course | None:
    """The course with a further touch in the flight to or from contact i, or None.

    A hand moves a ball as no law says, and more touches always fit it better: the table must be
    one of them.
    """
    first, last = max(i - 1, 0), min(i + 2, course.n_arcs - 1)
    around = refine(course.part(first, last, s.seen.t_s[course.rows]), s, 6)
    trials = []
    for arc in (i - first, i + 1 - first):
        split = _split(around, arc, s, settings)
        if split is not None:
            trial = reconsider(refine(split, s, 20), s, settings)
            if trial.kinds.count("table") > around.kinds.count("table"):
                trials.append(trial)
    best = min(trials, key=lambda trial: expense(trial, s), default=None)
    if best is None or expense(best, s) + settings.same_bonus > expense(around, s):
        return None
    return settle(grafted(course, best, first, last), s, settings)


def _split(course: Course, arc: int, s: Setting, settings: FlightSettings) -> Course | None:
    """The course with a free touch where two flights explain the sightings of an arc best."""
    on = course.arc_of(s.seen.t_s[course.rows]) == arc
    rows = course.rows[on]
    cuts = range(FEWEST, len(rows) - FEWEST + 1)
    if not cuts:
        return None
    runs = [part for at in cuts for part in (rows[:at], rows[at:])]
    states, costs = fit_runs(runs, s.seen, settings)
    k = int(np.argmin(costs[::2] + costs[1::2]))
    before, after = rows[: cuts[k]], rows[cuts[k] :]
    t = 0.5 * float(s.seen.t_s[before[-1]] + s.seen.t_s[after[0]])
    if not course.starts[arc] < t:
        return None
    begun = _state_at(states[2 * k], before, float(course.starts[arc]), s, settings)
    gone_on = _state_at(states[2 * k + 1], after, t, s, settings)
    return replace(
        course, kinds=(*course.kinds[:arc], "other", *course.kinds[arc:]),
        chances=(*course.chances[:arc], 0.0, *course.chances[arc:]),
        states=np.vstack([course.states[:arc], begun, gone_on, course.states[arc + 1 :]]),
        starts=np.insert(course.starts, arc + 1, t),
        own_air=np.insert(course.own_air, arc + 1, 0.0, axis=0),
    )  # fmt: skip


def _state_at(
    state: FloatArray, rows: IntArray, t_s: float, s: Setting, settings: FlightSettings
) -> FloatArray:
    """State (9,) at a time on a flight fitted to rows."""
    middle = 0.5 * float(s.seen.t_s[rows[0]] + s.seen.t_s[rows[-1]])
    return flown(state, t_s - middle, settings)
