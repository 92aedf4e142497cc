"""Tracks and a camera to arcs and contacts: the stage itself."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.flight.apart import apart
from halfvolley.flight.chains import Chain, find_chains
from halfvolley.flight.course import (
    PLANES,
    reconsider,
    settle,
    start_course,
    struck_once,
    touch_state,
)
from halfvolley.flight.ends import without_stray
from halfvolley.flight.extend import complete
from halfvolley.flight.junctions import outside
from halfvolley.flight.outcome import arcs_and_contacts
from halfvolley.flight.pieces import find_pieces
from halfvolley.flight.recount import recounted
from halfvolley.flight.refine import Course, Setting, setting
from halfvolley.flight.serves import TOSS_MPS, with_serves
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.shutter import combine, with_streaks
from halfvolley.flight.sights import claims_scale, sights
from halfvolley.physics import Environment
from halfvolley.types import Arc, ClipCamera, Contact, Flights, Tracks

SERVE_MPS = 2.5  # a serve leaves the racket no slower along the table
BEHIND_M, BESIDE_M = 1.0, 0.5  # where a server of this table stands


def find_flights(
    tracks: Tracks,
    camera: ClipCamera,
    settings: FlightSettings | None = None,
    *,
    environment: Environment | None = None,
) -> Flights:
    """What the ball did, in metres: arcs and contacts with their covariance.

    Parameters
    ----------
    tracks : Tracks
        Smooth pieces of image motion of one clip, rivals included.
    camera : ClipCamera
        Camera of the clip; its covariance and shutter enter every result.
    settings : FlightSettings, optional
        Limits and priors.
    environment : Environment, optional
        Ball and air of the hall; replaces that of the settings.

    Returns
    -------
    Flights
        Arcs and contacts in time order, world frame. Empty where nothing flies like a ball.

    Notes
    -----
    Pieces that no flight near this table explains are dropped; dynamic programming strings the rest
    into chains; each chain is refined jointly (`refine`). Arcs with no contact at either end and
    few sightings are not reported: they could be anything.
    """
    with threadpool_limits(1):  # small matrices: threads cost more than they bring
        chosen = settings or FlightSettings()
        if environment is not None:
            chosen = replace(chosen, environment=environment)
        return _find(tracks, camera, chosen)


def _find(tracks: Tracks, camera: ClipCamera, s: FlightSettings) -> Flights:
    detections = tracks.detections
    if not tracks.members:
        return Flights((), (), detections, camera.shutter, ("No ball was seen in flight.",))
    frame_s = _usual_gap_s(detections.t_s)
    scale = claims_scale(tracks)
    assumed = camera.shutter
    seen = sights(detections, camera, assumed, s.model_floor_px, scale)
    pieces = find_pieces(_usable(tracks, camera), seen, camera.camera.f_px, s)
    chains = find_chains(pieces, seen, frame_s, s)
    shutter = with_streaks(chains, detections, assumed, frame_s)
    seen = sights(detections, camera, shutter, s.detection_floor_px, scale)
    late_s = 0.5 * (shutter.exposure_s - assumed.exposure_s)
    on_ball = [p.rows for chain in chains for p in chain.pieces]
    rows = np.concatenate(on_ball) if on_ball else np.zeros(0, np.int64)
    fixed = setting(seen, camera, shutter, frame_s, s, late_s, rows)
    solved = [_solve(chain, fixed, s) for chain in chains]
    begun = [c for c in solved if c is not None]
    courses = complete(begun, fixed, s)
    # what neither grew nor was joined was asked before
    courses = [c if any(c is b for b in begun) else reconsider(c, fixed, s) for c in courses]
    courses = [recounted(c, fixed, s) for c in courses]
    courses = [struck_once(c, s) for c in courses]
    courses = [part for c in courses for part in apart(c, fixed, s)]
    courses = [c for c in courses if c.kinds or len(c.rows) >= s.fewest_alone]
    courses = [c.doubted(_belonging(c, s)) for c in courses]
    courses = [_doubted(c, fixed, s) for c in courses]
    arcs: list[Arc] = []
    contacts: list[Contact] = []
    for number, course in enumerate(courses):
        new = arcs_and_contacts(course, fixed, number, len(arcs), len(contacts))
        arcs += new[0]
        contacts += new[1]
    begins_s = float(np.min(camera.usable_s[:, 0], initial=np.inf))
    served = with_serves(arcs, contacts, fixed, begins_s, s.vague_m)
    warnings = () if arcs else ("No ball was seen in flight.",)
    return Flights(*served, detections, combine(courses, fixed, shutter), warnings)


def _solve(chain: Chain, fixed: Setting, s: FlightSettings) -> Course | None:
    sighted = sum(len(p.rows) for p in chain.pieces)
    if sighted < s.fewest_sights:
        return None
    course = settle(start_course(chain, fixed), fixed, s)
    if not np.isfinite(course.cost):
        return None
    return without_stray(reconsider(course, fixed, s), fixed, s)


def _belonging(course: Course, s: FlightSettings) -> float:
    """1 for a ball in play on this table; less where it never bounces on it, or beside it.

    In play a stroke comes before or after a bounce: what is mostly struck is in a hand. Only of a
    serve, into the net or past everything, this need not be.
    """
    places = [x for x, kind in zip(course.states[1:], course.kinds, strict=True) if kind == "table"]
    strokes = [i for i, kind in enumerate(course.kinds) if kind == "racket"]
    bounced = sum("table" in course.kinds[max(i - 1, 0) : i + 2] for i in strokes)
    if not places or 4 * bounced < len(strokes):
        return 1.0 if _is_served(course) else s.stray
    beside = float(np.median([outside(float(x[0]), float(x[1])) for x in places]))
    return 1.0 if beside < s.beside_m else s.stray**2


def _is_served(c: Course) -> bool:
    """Whether a ball that bounces after no stroke was tossed and struck by its server.

    A serve into the net, the floor or over everything is a ball of this table all the same.
    """
    for i, kind in enumerate(c.kinds):
        toss, after = c.states[i], c.states[i + 1]
        behind = abs(after[0]) - TABLE_LENGTH_M.value / 2
        beside = abs(after[1]) - TABLE_WIDTH_M.value / 2
        here = 0.0 < behind < BEHIND_M and beside < BESIDE_M and after[2] > 0.0
        tossed = np.hypot(toss[3], toss[4]) < TOSS_MPS and c.starts[i + 1] - c.starts[i] > 0.1
        if kind == "racket" and here and tossed and -np.sign(after[0]) * after[3] > SERVE_MPS:
            return True
    return False


def _doubted(course: Course, fixed: Setting, s: FlightSettings) -> Course:
    """The course with less belief in bounces that cannot be, or hardly be told from something else.

    Nothing bounces off a plane without coming down on it, nor leaves it faster than it came: two
    hops, taken for one, seem to. The lowest hops are those of a ball that comes to rest, and hardly
    told from rolling. Where few sightings leave a place as open as this, another flight altogether,
    beyond what the covariance tells, often fits as well.
    """
    shortest_s = max(s.shortest_hop_s, s.shortest_hop_frames * fixed.frame_s)
    chances, cov = list(course.chances), course.cov
    for i, kind in enumerate(course.kinds):
        x = touch_state(course, fixed, i)
        if kind in PLANES and not x[5] < 0.0 < x[11]:
            chances[i] = 0.0
        if kind in PLANES and x[5] + x[11] > s.faster_mps:
            chances[i] *= s.stray
        if kind == "table" and 2.0 * x[11] < shortest_s * s.air[0]:
            chances[i] *= s.stray
        at = slice(9 * i + 9, 9 * i + 11)
        if kind == "table" and np.trace(cov[at, at]) > s.vague_m**2:
            chances[i] *= s.stray
    return replace(course, chances=tuple(chances))


def _usable(tracks: Tracks, camera: ClipCamera) -> tuple[np.ndarray, ...]:
    """Pieces that lie wholly within a span in which the camera is known."""
    t = tracks.detections.t_s
    spans = camera.usable_s
    return tuple(
        m for m in tracks.members if np.any((spans[:, 0] <= t[m[0]]) & (t[m[-1]] <= spans[:, 1]))
    )


def _usual_gap_s(t_s: Iterable[float]) -> float:
    """Usual time from one sight to the next [s]: that of two frames where every other has none."""
    steps = np.diff(np.unique(np.asarray(t_s, dtype=np.float64)))
    return float(np.median(steps)) if len(steps) else 1.0 / 60.0
