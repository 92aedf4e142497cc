"""Ends of rallies and strokes of serves that were not seen, foretold from the flights beside."""

from dataclasses import replace

import numpy as np
import pytest
from made_flights import AIR, arc_of, rally_that_leaves, side_view, state_at
from made_touches import play_of, touch
from scipy.integrate import solve_ivp

from halfvolley.match.foretell import (
    FLOOR_M,
    ForetellSettings,
    Way,
    edge_gap_m,
    foretell,
    next_touch,
    seconds_in_sight,
)
from halfvolley.match.outcome import Touch

FAR = (50.0, 50.0, 50.0)
LONG, IN_NET, GOOD = (14.0, 0.5, 4.0), (9.0, 0.2, 0.4), (9.0, 0.3, 1.6)


# --- the next touch ------------------------------------------------------------------------------
def reference(v, until):
    """Time and place at which a ball without spin meets what `until` says, by SciPy's DOP853."""
    g, b, drag = AIR.kernel_arguments[:3]

    def rates(_, s):
        speed = np.linalg.norm(s[3:])
        return np.concatenate([s[3:], -b * drag * speed * s[3:] - [0.0, 0.0, g]])

    until.terminal = True
    found = solve_ivp(rates, (0, 3), [-1.7, 0.0, 0.2, *v], "DOP853", events=until, rtol=1e-10)
    return found.t_events[0][0], found.y_events[0][0][:3]


@pytest.mark.parametrize(
    ("v", "kind", "until"),
    [
        (LONG, "floor", lambda t, s: s[2] - FLOOR_M),
        (IN_NET, "net", lambda t, s: s[0]),
        (GOOD, "table", lambda t, s: s[2] - 0.02),
    ],
)
def test_the_next_touch_comes_when_a_reference_integrator_says(v, kind, until):
    state = np.concatenate([[-1.7, 0.0, 0.2], v, np.zeros(3)])
    found, t, there = next_touch(state, AIR.kernel_arguments, FAR)
    t_true, xyz = reference(v, until)
    assert found == kind
    assert t == pytest.approx(t_true, abs=1e-4)
    assert there[:3] == pytest.approx(xyz, abs=1e-3)


def test_walls_and_ceiling_come_before_the_floor_where_they_are_near():
    state = np.concatenate([[-1.7, 0.0, 0.2], LONG, np.zeros(3)])
    assert next_touch(state, AIR.kernel_arguments, (2.0, 50.0, 50.0))[0] == "other"
    assert next_touch(state, AIR.kernel_arguments, (50.0, 50.0, 0.5))[0] == "other"


def test_foretold_times_are_as_uncertain_as_they_say():
    """Of true balls drawn from the claimed covariance, about 95 % end within 1.96 sd."""
    rng = np.random.default_rng(5)
    known, settings = (Touch("racket", None, "A", 0.9),), ForetellSettings(draws=60)
    held = []
    for _ in range(40):
        true = arc_of(0, 0.0, 0.25, [-1.7, 0.0, 0.2], LONG)
        t_true = next_touch(state_at(true, 0.0), AIR.kernel_arguments, FAR)[1]
        seen = np.concatenate([true.xyz_m, true.v_mps, true.omega_radps])
        seen = seen + np.sqrt(np.diag(true.cov)) * rng.normal(size=9)
        arc = replace(true, xyz_m=seen[:3], v_mps=seen[3:6], omega_radps=seen[6:])
        near = replace(settings, wall_x_m=(50.0, 51.0), wall_y_m=(50.0, 51.0),
                       ceiling_m=(50.0, 51.0))  # fmt: skip
        t = [f.t_s for f in foretell(Way(arc, known, False), AIR, near, rng)]
        low, middle, high = np.quantile(t, [0.16, 0.5, 0.84])
        held.append(abs(middle - t_true) < 1.96 * 0.5 * (high - low))
    assert 0.85 <= np.mean(held) <= 1.0


