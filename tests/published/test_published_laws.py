"""The laws of the game, table by table (ITTF Laws of Table Tennis, section 2)."""

import numpy as np
import pytest

from halfvolley.match.score import (
    ScoreState,
    changes_ends,
    doubles_order,
    game_winner,
    match_over,
    point_to,
    serves_next,
)


# Law 2.11: first to 11; at 10-10 the first to lead by two
@pytest.mark.parametrize(
    ("a", "b", "winner"),
    [(11, 9, "A"), (11, 10, None), (12, 10, "A"), (10, 12, "B"), (10, 11, None), (0, 11, "B"),
     (10, 9, None), (13, 12, None), (15, 17, "B"), (0, 0, None)],
)  # fmt: skip
def test_a_game(a, b, winner):
    assert game_winner(a, b) == winner


# Law 2.13: two serves each; one each from 10-10. The order of the first 24 points of a long game.
def test_service_by_twos_then_one_by_one():
    points = [(0, 0)]
    while len(points) < 24:  # A and B win in turn: 10-10 after 20 points
        a, b = points[-1]
        points.append((a + 1, b) if a == b else (a, b + 1))
    order = "".join(serves_next(a, b, "A") for a, b in points)
    assert order == "AABBAABBAABBAABBAABB" + "ABAB"
    assert serves_next(10, 9, "A") == "B", "19 points played: the second serve of the tenth pair"
    assert serves_next(11, 4, "B") != serves_next(11, 4, "A")


# Law 2.14: ends change after each game, and in the last possible one when a side first has 5
def test_change_of_ends():
    assert changes_ends(5, 3, 2, 2, 5)
    assert not changes_ends(5, 5, 2, 2, 5), "the other side had 5 first"
    assert not changes_ends(5, 3, 1, 2, 5), "not the last possible game"
    state = ScoreState(1, 0, 10, 4, "A", False)
    new = point_to(state, "A", 5)
    assert new == ScoreState(2, 0, 0, 0, "B", True), "new game: other server, other ends"
    deciding = ScoreState(1, 1, 4, 2, "A", False)
    assert point_to(deciding, "A", 3).turned
    assert point_to(point_to(deciding, "A", 3), "A", 3).turned is not False
    assert match_over(point_to(ScoreState(2, 1, 10, 0), "A", 5), 5)
    assert not match_over(point_to(ScoreState(1, 1, 10, 0), "A", 5), 5)


# Law 2.13: A serves to X, X to B, B to Y, Y to A, two serves each; players A 0, X 1, B 2, Y 3
def test_doubles():
    order = [doubles_order(n) for n in range(0, 20, 2)]
    assert order[:5] == [(0, 1), (1, 2), (2, 3), (3, 0), (0, 1)]
    assert doubles_order(1) == doubles_order(0)
    assert doubles_order(20, deuce=True) == (2, 3), "point 20 from 10-10 is B to Y"
    assert [doubles_order(n, deuce=True)[0] for n in range(20, 24)] == [2, 3, 0, 1]


# computed for independent points: P(game) at p = .55 is .686813, best of five .819042 (exact to
# the last digit; with 4000 games three standard deviations are 0.022)
def test_games_come_out_as_often_as_they_should():
    rng = np.random.default_rng(11)
    won = 0
    for _ in range(4000):
        state = ScoreState()
        while state.games_a + state.games_b == 0:
            state = point_to(state, "A" if rng.random() < 0.55 else "B", 5)
        won += state.games_a
    assert won / 4000 == pytest.approx(0.686813, abs=0.022)
    assert won / 4000 != pytest.approx(0.577067, abs=0.022), "p = 0.52 would be noticed"
