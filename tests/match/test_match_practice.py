"""Balls that are fed, and serves without play: strokes without points."""

from dataclasses import replace

import numpy as np
import pytest
from made_touches import (
    drill,
    fed_to_a,
    flights_of,
    mirrored,
    play_of,
    return_by_b,
    serve_by_a,
    touch,
)

from halfvolley.match import find_feed, practice_question


def test_every_stroke_at_a_fed_ball_counts_with_its_bounce():
    touches = drill(10)
    play = find_feed(flights_of(touches))
    assert play.rallies == ()
    assert [s.player for s in play.strokes] == ["A"] * 8
    assert all(s.rally_id is None and s.number is None for s in play.strokes)
    went = [s.bounce_id is not None for s in play.strokes]
    assert went == [True, False, False, True] * 2
    for s in play.strokes:
        if s.bounce_id is not None:
            assert touches[s.bounce_id].xyz_m[0] > 0
    assert {p.player for p in play.contacts if p.contact.kind == "table"} == {None}
    assert [p.side for p in play.contacts[:3]] == ["A", None, "B"]


def test_read_as_a_match_the_same_touches_lose_strokes():
    """The control: rallies of a match do not fit a drill."""
    assert len(play_of(drill(10)).strokes) < 8


def test_a_drill_at_the_other_end_is_the_same():
    here = find_feed(flights_of(drill()))
    there = find_feed(flights_of(mirrored(drill())))
    assert {s.player for s in there.strokes} == {"B"}
    assert [s.bounce_id for s in there.strokes] == [s.bounce_id for s in here.strokes]


@pytest.mark.parametrize(
    ("vx_out", "why"), [(-2.0, "it goes behind the player"), (np.nan, "it was not seen to go")]
)
def test_what_does_not_send_the_ball_away_is_no_stroke(vx_out, why):
    play = find_feed(flights_of([touch("table", 1.0, -0.9, -5.0, -4.5),
                                 touch("racket", 1.3, -1.7, -4.0, vx_out)]))  # fmt: skip
    assert play.strokes == (), why


def test_a_machine_that_seems_to_serve_strikes_nothing():
    """A ball fed onto the machine's own side looks served; its stroke is only foretold."""
    machine = [replace(mirrored(serve_by_a())[0], arc_in=-1), *mirrored(serve_by_a())[1:]]
    play = find_feed(flights_of([*machine, *fed_to_a(2.5)]))
    assert [s.player for s in play.strokes] == ["A"]


def test_a_bounce_that_comes_much_later_is_of_another_ball():
    late = [*fed_to_a(1.0), touch("table", 4.0, 0.9, 8.0, 7.0)]
    assert find_feed(flights_of(late)).strokes[0].bounce_id is None


def test_doubtful_touches_take_no_part():
    touches = [touch("racket", 1.3, -1.7, -4.0, 9.0, probability=0.4)]
    assert find_feed(flights_of(touches)).contacts == ()


# --- the question to a person --------------------------------------------------------------------
def asked(touches):
    flights = flights_of(touches)
    return practice_question(flights, play_of(touches))


def unreturned(n, by_b=0):
    out = []
    for i in range(n):
        t = 1.0 + 5.0 * i
        serve = serve_by_a(t)
        serve = mirrored(serve) if i < by_b else serve
        out += [*serve, touch("floor", t + 1.2, 2.5 if i >= by_b else -2.5, 4.0)]
    return out


def test_serves_that_nobody_returns_raise_a_question():
    words = asked(unreturned(6))
    assert "6 rallies are serves of end A" in words
    assert 'kind = "serves"' in words


def test_strokes_of_one_end_only_raise_a_question():
    words = asked(drill(10))
    assert "8 strokes that were seen are of end A" in words
    assert 'kind = "feed"' in words


@pytest.mark.parametrize(
    "touches",
    [
        unreturned(5),  # four in a row can happen in a match, and one let
        unreturned(7, by_b=1),
        [*unreturned(6), *serve_by_a(60.0), *return_by_b(60.8)],
        drill(4),
        [],
    ],
)
def test_what_can_be_a_match_raises_none(touches):
    assert asked(touches) == ""