# --- ends ----------------------------------------------------------------------------------------
def test_a_long_ball_out_of_the_picture_is_out_and_its_end_foretold():
    play = rally_that_leaves(LONG, 2.55)
    (rally,) = play.rallies
    t_true, _ = reference(LONG, lambda t, s: s[2] - FLOOR_M)
    assert rally.end.t_s == pytest.approx(2.3 + t_true, abs=0.05)
    assert not rally.end.seen
    assert 0.001 < rally.end.t_sd_s < 0.5
    assert (rally.outcome.winner, rally.outcome.how) == ("B", "out")
    assert 0.6 < rally.outcome.probability < 1.0
    assert rally.outcome.doubt == "foretold from its last flight"
    assert len(play.contacts) == 6, "what is foretold is no contact"


def test_a_ball_on_its_way_into_the_net_ends_on_the_own_side():
    (rally,) = rally_that_leaves(IN_NET, 2.48).rallies
    t_net, _ = reference(IN_NET, lambda t, s: s[0])
    assert (rally.outcome.winner, rally.outcome.how) == ("B", "net")
    assert 2.3 + t_net < rally.end.t_s < 2.3 + t_net + 0.25


def test_a_good_ball_that_nobody_was_seen_to_return_is_missed():
    arc = arc_of(7, 2.3, 2.68, [-1.7, 0.0, 0.2], GOOD)
    t, xyz = reference(GOOD, lambda t, s: s[2] - 0.02)
    v = state_at(arc, 2.3 + t)[3:6] * [0.8, 0.8, -0.9]
    bounce = replace(touch("table", 2.3 + t, xyz[0], 8.0, v[0]), xyz_m=xyz, v_out_mps=v, arc_out=8)
    gone = arc_of(8, 2.3 + t, 2.3 + t + 0.16, xyz, v, after=6)
    (rally,) = rally_that_leaves(GOOD, 2.3 + t, more=[bounce], arcs=[gone]).rallies
    assert (rally.outcome.winner, rally.outcome.how) == ("A", "missed")
    assert not rally.end.seen
    view = side_view(until_s=2.3 + t + 0.5)  # a return would not have shown yet
    (rally,) = rally_that_leaves(GOOD, 2.3 + t, view=view, more=[bounce], arcs=[gone]).rallies
    assert rally.outcome.how == "unknown"


@pytest.mark.parametrize(
    ("v", "t1_s", "said", "why"),
    [
        (LONG, 2.35, {}, "it would have been in sight for long: something befell it"),
        (GOOD, 2.60, {}, "not even its bounce was seen"),
        (LONG, 2.55, {"arcs": [arc_of(9, 3.0, 3.3, [0.9, 0.1, 0.2], [-7.0, 0.0, 1.0])]},
         "a ball is over the table again"),
    ],
)  # fmt: skip
def test_what_the_last_flight_cannot_tell_is_unknown(v, t1_s, said, why):
    (rally,) = rally_that_leaves(v, t1_s, **said).rallies
    assert (rally.end, rally.outcome.winner, rally.outcome.how) == (None, None, "unknown"), why
    assert rally.outcome.doubt


def floor_touch(v, until, aside_m=0.0, sd_m=0.01):
    """A touch of the floor by a ball of another chain, hardly believed by itself."""
    t, xyz = reference(v, until)
    made = touch("floor", 2.3 + t, xyz[0], probability=0.44)
    place = xyz + np.array([0.0, aside_m, 0.0])
    return replace(made, xyz_m=place, cov_xyz_m2=sd_m**2 * np.eye(3), chain=1)


