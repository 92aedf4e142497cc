"""A serve's stroke and first bounce that were read as one touch, told apart by the laws.

From an end the two lie near to each other in the picture. A toss and a flight that meet below the
level of the table or inside the end line did not meet at all: the server may strike at neither
place (ITTF Law 2.6.4).
"""

import numpy as np

from halfvolley.constants import (
    BALL_RADIUS_M,
    TABLE_FRICTION,
    TABLE_LENGTH_M,
    TABLE_RESTITUTION_AT_REST,
)
from halfvolley.flight.course import settle, touch_state
from halfvolley.flight.refine import Course, Setting
from halfvolley.flight.serves import LEAST_MPS, TOSS_MPS
from halfvolley.flight.settings import FlightSettings
from halfvolley.types import FloatArray

INSIDE_M = 0.03  # the end line is known to this
LOW_M = 2.0 * BALL_RADIUS_M.value  # a ball on the table is no higher
ROUGH = 1.5  # times the usual friction: more no table has


def apart(course: Course, s: Setting, settings: FlightSettings) -> list[Course]:
    """The course, or its toss and what follows, solved each alone."""
    if not course.kinds or not _is_two_touches(course, s):
        return [course]
    t = s.seen.t_s[course.rows]
    parts = [course.part(0, 0, t), course.part(1, course.n_arcs - 1, t)]
    return [settle(p, s, settings) for p in parts if len(p.rows) >= settings.fewest_sights]


def _is_two_touches(c: Course, s: Setting) -> bool:
    """Whether the first touch can be neither the stroke at a toss nor a bounce."""
    touch = touch_state(c, s, 0)
    end, into, out = np.sign(touch[0]), touch[3:6], touch[9:12]
    var = np.diag(c.cov)
    speed_sd = float(np.sqrt(max(var[3], var[4])))
    tossed = np.hypot(into[0], into[1]) < TOSS_MPS + 2.0 * speed_sd
    if not tossed or c.kinds[0] == "floor" or -end * out[0] < LEAST_MPS:
        return False
    if c.kinds[0] == "table":
        return not _is_bounce(into, out)
    inside = TABLE_LENGTH_M.value / 2 - abs(float(touch[0]))
    return bool(touch[2] < LOW_M or inside > INSIDE_M + 2.0 * float(np.sqrt(var[9])))


def _is_bounce(into: FloatArray, out: FloatArray) -> bool:
    """Whether a table may have changed the one velocity into the other."""
    limit = TABLE_FRICTION.value * (1.0 + TABLE_RESTITUTION_AT_REST.value) * abs(into[2])
    return bool(into[2] < 0.0 < out[2] and np.hypot(*(out - into)[:2]) < ROUGH * limit)
