"""Rallies and strokes from contacts: the rules of the game on hand-written touches."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_touches import mirrored, play_of, return_by_b, serve_by_a, touch

from halfvolley.match import PlaySettings


def test_serve_and_return_missed_by_the_server():
    play = play_of([*serve_by_a(), *return_by_b(1.8), touch("floor", 2.6, -3.0, -5.0)])
    (rally,) = play.rallies
    assert (rally.rally_id, rally.server, rally.n_strokes) == (1, "A", 2)
    assert rally.t_start_s == 1.0
    assert rally.t_end_s == 2.6
    assert [c.rally_id for c in play.contacts] == [1] * 6
    assert [c.player for c in play.contacts] == ["A", "A", "A", "B", "B", "B"]
    assert [c.side for c in play.contacts] == [None, "A", "B", None, "A", None]
    assert [(s.number, s.player, s.bounce_id) for s in play.strokes] == [(1, "A", 2), (2, "B", 4)]


def test_ends_change_places_with_the_table():
    touches = [*serve_by_a(), *return_by_b(1.8), touch("floor", 2.6, -3.0, -5.0)]
    swap = {"A": "B", "B": "A", None: None}
    one, two = play_of(touches), play_of(mirrored(touches))
    assert [swap[c.player] for c in one.contacts] == [c.player for c in two.contacts]
    assert [swap[c.side] for c in one.contacts] == [c.side for c in two.contacts]
    assert [swap[r.server] for r in one.rallies] == [r.server for r in two.rallies]


@given(st.floats(-1e4, 1e4))
def test_a_shift_of_the_clock_changes_nothing_else(shift):
    touches = [*serve_by_a(), *return_by_b(1.8), touch("floor", 2.6, -3.0, -5.0)]
    moved = play_of([replace(c, t_s=c.t_s + shift) for c in touches])
    still = play_of(touches)
    assert [c.player for c in moved.contacts] == [c.player for c in still.contacts]
    assert moved.rallies[0].t_end_s == pytest.approx(still.rallies[0].t_end_s + shift)


@pytest.mark.parametrize(
    ("last", "why"),
    [
        (touch("table", 2.4, -0.3, -4.0), "second bounce on one side"),
        (touch("floor", 2.4, -2.0, -4.0), "floor"),
        (touch("other", 2.4, -4.0, -4.0), "wall"),
    ],
)
def test_what_decides_a_ball(last, why):
    play = play_of([*serve_by_a(), *return_by_b(1.8), last])
    assert play.rallies[0].t_end_s == 2.4, why


def test_a_ball_that_falls_back_from_the_net_is_decided_on_the_own_side():
    net = touch("net", 2.0, 0.0, -8.0, 1.0)
    back = touch("table", 2.3, 0.4, 1.0)  # arrives away from the net, yet B struck it
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), net, back])
    assert play.rallies[0].t_end_s == 2.3
    assert play.contacts[-1].player == "B"
    assert play.rallies[0].n_strokes == 2


def test_a_let_serve_over_the_net_is_a_serve():
    touches = serve_by_a()
    touches.insert(2, touch("net", 1.3, 0.0, 5.4, 4.0))
    play = play_of(touches)
    assert play.rallies[0].server == "A"
    assert play.rallies[0].t_end_s is None


def test_bounces_before_the_serve_belong_to_nobody():
    idle = [touch("table", 0.3 + 0.4 * i, -1.2, 0.0, 0.0) for i in range(2)]
    play = play_of([*idle, *serve_by_a(), *return_by_b(1.8)])
    assert [c.player for c in play.contacts[:2]] == [None, None]
    assert [c.rally_id for c in play.contacts] == [None, None, 1, 1, 1, 1, 1]


def test_what_follows_a_decided_ball_belongs_to_no_rally():
    end = touch("floor", 2.4, -2.0, -4.0)
    later = [touch("floor", 2.9, -2.4, -1.0), touch("table", 3.4, 0.7, 3.0)]
    play = play_of([*serve_by_a(), *return_by_b(1.8), end, *later])
    assert len(play.rallies) == 1
    assert [c.rally_id for c in play.contacts[-2:]] == [None, None]


def test_a_long_pause_ends_a_rally_without_an_end():
    play = play_of([*serve_by_a(1.0), *serve_by_a(6.0)])
    assert [r.t_end_s for r in play.rallies] == [None, None]
    assert [r.t_start_s for r in play.rallies] == [1.0, 6.0]
    assert [s.number for s in play.strokes] == [1, 1]


def test_the_pause_is_a_setting():
    touches = [*serve_by_a(1.0), touch("table", 3.4, -0.5, -3.0)]
    assert len(play_of(touches).rallies) == 1
    assert len(play_of(touches, PlaySettings(max_gap_s=1.0)).rallies) == 2


def test_an_unseen_stroke_is_counted_and_ends_nothing():
    # B's return is not seen: the ball bounces on A's side, arriving from B
    touches = [
        *serve_by_a(),
        touch("table", 2.2, -0.7, -7.0),
        touch("racket", 2.5, -1.6, -5.0, 9.0),
        touch("table", 2.8, 0.9, 8.0),
    ]
    play = play_of(touches)
    (rally,) = play.rallies
    assert rally.t_end_s is None
    assert rally.n_strokes == 3
    assert [(s.number, s.player) for s in play.strokes] == [(1, "A"), (3, "A")]
    assert [c.player for c in play.contacts] == ["A", "A", "A", "B", "A", "A"]


def test_a_serve_whose_racket_was_not_seen_has_a_server_but_no_start():
    play = play_of([*serve_by_a()[1:], *return_by_b(1.8)])
    (rally,) = play.rallies
    assert (rally.server, rally.t_start_s, rally.n_strokes) == ("A", None, 2)
    assert [s.number for s in play.strokes] == [2]


def test_a_clip_that_begins_within_a_rally_has_no_server_and_no_numbers():
    play = play_of([*return_by_b(0.1), touch("racket", 0.8, -1.5, -5.0, 9.0)])
    (rally,) = play.rallies
    assert (rally.server, rally.t_start_s, rally.n_strokes) == (None, None, 2)
    assert [s.number for s in play.strokes] == [None, None]


def test_a_second_ball_does_not_end_the_rally():
    """It comes from the next table, or rolled away before; it has a chain of its own."""
    other_ball = [replace(touch("floor", t, 2.5, 0.5), chain=1) for t in (1.6, 2.0)]
    touches = sorted([*serve_by_a(), *return_by_b(1.8), *other_ball], key=lambda c: c.t_s)
    play = play_of(touches)
    (rally,) = play.rallies
    assert (rally.n_strokes, rally.t_end_s) == (2, None)
    assert [p.rally_id for p in play.contacts if p.contact.chain == 1] == [None, None]


def test_doubtful_contacts_take_no_part():
    doubtful = touch("floor", 1.3, 0.0, 5.0, probability=0.4)
    play = play_of([*serve_by_a(), doubtful, *return_by_b(1.8)])
    assert play.rallies[0].t_end_s is None
    assert len(play.contacts) == 5


def test_a_racket_touch_near_the_net_goes_to_who_sends_the_ball_away():
    flick = touch("racket", 1.8, -0.1, 2.0, -6.0)  # B reaches over to a short ball
    play = play_of([*serve_by_a(), flick])
    assert play.contacts[-1].player == "B"


def test_no_contact_is_no_play():
    play = play_of([])
    assert (play.contacts, play.strokes, play.rallies) == ((), (), ())


def test_a_touch_that_nothing_explains_does_not_end_a_rally_that_goes_on():
    odd = touch("other", 1.6, 1.0, 4.0, 4.0)
    answer = [touch("racket", 2.6, -1.7, -4.0, 8.0), touch("table", 3.0, 0.9, 7.0, 6.0)]
    on = play_of([*serve_by_a(), odd, *return_by_b(1.8), *answer])
    assert [(r.t_end_s, r.n_strokes) for r in on.rallies] == [(None, 3)]
    over = play_of([*serve_by_a(), odd, touch("floor", 2.2, 2.0, 3.0)])
    assert [r.t_end_s for r in over.rallies] == [1.6]


def test_a_rally_whose_serve_was_hidden_follows_one_that_is_over():
    first = [*serve_by_a(), touch("floor", 2.0, 2.5, 3.0)]
    to_and_fro = [*return_by_b(3.5), touch("racket", 4.2, -1.7, -4.0, 8.0),
                  touch("table", 4.6, 0.9, 7.0, 6.0)]  # fmt: skip
    play = play_of([*first, *to_and_fro])
    assert [r.n_strokes for r in play.rallies] == [1, 2]
    assert len(play_of([*first, *return_by_b(3.5)]).rallies) == 1  # passed back, perhaps
    served = play_of([*first, *mirrored(serve_by_a(3.5))[1:]])
    assert [(r.server, r.t_start_s) for r in served.rallies] == [("A", 1.0), ("B", None)]


def test_a_serve_cut_off_by_the_end_of_the_clip_is_a_serve():
    play = play_of(serve_by_a()[:2])
    (rally,) = play.rallies
    assert (rally.server, rally.t_start_s, rally.t_end_s) == ("A", 1.0, None)
    assert [c.player for c in play.contacts] == ["A", "A"]


def test_a_serve_whose_second_bounce_was_hidden_opens_the_rally():
    back = [touch("racket", 2.1, 1.7, 4.0, -8.0), touch("table", 2.4, -0.7, -7.0, -6.0)]
    play = play_of([*serve_by_a()[:2], *back])
    assert [(r.server, r.t_start_s) for r in play.rallies] == [("A", 1.0)]
    assert [s.player for s in play.strokes] == ["A", "B"]


def test_a_fast_ball_struck_into_the_own_half_is_no_serve():
    touches = serve_by_a()[:2]
    touches[0] = touch("racket", 1.0, -1.6, -7.0, 6.0)
    play = play_of(touches)
    assert play.rallies == ()
    assert [c.contact.kind for c in play.contacts] == ["other", "table"]


# --- touches of unknown kind, and bounces that come too late --------------------------------------
def other(t_s, xyz_m, vz_in=-2.0, vz_out=2.0, vx=6.0):
    c = touch("other", t_s, xyz_m[0], vx, 0.5 * vx)
    return replace(
        c, xyz_m=np.array(xyz_m), v_in_mps=np.array([vx, 0.1, vz_in]),
        v_out_mps=np.array([0.5 * vx, 0.1, vz_out]),
    )  # fmt: skip


def test_a_touch_in_the_net_ends_no_rally():
    netted = other(2.1, [-0.02, 0.06, 0.15], vx=-6.0)
    fell = touch("floor", 2.7, 0.4, -1.0)
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), netted, fell])
    assert [p.contact.kind for p in play.contacts][4] == "net"
    assert play.rallies[0].t_end_s == pytest.approx(2.7)


@pytest.mark.parametrize("xyz_m", [[-1.385, 0.3, 0.01], [-0.9, -0.775, 0.015]])
def test_a_ball_sent_up_by_the_edge_is_in_play(xyz_m):
    edge = other(2.1, xyz_m, vx=-6.0)
    struck = [touch("racket", 2.3, -2.0, -4.0, 8.0), touch("table", 2.7, 0.9, 7.0, 6.0)]
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), edge, *struck])
    (rally,) = play.rallies
    assert (rally.n_strokes, rally.t_end_s) == (3, None)
    assert play.contacts[4].contact.kind == "edge"
    assert play.contacts[4].side == "A"
    assert play.strokes[1].bounce_id == 4


@pytest.mark.parametrize(
    ("xyz_m", "vz_out", "why"),
    [([-1.385, 0.3, 0.01], -1.0, "the side of the table sends it down"),
     ([-1.60, 0.3, 0.01], 2.0, "too far from the edge"),
     ([-1.385, 0.3, 0.20], 2.0, "too high for the edge"),
     ([-0.02, 0.06, 0.30], 2.0, "above the net")],
)  # fmt: skip
def test_any_other_touch_still_ends_the_rally(xyz_m, vz_out, why):
    touched = other(2.1, xyz_m, vz_out=vz_out, vx=-6.0)
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), touched])
    assert play.contacts[4].contact.kind == "other", why
    assert play.rallies[0].t_end_s == pytest.approx(2.1), why


def bounce_up(t_s, x_m, vx_in, vz_out):
    c = touch("table", t_s, x_m, vx_in, 0.8 * vx_in)
    return replace(c, v_out_mps=np.array([0.8 * vx_in, 0.1, vz_out]))


def test_two_strokes_between_late_bounces_are_counted():
    """Up at 2.5 m/s a ball is down again after half a second; what comes later was struck."""
    serve = serve_by_a()[:2]
    late = [bounce_up(1.5, 0.8, 5.0, 2.5), bounce_up(2.9, 0.7, 5.0, 2.0)]
    play = play_of([*serve, *late, touch("racket", 3.2, 1.7, 4.0, -8.0),
                    touch("table", 3.6, -0.7, -7.0, -6.0)])  # fmt: skip
    (rally,) = play.rallies
    assert (rally.n_strokes, rally.t_end_s) == (4, None)
    assert [s.number for s in play.strokes] == [1, 4]


@pytest.mark.parametrize(("vz_out", "gap_s"), [(2.5, 0.5), (np.nan, 0.9), (4.0, 0.8)])
def test_two_bounces_that_one_ball_can_make_end_the_rally(vz_out, gap_s):
    two = [bounce_up(1.5, 0.8, 3.0, vz_out), bounce_up(1.5 + gap_s, 1.2, 2.4, 1.0)]
    play = play_of([*serve_by_a()[:2], *two])
    assert play.rallies[0].t_end_s == pytest.approx(1.5 + gap_s)


def test_a_falling_ball_sent_up_over_the_table_bounced():
    bounced = other(2.1, [-0.9, 0.3, 0.01], vx=-6.0)
    struck = [touch("racket", 2.3, -2.0, -4.0, 8.0), touch("table", 2.7, 0.9, 7.0, 6.0)]
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), bounced, *struck])
    assert play.contacts[4].contact.kind == "table"
    assert play.rallies[0].n_strokes == 3


def claimed_stroke(xyz_m, v_in, v_out):
    """A stroke after B's bounce on A's side, as it was read."""
    return replace(
        touch("racket", 2.6, xyz_m[0]), xyz_m=np.array(xyz_m),
        v_in_mps=np.array(v_in, float), v_out_mps=np.array(v_out, float),
    )  # fmt: skip


# a ball on the table leaves it slower than it came (ITTF Law 2.1.3: 23 cm of 30), and friction of
# at most 0.37 (two sd above what is usual) changes its way along the table no further
@pytest.mark.parametrize(
    ("xyz_m", "v_in", "v_out", "kind"),
    [([-0.8, 0.1, 0.02], [-0.6, 0.0, -2.1], [-0.5, 0.1, 1.9], "table"),
     ([-0.8, 0.1, 0.02], [-0.6, 0.0, -2.1], [4.0, 0.1, 1.9], "racket"),
     ([-0.8, 0.1, 0.02], [-0.6, 0.0, -2.1], [-0.5, 0.1, 2.6], "racket"),
     ([-0.8, 0.1, 0.08], [-0.6, 0.0, -2.1], [-0.5, 0.1, 1.9], "racket"),
     ([-0.8, 0.1, 1.80], [-3.2, 1.0, 0.3], [-3.1, 0.8, 0.3], "other"),
     ([-0.8, 0.1, 1.80], [-3.2, 1.0, 0.3], [6.0, 0.8, 0.3], "racket")],
    ids=["bounce", "struck on", "faster", "above", "in mid-air", "smashed"],
)  # fmt: skip
def test_what_no_racket_did_is_no_stroke(xyz_m, v_in, v_out, kind):
    odd = claimed_stroke(xyz_m, v_in, v_out)
    play = play_of([*serve_by_a(), *return_by_b(1.8), odd])
    assert play.contacts[5].contact.kind == kind
    assert len(play.strokes) == (3 if kind == "racket" else 2)


@pytest.mark.parametrize(("vx_after", "t_end_s"), [(0.2, 2.1), (-1.5, None)])
def test_a_ball_last_seen_falling_back_from_the_net_ends_the_rally(vx_after, t_end_s):
    """B's ball goes to -x; afterwards it comes back, or goes on over the net and is lost."""
    net = touch("net", 2.1, 0.0, -6.0, vx_after)
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), net])
    assert play.rallies[0].t_end_s == t_end_s


def test_what_follows_the_net_decides_when_the_rally_ends():
    net = touch("net", 2.1, 0.0, -6.0, 0.2)
    play = play_of([*serve_by_a(), touch("racket", 1.8, 1.7, 4.0, -8.0), net,
                    touch("table", 2.4, 0.3, np.nan, 0.1)])  # fmt: skip
    assert play.rallies[0].t_end_s == pytest.approx(2.4)