def test_a_ball_that_meets_the_floor_where_it_was_foretold_is_the_same_ball():
    """Out of sight in between, so that its flight alone tells nothing."""
    floor = floor_touch(LONG, lambda t, s: s[2] - FLOOR_M)
    play = rally_that_leaves(LONG, 2.35, more=[floor])
    (rally,) = play.rallies
    assert (rally.end.t_s, rally.end.seen) == (floor.t_s, True)
    last = play.contacts[-1]
    assert (last.contact.kind, last.rally_id, last.side, last.player) == ("floor", 1, None, "A")
    assert 0.44 < last.contact.probability < 0.9, "surer, for it was foretold"
    assert (rally.outcome.winner, rally.outcome.how) == ("B", "out")
    elsewhere = floor_touch(LONG, lambda t, s: s[2] - FLOOR_M, aside_m=1.5)
    vague = floor_touch(LONG, lambda t, s: s[2] - FLOOR_M, sd_m=0.5)
    for other in (elsewhere, vague):
        (rally,) = rally_that_leaves(LONG, 2.35, more=[other]).rallies
        assert (rally.end, rally.outcome.how) == (None, "unknown")


def test_a_ball_that_may_have_touched_the_edge_unseen_has_an_end_and_no_winner():
    v = next(
        (vx, 0.0, 1.6) for vx in np.arange(6.0, 12.0, 0.01)
        if reference((vx, 0.0, 1.6), lambda t, s: s[2] - 0.02)[1][0] > 1.37 + 0.03
    )  # fmt: skip
    floor = floor_touch(v, lambda t, s: s[2] - FLOOR_M)
    (rally,) = rally_that_leaves(v, 2.35, more=[floor]).rallies
    assert rally.end.t_s == floor.t_s
    assert (rally.outcome.how, rally.outcome.doubt) == ("unknown", "it may have touched the edge")


def test_an_end_after_the_clip_is_null_though_the_winner_is_known():
    (rally,) = rally_that_leaves(LONG, 2.55, view=side_view(until_s=2.8)).rallies
    assert (rally.end, rally.outcome.winner) == (None, "B")


def test_without_a_camera_nothing_is_foretold():
    play = rally_that_leaves(LONG, 2.55)
    touches = [p.contact for p in play.contacts]
    assert play_of(touches).rallies[0].end is None


def test_a_ball_under_the_table_is_not_in_sight():
    view = side_view()
    low = arc_of(0, 1.0, 1.05, [0.0, 0.7, -0.1], [0.5, 0.0, 0.0])
    high = arc_of(0, 1.0, 1.05, [0.0, 0.5, 0.4], [0.5, 0.3, 1.0])
    known = (Touch("table", "B", "A", 0.9),)
    assert seconds_in_sight(Way(low, known, False), 1.12, view, AIR) == 0.0
    assert seconds_in_sight(Way(high, known, False), 1.2, view, AIR) > 0.1


# --- the edge ------------------------------------------------------------------------------------
def test_a_flight_that_just_passes_the_edge_is_told_from_one_that_lands():
    beside = arc_of(0, 0.0, 1.0, [1.0, 0.0, 0.3], [5.0, 0.0, 0.0])
    t = next_touch(state_at(beside, 0.0), AIR.kernel_arguments, FAR)[1]
    assert t > 0.3, "it falls to the floor"
    x = reference_x(beside, 0.02)
    assert edge_gap_m(beside, AIR) == pytest.approx(x - 1.37, abs=0.03)
    assert edge_gap_m(arc_of(0, 0.0, 0.1, [1.0, 0.0, 0.9], [5.0, 0.0, 0.0]), AIR) == np.inf


def reference_x(arc, z_m):
    times = np.linspace(0.0, 1.0, 2001)
    states = np.array([state_at(arc, t) for t in times])
    return states[np.argmax(states[:, 2] < z_m), 0]


