"""Serves whose stroke was hidden: found where they were, as surely as is said, and nowhere else."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfvolley.flight.struck import Path as Flown
from halfvolley.flight.struck import State, back_over_bounce, struck
from halfvolley.physics.kernels import bounce
from halfvolley.types import Arc, Contact, Flights

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp
from made_play import measured

AIR = np.array(mp.DEFAULT)
SD = np.array([0.01, 0.02, 0.01, 0.1, 0.2, 0.1, 50.0, 50.0, 50.0])


def hidden_serve(seed: int, view: str, before_s: float, after_s: float, **how) -> mp.Scene:
    """A rally whose ball is not seen about the stroke of its serve."""
    rng = np.random.default_rng([seed, 53])
    path = mp.rally(rng, mp.Nature.draw(rng))
    t = path.touches[0].t_s
    return mp.scene(
        rng, view, mp.Footage(hidden_s=((t - before_s, t + after_s),)), path=path, **how
    )


def strokes_near(flights: Flights, touch: mp.Touch, within_s: float = 0.06) -> list[Contact]:
    return [
        c for c in flights.contacts
        if c.kind == "racket" and c.probability >= 0.5 and abs(c.t_s - touch.t_s) < within_s
    ]  # fmt: skip


# ITTF Laws 2.6.3 (own side first), 2.6.4 (above the table, behind the end line)
@pytest.mark.parametrize("view", ["side", "corner"])
@pytest.mark.parametrize(
    ("before_s", "after_s"), [(0.08, 0.05), (1.0, 0.05), (0.05, 0.12), (1.0, 0.12)],
    ids=["stroke", "toss and stroke", "stroke and bounce", "all of it"],
)  # fmt: skip
def test_a_hidden_stroke_of_a_serve_is_told_from_what_followed(view, before_s, after_s):
    found, within, tried = 0, 0, 8
    for seed in range(tried):
        scene = hidden_serve(seed, view, before_s, after_s)
        serve = scene.path.touches[0]
        near = strokes_near(measured(scene), serve)
        found += len(near) == 1
        within += sum(abs(c.t_s - serve.t_s) < 2.58 * c.t_sd_s for c in near)  # 99 %
    assert found >= 0.8 * tried
    assert within >= found - 1


def test_what_is_added_refers_to_its_arcs_and_lies_where_a_server_may_strike():
    flights = measured(hidden_serve(2, "side", 0.05, 0.12))
    assert [c.contact_id for c in flights.contacts] == list(range(len(flights.contacts)))
    stroke, own, other = flights.contacts[:3]
    assert (stroke.kind, own.kind, other.kind) == ("racket", "table", "table")
    assert abs(stroke.xyz_m[0]) > mp.HALF_X and stroke.xyz_m[2] > 0.0  # ITTF Law 2.6.4
    assert stroke.xyz_m[0] * own.xyz_m[0] > 0.0 > own.xyz_m[0] * other.xyz_m[0]  # Law 2.6.3
    for c in (stroke, own):
        assert 0.0 < c.t_sd_s < 0.05
        assert np.linalg.eigvalsh(c.cov_xyz_m2).min() > 0.0
        if c.arc_out != -1:
            after = flights.arcs[c.arc_out]
            assert (after.contact_in, after.t0_s) == (c.contact_id, c.t_s)
        if c.arc_in != -1:
            before = flights.arcs[c.arc_in]
            assert (before.contact_out, before.t1_s) == (c.contact_id, c.t_s)


@pytest.mark.parametrize("view", ["side", "corner"])
def test_a_hidden_stroke_within_a_rally_is_no_serve(view):
    """A return may not touch the striker's own side (ITTF Law 2.7.1); none is made up there."""
    for seed in range(8):
        rng = np.random.default_rng([seed, 59])
        path = mp.rally(rng, mp.Nature.draw(rng), strokes=5)
        t = path.of_kind("racket")[2].t_s
        gap = (t - 0.1, t + 0.1)
        flights = measured(mp.scene(rng, view, mp.Footage(hidden_s=(gap,)), path=path))
        assert not [c for c in flights.contacts if c.arc_in == -1], seed


