"""What lies between two pieces: each kind of touch from its own kind of pair."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfvolley.flight.junctions import (
    OTHER_COST,
    Kind,
    bounce_cost,
    bounces,
    join,
    join_same,
    judge,
    outside,
    place_cost,
)
from halfvolley.flight.pieces import fit_pieces
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import sights

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp

SETTINGS = FlightSettings()
R = mp.R


class Pairs:
    """Neighbouring arcs of made rallies as pieces of true sightings, with what lies between."""

    def __init__(self, view: str, seeds: int, **footage) -> None:
        self.items = []
        for finish in ("missed", "net"):
            for seed in range(seeds):
                rng = np.random.default_rng([seed, 5])
                scene = mp.scene(rng, view, mp.Footage(clutter=0.0, **footage), finish=finish)
                self._add(scene)

    def _add(self, scene) -> None:
        seen = sights(scene.ball, scene.camera, scene.camera.shutter, 0.25)
        edges = np.append(scene.path.starts_s, scene.path.end_s)
        arc = np.searchsorted(edges, scene.ball_t_s) - 1
        rows = [np.flatnonzero(arc == i) for i in range(len(edges) - 1)]
        f_px = scene.camera.camera.f_px
        for i, touch in enumerate(scene.path.touches):
            if min(len(rows[i]), len(rows[i + 1])) >= 5:
                pieces = fit_pieces([rows[i], rows[i + 1]], seen, f_px, SETTINGS)
                self.items.append((touch.kind, touch, *pieces, seen))
        for r in (r for r in rows if len(r) >= 12):
            half = len(r) // 2
            pieces = fit_pieces([r[: half - 2], r[half + 2 :]], seen, f_px, SETTINGS)
            self.items.append(("same", None, *pieces, seen))

    def of(self, kind: str):
        return [item for item in self.items if item[0] == kind and None not in item[2:4]]


@pytest.fixture(scope="module")
def side():
    return Pairs("side", 16)


def test_every_arc_is_a_piece(side):
    assert len(side.items) > 250
    assert sum(None in item[2:4] for item in side.items) <= 2


@pytest.mark.parametrize(
    ("kind", "share", "fewest"),
    [
        ("same", 0.92, 150),
        ("table", 0.93, 100),
        ("racket", 0.96, 80),
        ("floor", 0.7, 5),
        ("net", 0.5, 8),
    ],
)
def test_each_kind_is_recognised_from_its_own_kind_of_pair(side, kind, share, fewest):
    pairs = side.of(kind)
    found = [judge(a, b, seen, SETTINGS).kind for _, _, a, b, seen in pairs]
    assert len(pairs) >= fewest
    assert found.count(kind) >= share * len(pairs), found


def test_a_bounce_is_told_from_a_stroke_and_a_gap(side):
    for kind, low, high in (("table", 0.95, 1.0), ("racket", 0.0, 0.05), ("same", 0.0, 0.02)):
        pairs = side.of(kind)
        share = np.mean([bounces(a, b, seen, SETTINGS) for _, _, a, b, seen in pairs])
        assert low <= share <= high, kind


def test_a_joined_bounce_lies_where_it_was(side):
    off, late = [], []
    for _, touch, a, b, seen in side.of("table"):
        found = join(a, b, seen, SETTINGS, R)
        off.append(np.linalg.norm((found.state[:3] - touch.xyz_m)[:2]))
        late.append(found.t_s + found.state[15] - touch.t_s)
    assert np.median(off) < 0.03 and np.quantile(off, 0.95) < 0.15
    assert np.median(np.abs(late)) < 1e-3


def test_one_flight_through_a_gap_costs_little_and_through_a_bounce_much(side):
    gap = [join_same(a, b, seen, SETTINGS).cost for _, _, a, b, seen in side.of("same")]
    bounce = [join_same(a, b, seen, SETTINGS).cost for _, _, a, b, seen in side.of("table")]
    assert np.quantile(gap, 0.95) < SETTINGS.junction_cost
    assert np.quantile(bounce, 0.05) > SETTINGS.junction_cost


def test_the_cheapest_kind_is_the_one_given_and_all_are_weighed(side):
    for _, _, a, b, seen in side.items[:20]:
        found = judge(a, b, seen, SETTINGS)
        costs = dict(found.weights)
        assert set(costs) == {"same", "table", "floor", "racket", "net", "other"}
        assert costs[found.kind] == min(costs.values()) == found.cost
        assert found.state.shape == (17,)


# --- costs of places and laws -------------------------------------------------------------------
def touch(xyz=(0.7, 0.2, R), v_in=(6.0, 0.5, -2.5), v_out=None, w_in=(0.0, 100.0, 0.0)):
    """(16,) state of a touch; by default a lawful bounce."""
    before = np.concatenate([xyz, v_in, w_in])
    after = mp.Nature().bounced(before)
    if v_out is not None:
        after[3:6] = v_out
    return np.concatenate([before, after[3:], [0.0]])


@pytest.mark.parametrize(
    ("x", "y", "expected"),
    [(0.0, 0.0, 0.0), (1.369, -0.762, 0.0), (1.47, 0.0, 0.1), (-1.67, 1.1625, 0.5)],
)
def test_how_far_a_place_lies_outside_the_table(x, y, expected):
    assert outside(x, y) == pytest.approx(expected, abs=1e-12)
    assert outside(-x, -y) == outside(x, y)
    assert outside(x, y, 0.05) == pytest.approx(max(expected - 0.05, 0.0), abs=0.03)
    assert outside(1.36, 0.0, -0.03) == pytest.approx(0.02)


def test_a_lawful_bounce_costs_nothing_and_any_other_much():
    assert bounce_cost(touch()) < 0.5
    assert bounce_cost(touch(v_out=(5.0, 0.5, 3.4))) > 20.0  # higher than it came
    assert bounce_cost(touch(v_out=(-5.0, 0.0, 2.2))) > 20.0  # turned round
    assert bounce_cost(touch(v_out=(6.0, 0.5, -2.0))) > 40.0  # goes on down
    assert bounce_cost(touch(v_in=(6.0, 0.5, 1.0), v_out=(6.0, 0.5, 2.0))) > 40.0  # came from below
    assert bounce_cost(touch(xyz=(1.45, 0.0, R))) > 10.0  # beside the table
    # spin that the pieces do not know may still have changed the velocity as much as grip can
    assert bounce_cost(touch(v_out=(4.9, 0.5, 2.25))) < 6.0


def test_rackets_strike_near_the_ends_and_turn_the_ball_round():
    struck = touch(xyz=(1.5, 0.1, 0.2), v_in=(5.0, 0.0, 1.0), v_out=(-8.0, 0.5, 2.0))
    here = place_cost("racket", struck)
    middle = struck.copy()
    middle[0] = 0.2
    assert place_cost("racket", middle) > here + 5.0
    on = struck.copy()
    on[9:12] = [7.0, 0.0, 1.0]
    assert place_cost("racket", on) > here + 5.0
    half_turn = struck * np.tile([-1.0, -1.0, 1.0], 6)[:16]
    half_turn[15] = 0.0
    assert place_cost("racket", half_turn) == pytest.approx(here)


def test_the_net_is_a_place():
    at_net = touch(xyz=(R, 0.3, 0.1), v_in=(-8.0, 0.3, 0.5), v_out=(0.4, 0.1, -0.2))
    here = place_cost("net", at_net)
    for i, there in ((0, 0.15), (2, 0.3), (1, 1.1)):
        moved = at_net.copy()
        moved[i] = there
        assert place_cost("net", moved) > here + 10.0
    faster = at_net.copy()
    faster[9:12] = [-12.0, 0.0, 0.0]
    assert place_cost("net", faster) > here + 10.0


def test_the_floor_is_seldom_under_the_table():
    assert place_cost("floor", touch(xyz=(0.3, 0.1, mp.FLOOR_Z))) > place_cost(
        "floor", touch(xyz=(2.5, 0.1, mp.FLOOR_Z))
    )


def test_a_sighting_that_both_pieces_claim_does_not_move_the_touch():
    """At 30 frames a second the frame after a stroke may be claimed by the flight before it."""
    slow = Pairs("side", 6, fps=30.0)
    dearer = []
    for _, _, a, b, seen in slow.of("racket"):
        claims = replace(a, rows=np.append(a.rows, b.rows[0]), t1_s=b.t0_s)
        dearer.append(join(claims, b, seen, SETTINGS).cost - join(a, b, seen, SETTINGS).cost)
    assert len(dearer) >= 15
    assert np.quantile(dearer, 0.8) < 2.0


def test_nothing_strikes_a_ball_below_the_table_or_out_of_reach():
    struck = np.zeros(16)
    struck[[0, 1, 3, 9]] = 1.2, 0.2, 5.0, -8.0  # from 1.2 m, comes at 5 m/s and leaves at 8 m/s
    above, below, beside, low, high, resting = (struck.copy() for _ in range(6))
    resting[2] = R + 0.005  # no room for a racket under it or behind it
    above[2], below[2], beside[:3], low[:3] = 0.2, -0.2, (2.2, 0.2, -0.2), (2.2, 0.2, -0.7)
    high[:3] = 2.2, 0.2, 1.9
    assert place_cost("racket", below) > place_cost("racket", above) + 40.0
    assert place_cost("racket", resting) > place_cost("racket", above) + 1.0
    assert place_cost("racket", beside) < place_cost("racket", above) + 1.0
    for far in (low, high):
        assert place_cost("racket", beside) + 5.0 < place_cost("racket", far) < 20.0


def test_nothing_is_touched_below_the_floor():
    at_floor, sunk = np.zeros(16), np.zeros(16)
    at_floor[[0, 2, 3, 9]] = 5.0, mp.FLOOR_Z, 4.0, 3.0
    sunk[[0, 2, 3, 9]] = 5.0, mp.FLOOR_Z - 0.8, 4.0, 3.0
    kinds: tuple[Kind, ...] = ("racket", "other")
    for kind in kinds:
        assert place_cost(kind, sunk) > place_cost(kind, at_floor) + 40.0
    assert place_cost("other", at_floor) == OTHER_COST