# the vertical side is no part of the playing surface (ITTF Law 2.1.2); friction of at most 0.37
# turns its push up by no more than 0.37 of what it pushes aside
@pytest.mark.parametrize(
    ("v_in", "v_out", "kind"),
    [((-6.0, -3.2), (-6.5, -1.2), "edge"), ((-2.9, -2.8), (-5.9, -1.5), "edge"),
     ((3.0, -3.2), (-2.0, -1.9), "other")],
    ids=["pushed up, though it goes on down", "aside more than up", "pushed aside"],
)  # fmt: skip
def test_the_edge_is_told_from_the_side_by_the_push(v_in, v_out, kind):
    c = replace(
        touch("other", 2.1, -1.385), xyz_m=np.array([-1.385, 0.2, 0.01]),
        v_in_mps=np.array([v_in[0], 0.0, v_in[1]]), v_out_mps=np.array([v_out[0], 0.0, v_out[1]]),
    )  # fmt: skip
    assert play_of([c]).contacts[0].contact.kind == kind


def test_what_bounces_as_high_as_the_floor_is_the_floor():
    c = replace(
        touch("racket", 2.1, 1.6, 0.5, 0.6), xyz_m=np.array([1.6, 0.2, FLOOR_M + 0.01]),
        v_in_mps=np.array([0.5, 0.0, -5.0]), v_out_mps=np.array([0.4, 0.0, 3.5]),
    )  # fmt: skip
    assert play_of([c]).contacts[0].contact.kind == "floor"
    assert (
        play_of([replace(c, xyz_m=np.array([1.6, 0.2, -0.4]))]).contacts[0].contact.kind != "floor"
    )


# --- serves --------------------------------------------------------------------------------------
def struck_out_of_a_toss(x_m=-1.6, v_out=(6.0, 0.1, -1.0), t_s=1.0):
    return replace(
        touch("racket", t_s, x_m, 0.0, v_out[0]), v_in_mps=np.array([0.1, 0.0, -2.5]),
        v_out_mps=np.array(v_out), arc_out=3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("then", "how"),
    [
        ([touch("floor", 1.4, 0.5, 5.0)], "out"),
        ([touch("table", 1.15, -0.9, 6.0, 5.0), touch("net", 1.4, 0.0, 5.0, -0.3),
          touch("table", 1.6, -0.2, -0.3)], "net"),
        ([replace(touch("table", 1.4, 0.9, 6.0, 5.0), arc_in=3)], "out"),
    ],
    ids=["to the floor", "into the net", "without the own side"],
)  # fmt: skip
def test_a_serve_is_one_also_where_it_is_a_fault(then, how):
    (rally,) = play_of([struck_out_of_a_toss(), *then]).rallies
    assert (rally.server, rally.t_start_s, rally.t_end_s) == ("A", 1.0, then[-1].t_s)
    assert (rally.outcome.winner, rally.outcome.how) == ("B", how)


@pytest.mark.parametrize(
    "touched",
    [struck_out_of_a_toss(x_m=-0.9), struck_out_of_a_toss(v_out=(-3.0, 0.0, 2.0)),
     replace(struck_out_of_a_toss(), v_in_mps=np.array([0.1, 0.0, 2.5]))],
    ids=["over the table", "away from it", "going up"],
)  # fmt: skip
def test_what_is_no_stroke_of_a_serve(touched):
    assert play_of([touched, touch("floor", 1.6, -2.0, 1.0)]).rallies == ()


def test_a_serve_whose_stroke_was_only_foretold_opens_a_rally():
    """The stroke leads to the own side (ITTF Law 2.6.3) and into the net."""
    stroke = replace(touch("racket", 1.0, -1.6, vx_out=5.0), t_sd_s=0.02, arc_in=-1)
    own, net = touch("table", 1.16, -0.85, 5.0, 4.2), touch("net", 1.4, 0.0, 4.0, -0.2)
    play = play_of([stroke, own, net])
    (rally,) = play.rallies
    assert (rally.server, rally.n_strokes) == ("A", 1)
    assert (rally.start.t_s, rally.start.t_sd_s, rally.start.seen) == (1.0, 0.02, False)
    assert [(s.number, s.player) for s in play.strokes] == [(1, "A")]
    assert play_of([replace(stroke, arc_in=0), own, net]).rallies == ()  # seen, without a toss
