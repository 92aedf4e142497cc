"""Bounces beyond the sightings of a course: how a ball may have come to them."""

import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.flight import find_flights
from halfvolley.flight.landing import before_bounce
from halfvolley.physics.kernels import bounce
from halfvolley.track import find_tracks

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp

LAW = np.zeros(22)
LAW[18:21] = 0.92, 0.01, 0.25  # restitution at rest, its slope, friction


def slip_mps(state):
    return float(np.hypot(state[3] - mp.R * state[7], state[4] + mp.R * state[6]))


@pytest.mark.parametrize("top_revps", [3.0, 12.0, 30.0])
def test_a_slid_ball_before_a_bounce_comes_out_of_it_as_it_did(top_revps):
    """Inverse against the law, where friction could have made all of the spin."""
    state = np.array([0.5, 0.1, mp.R, 0.0, 0.0, 2.4, 0.0, 0.0, 20.0])
    spin = 2.0 * np.pi * top_revps
    along = np.array([-0.8, 0.6])
    state[3:5] = spin * mp.R * along  # it rolls off the table
    state[6:8] = spin * np.array([-along[1], along[0]])
    before = before_bounce(state, LAW)[0]
    v, w = bounce(before[3:6], before[6:9], *LAW[18:21], mp.R)
    e_off = 0.02 * abs(before[5])  # restitution is read off the speed after
    np.testing.assert_allclose(v, state[3:6], atol=e_off)
    np.testing.assert_allclose(w, state[6:9], atol=1.0)


def test_both_ways_before_a_bounce_slip():
    """At no slip friction has no direction, and a search from there goes nowhere."""
    state = np.array([0.0, 0.0, mp.R, -3.0, 0.4, 2.5, -0.4 / mp.R, -3.0 / mp.R, 0.0])
    assert slip_mps(state) < 1e-9
    slid, drawn = before_bounce(state, LAW)
    assert slip_mps(slid) > 1.0 and slip_mps(drawn) > 1.0
    assert abs(slid[3]) > 3.0 > abs(drawn[3])


@pytest.mark.parametrize("view", ["side", "end"])
def test_a_serve_seen_from_its_own_bounce_on_has_that_bounce(view):
    """The toss and the stroke are hidden; no sighting lies before the bounce."""
    found = 0
    for seed in range(10):
        rng = np.random.default_rng([seed, 41])
        scene = mp.scene(rng, view, mp.Footage())
        first = scene.path.of_kind("table")[0]
        d = scene.detections
        late = d.take(np.flatnonzero(d.t_s > first.t_s))
        flights = find_flights(find_tracks(late, 1920), scene.camera)
        near = [c for c in flights.contacts if abs(c.t_s - first.t_s) < 0.012]
        off = [np.hypot(*(c.xyz_m - first.xyz_m)[:2]) for c in near if c.kind == "table"]
        found += bool(off) and off[0] < 0.1
    assert found >= 9
