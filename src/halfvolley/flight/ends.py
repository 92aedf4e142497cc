"""Sightings at the ends of a course that belong to what was before or came after.

A ball that is struck just after it was seen lies on no flight that leads away from there, yet a
short flight bends to it, and then the touch that it leads to looks like none that the laws know.
"""

from dataclasses import replace

from halfvolley.flight.course import reconsider
from halfvolley.flight.recount import expense
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.settings import FlightSettings

FEWEST, MOST = 2, 6  # sightings that are left of a flight so short that one of them bends it


def without_strays(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """The course without its first or last sighting, where that makes it cost so much less.

    Asked only where the touch next to it is open: `sure` in the settings.
    """
    for first in (True, False):
        if not course.kinds or course.chances[0 if first else -1] > settings.sure:
            continue
        arc = course.arc_of(s.seen.t_s[course.rows])
        n = int((arc == (0 if first else course.n_arcs - 1)).sum())
        if not FEWEST < n <= MOST + 1:
            continue
        fewer = replace(course, rows=course.rows[1:] if first else course.rows[:-1])
        trial = reconsider(refine(fewer, s, 20), s, settings)
        if expense(trial, s) + settings.trim_cost < expense(course, s):
            course = trial
    return course