def test_a_clip_that_begins_with_a_stroke_within_a_rally_shows_no_serve():
    for seed in range(6):
        rng = np.random.default_rng([seed, 61])
        path = mp.rally(rng, mp.Nature.draw(rng), strokes=4)
        begin = path.of_kind("racket")[1].t_s + 0.03
        scene = mp.scene(rng, "side", mp.Footage(hidden_s=((0.0, begin),)), path=path)
        usable = np.array([[begin - 0.1, 1e3]])
        flights = measured(replace(scene, camera=replace(scene.camera, usable_s=usable)))
        assert not [c for c in flights.contacts if c.arc_in == -1], seed


def test_from_an_end_stroke_and_bounce_are_told_apart():
    """They lie within a few pixels of each other; nothing between them is seen."""
    found, tried = 0, 8
    for seed in range(tried):
        rng = np.random.default_rng([seed, 67])
        path = mp.rally(rng, mp.Nature.draw(rng))
        stroke, own = path.touches[:2]
        gap = (stroke.t_s - 0.01, own.t_s + 0.01)
        scene = mp.scene(rng, "end", mp.Footage(hidden_s=(gap,)), path=path)
        found += len(strokes_near(measured(scene), stroke)) == 1
    assert found >= 0.6 * tried


# --- the mathematics -----------------------------------------------------------------------------
def serving_arc(end: float = -1.0) -> Arc:
    """5 m/s, down to the table from behind the end of this sign; first seen 0.1 m behind it."""
    return Arc(
        0, 1.0, 1.05, np.array([end * 1.47, 0.2, 0.12]), np.array([-end * 5.0, 0.3, -2.0]),
        np.zeros(3), np.diag(SD**2), AIR[2], AIR[3], AIR[6], np.arange(3), 1.0, -1, 0,
    )  # fmt: skip


def test_the_stroke_is_behind_the_end_line_and_alike_at_both_ends():
    a, b = (struck(Flown.of(serving_arc(end), AIR), 1.0, end, None) for end in (-1.0, 1.0))
    assert a is not None and b is not None
    assert a.t_s == pytest.approx(b.t_s) and a.x[0] == pytest.approx(-b.x[0])
    assert a.x[0] < -mp.HALF_X and a.x[2] > 0.0  # ITTF Law 2.6.4
    assert 0.95 < a.t_s < 1.0


def test_a_toss_that_was_seen_says_more_than_where_servers_stand():
    path = Flown.of(serving_arc(), AIR)
    at = path.state(0.94)
    x = np.concatenate([at.x[:3], [0.0, 0.0, -2.2], np.zeros(3)])
    toss = Flown(0.94, x, np.diag(np.array([0.01] * 3 + [0.1] * 3 + [50.0] * 3) ** 2), path.air)
    alone, met = struck(path, 1.0, -1.0, None), struck(path, 1.0, -1.0, toss)
    assert met.t_s == pytest.approx(0.94, abs=0.005)
    assert met.t_sd_s < 0.5 * alone.t_sd_s


def test_a_flight_from_below_the_table_was_not_served():
    low = replace(serving_arc(), xyz_m=np.array([-1.5, 0.2, -0.3]), v_mps=np.array([4.0, 0.0, 3.0]))
    assert struck(Flown.of(low, AIR), 1.0, -1.0, None) is None


# bounce law of the physics room, with spins that serves have; friction decides, spin is not known
@pytest.mark.parametrize("top_revps", [-40.0, -20.0, 0.0, 20.0])
def test_back_over_a_bounce(top_revps):
    v = np.array([5.5, 0.6, -2.6])
    after = np.concatenate([np.zeros(3), *bounce(v, mp.spin_of(v, top_revps, 0.0), 0.925, 0.01,
                                                 0.25, mp.R)])  # fmt: skip
    before = back_over_bounce(State(2.0, 0.001, after, np.diag(SD**2)), tuple(AIR))
    assert before.x[5] == pytest.approx(v[2], rel=0.01)
    sd = np.sqrt(np.diag(before.cov))
    assert np.all(np.abs(before.x[3:6] - v) < 2.58 * sd[3:6])
    assert sd[3] < 0.7
