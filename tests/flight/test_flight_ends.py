"""First sightings that lie on no flight, and serves that come to nothing.

Paths are exact and by the laws.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfvolley.flight import FlightSettings, find
from halfvolley.flight.course import reconsider
from halfvolley.flight.ends import MOST, without_stray
from halfvolley.flight.refine import Course, Setting, refine

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp
from made_play import measured

S = FlightSettings()


# --- the first sighting of a short flight ---------------------------------------------------------
@pytest.fixture(scope="module")
def short_beginnings() -> list[tuple[Course, Setting]]:
    """Courses that lead from three to six sightings to a bounce."""
    kept: list[tuple[Course, Setting]] = []

    def keep(course: Course, s: Setting, settings: FlightSettings) -> Course:
        n = int((course.arc_of(s.seen.t_s[course.rows]) == 0).sum())
        if course.kinds[:1] == ("table",) and 3 <= n <= MOST:
            kept.append((course, s))
        return course

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(find, "without_stray", keep)
        for seed in range(12):
            rng = np.random.default_rng([seed, 61])
            path = mp.rally(rng, mp.Nature.draw(rng), strokes=2)
            until = path.touches[1].t_s - 0.06  # nothing before is seen
            measured(mp.scene(rng, "side", mp.Footage(hidden_s=((0.0, until),)), path=path))
    return kept


def first_moved(s: Setting, course: Course, by_sd: float) -> Setting:
    """The first sighting of a course elsewhere, back along the flight."""
    first, second = course.rows[:2]
    uv = s.seen.uv_px.copy()
    way = uv[first] - uv[second]
    whitened = s.seen.white[first] @ (way / np.linalg.norm(way)) / course.scale
    uv[first] += by_sd * way / np.linalg.norm(way) / np.linalg.norm(whitened)
    return replace(s, seen=replace(s.seen, uv_px=uv))


def test_a_first_sighting_before_the_stroke_is_left_out(short_beginnings):
    assert len(short_beginnings) >= 5
    left_out = 0
    for course, s in short_beginnings:
        stray = first_moved(s, course, 20.0)
        bent = replace(
            course, kinds=("racket", *course.kinds[1:]), chances=(0.4, *course.chances[1:])
        )
        bent = reconsider(refine(bent, stray, 20), stray, S)
        mended = without_stray(replace(bent, chances=(0.4, *bent.chances[1:])), stray, S)
        left_out += len(mended.rows) == len(course.rows) - 1 and mended.kinds[0] == "table"
    assert left_out >= 0.8 * len(short_beginnings)


def test_one_that_lies_on_its_flight_stays(short_beginnings):
    for course, s in short_beginnings:
        open_kind = replace(course, chances=(0.4, *course.chances[1:]))
        assert without_stray(open_kind, s, S) is open_kind


# --- serves that come to nothing ------------------------------------------------------------------
def into_the_net(seed: int) -> mp.Scene:
    """A toss, and a serve that meets the net before any table."""
    rng = np.random.default_rng([seed, 67])
    while True:
        path = mp.netted_serve(rng, mp.Nature.draw(rng))
        if path is not None:
            return mp.scene(rng, "side", path=path)


def test_a_serve_into_the_net_is_play_on_this_table():
    struck = netted = 0
    for seed in range(8):
        scene = into_the_net(seed)
        sure = [c for c in measured(scene).contacts if c.probability >= 0.5]
        for touch in scene.path.touches[:2]:
            near = [c for c in sure if c.kind == touch.kind and abs(c.t_s - touch.t_s) < 0.02]
            struck += touch.kind == "racket" and bool(near)
            netted += touch.kind == "net" and bool(near)
    assert struck >= 7
    assert netted >= 6
