"""Serves whose stroke and own bounce nobody saw."""

import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.flight import find_flights
from halfvolley.flight.serve import served
from halfvolley.track import find_tracks

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp


def without(scene, low_s, high_s):
    """What is found where nothing is seen between two times."""
    d = scene.detections
    kept = d.take(np.flatnonzero((d.t_s < low_s) | (d.t_s > high_s)))
    return find_flights(find_tracks(kept, 1920), scene.camera)


def is_there(touch, flights, kind, off_m):
    return any(
        c.kind == kind
        and c.probability > 0.5
        and abs(c.t_s - touch.t_s) < 0.03
        and np.linalg.norm(c.xyz_m - touch.xyz_m) < off_m
        for c in flights.contacts
    )


@pytest.mark.parametrize(("view", "off_m"), [("side", 0.1), ("end", 0.2)])
def test_a_hidden_stroke_and_bounce_are_found_from_toss_and_flight(view, off_m):
    strokes = bounces = 0
    for seed in range(8):
        scene = mp.scene(np.random.default_rng([seed, 71]), view)
        stroke, bounce = scene.path.touches[:2]
        assert (stroke.kind, bounce.kind) == ("racket", "table")
        flights = without(scene, stroke.t_s - 0.03, bounce.t_s + 0.05)
        strokes += is_there(stroke, flights, "racket", off_m)
        bounces += is_there(bounce, flights, "table", off_m)
    assert strokes >= 7
    assert bounces >= 7


def test_a_hidden_stroke_of_a_rally_gets_no_bounce_on_its_own_side():
    for seed in range(6):
        scene = mp.scene(np.random.default_rng([seed, 72]), "side")
        stroke = scene.path.of_kind("racket")[1]
        flights = without(scene, stroke.t_s - 0.06, stroke.t_s + 0.1)
        assert not [
            c
            for c in flights.contacts
            if c.kind == "table" and c.probability > 0.5 and abs(c.t_s - stroke.t_s) < 0.1
        ]


def test_a_server_stands_behind_the_end_and_throws_the_ball_up():
    toss = np.array([1.5, 0.1, 0.3, 0.0, 0.1, 2.5, 0.0, 0.0, 0.0])
    struck = np.array([1.5, 0.1, 0.3, -5.0, 0.3, -1.0, 0.0, 0.0, 0.0])
    assert served(toss, struck)
    assert served(toss * [-1, 1, 1, 1, 1, 1, 1, 1, 1], struck * [-1, 1, 1, -1, 1, 1, 1, 1, 1])
    for place, value in ((0, 1.2), (0, 2.6), (1, 1.4), (2, -0.1), (3, 5.0), (3, -1.0)):
        other = struck.copy()
        other[place] = value
        assert not served(toss, other), (place, value)
    thrown = toss.copy()
    thrown[3] = -1.5
    assert not served(thrown, struck)
