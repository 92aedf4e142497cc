"""A first sighting that belongs to what was before.

A ball that is struck just after it was seen lies on no flight that leads away from there, yet a
short flight bends to it, and then the touch that it leads to looks like none that the laws know.
"""

from dataclasses import replace

from halfvolley.flight.course import expense, reconsider
from halfvolley.flight.refine import Course, Setting, refine
from halfvolley.flight.settings import FlightSettings

FEWEST, MOST = 2, 6  # sightings that are left of a flight so short that one of them bends it


def without_stray(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """The course without its first sighting, where that makes it cost so much less.

    Asked only where the first touch is open: `sure` in the settings; how much: `trim_cost`.
    """
    if not course.kinds or course.chances[0] > settings.sure:
        return course
    on_first = course.arc_of(s.seen.t_s[course.rows]) == 0
    if not FEWEST < int(on_first.sum()) <= MOST + 1:
        return course
    fewer = refine(replace(course, rows=course.rows[1:]), s, 20)
    trial = reconsider(fewer, s, settings)
    cheaper = expense(trial, s) + settings.trim_cost < expense(course, s)
    return trial if cheaper else course
