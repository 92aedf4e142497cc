"""Outcomes of rallies, and the score followed through rallies whose winners are partly unknown."""

import numpy as np
import pytest
from made_records import rally

from halfvolley.errors import BadInput
from halfvolley.match.outcome import Touch, find_outcome
from halfvolley.match.score import (
    PointCorrection,
    ScoreSettings,
    ScoreState,
    follow_score,
    match_over,
    point_to,
    serves_next,
)
from halfvolley.types import Outcome

OTHER = {"A": "B", "B": "A"}


# --- outcomes ------------------------------------------------------------------------------------
def touches(text: str) -> list[Touch]:
    """`rA` racket of A, `tB` table on half B, `n` net, `f` floor, `o` other; players follow."""
    out, player = [], None
    for word in text.split():
        kind = {"r": "racket", "t": "table", "n": "net", "f": "floor", "o": "other"}[word[0]]
        if kind == "racket":
            player = word[1]
        out.append(Touch(kind, word[1] if kind == "table" else None, player, 0.99))
    return out


SERVE = "rA tA tB "


@pytest.mark.parametrize(
    ("text", "winner", "how"),
    [
        (SERVE + "rB tB", "A", "own side"),
        (SERVE + "rB n tB", "A", "net"),
        (SERVE + "rB n f", "A", "net"),
        (SERVE + "rB n", "A", "net"),  # fell back, and nothing was seen after
        (SERVE + "rB f", "A", "out"),
        (SERVE + "rB tA f", "B", "missed"),
        (SERVE + "rB tA tA", "B", "double bounce"),
        (SERVE + "rB n tA tA", "B", "double bounce"),  # over the net is good
        (SERVE + "rB tA rA tB o", "A", "missed"),
        (SERVE + "tB", "A", "double bounce"),  # an ace
        (SERVE + "f", "A", "missed"),
        ("rA tA tA", "B", "own side"),  # a serve that does not cross
        ("rA tA n tA", "B", "net"),
        ("rA tA n f", "B", "net"),
        ("rA tA f", "B", "out"),
        ("rA tB", "B", "out"),  # a serve that did not touch the own side
        ("rA tA n tB f", None, "let"),
        ("rA tA n tB tB", None, "let"),
    ],
)
def test_how_a_rally_ends(text, winner, how):
    outcome = find_outcome(touches(text), ended=True, serving=True)
    assert (outcome.winner, outcome.how) == (winner, how)
    assert outcome.probability > 0.8


def test_a_net_cord_later_in_the_rally_is_no_let():
    outcome = find_outcome(touches(SERVE + "rB n tA f"), ended=True, serving=True)
    assert (outcome.winner, outcome.how) == ("B", "missed")
    middle = find_outcome(touches("rA n tB f"), ended=True, serving=False)
    assert middle.winner == "A", "without the serve seen it may be any stroke"


@pytest.mark.parametrize(
    ("text", "ended"), [("", True), (SERVE, False), (SERVE + "rB", True), ("tB f", True)]
)
def test_what_cannot_be_told_is_unknown_and_says_why(text, ended):
    outcome = find_outcome(touches(text), ended=ended, serving=True)
    assert (outcome.winner, outcome.how, outcome.probability) == (None, "unknown", 0.0)
    assert outcome.doubt


def test_a_doubtful_touch_makes_the_outcome_doubtful():
    last = [*touches(SERVE + "rB"), Touch("floor", None, "B", 0.55)]
    assert find_outcome(last, ended=True, serving=True).winner is None


def test_a_stroke_that_was_not_seen_counts():
    # B's stroke is missing, but the bounce is known to come from B
    seen = [*touches(SERVE), Touch("table", "A", "B", 0.99), Touch("floor", None, "B", 0.99)]
    assert find_outcome(seen, ended=True, serving=True).winner == "B"


# --- following the score -------------------------------------------------------------------------
SURE = ScoreSettings(winner_floor=0.001, break_share=0.001)


def play_match(rng, *, best_of=5, hidden=0.0, unseen_server=0.0, lets=0.0, first="A", wrong=0.0):
    """Rallies of a match by the laws, with what is not seen left out, and the truth."""
    state, rallies, truth = ScoreState(first=first), [], []
    while not match_over(state, best_of):
        player = serves_next(state.points_a, state.points_b, state.first)
        end = OTHER[player] if state.turned else player
        let = rng.random() < lets
        winner = None if let else str(rng.choice(["A", "B"]))
        won_end = None if winner is None else OTHER[winner] if state.turned else winner
        if winner is not None and rng.random() < wrong:
            won_end = OTHER[won_end]
        outcome = Outcome(won_end, "let" if let else "out", 1.0 - wrong)
        if rng.random() < hidden:
            outcome = Outcome(None, "unknown", 0.0, "its end was not seen")
        rallies.append(
            rally(len(rallies) + 1, server=None if rng.random() < unseen_server else end,
                  outcome=outcome)
        )  # fmt: skip
        truth.append((state, winner))
        if winner is not None:
            state = point_to(state, winner, best_of)
    return rallies, truth


def test_a_match_that_is_fully_seen_is_followed_exactly():
    rallies, truth = play_match(np.random.default_rng(2), lets=0.03)
    scored = follow_score(rallies, settings=SURE)
    assert [s.before for s in scored] == [state for state, _ in truth]
    assert [s.winner for s in scored] == [winner for _, winner in truth]
    assert all(not s.doubts for s in scored)


def test_who_serves_first_follows_from_the_servers():
    for first in "AB":
        rallies, _ = play_match(np.random.default_rng(3), first=first)
        assert follow_score(rallies[:3])[0].before.first == first


def test_scores_are_right_as_often_as_they_say():
    rng = np.random.default_rng(7)
    claimed, right, sure, by_order = [], [], [], 0
    for _ in range(10):
        rallies, truth = play_match(rng, hidden=0.1, unseen_server=0.05, wrong=0.04)
        for said, (state, winner) in zip(follow_score(rallies), truth, strict=True):
            claimed.append(said.probability)
            right.append(said.before == state)
            sure.append(said.sure)
            by_order += said.by_order and said.winner == winner
    claimed, right, sure = map(np.array, (claimed, right, sure))
    # scores of one match hang together: 10 matches scatter by about 0.05
    assert np.mean(right) == pytest.approx(np.mean(claimed), abs=0.12)
    assert np.mean(right[sure]) > 0.93
    assert np.mean(right[sure]) > np.mean(right[~sure]) + 0.2, "doubtful ones are worse"
    assert by_order > 0, "ends of games tell some winners that were not seen"


def test_an_unknown_winner_between_two_known_services_is_a_doubt():
    rallies, _ = play_match(np.random.default_rng(4), hidden=0.6)
    scored = follow_score(rallies)
    assert any(not s.sure and "sure" in " ".join(s.doubts) for s in scored)


def test_a_persons_word_settles_it():
    rallies, truth = play_match(np.random.default_rng(5), hidden=0.5)
    words = {}
    for item, (state, winner) in zip(rallies, truth, strict=True):
        end = OTHER[winner] if state.turned else winner
        words["a", item.rally_id] = PointCorrection(winner=end)
    scored = follow_score(rallies, corrections=words, settings=SURE)
    assert [s.before for s in scored] == [state for state, _ in truth]
    let = follow_score(rallies[:2], corrections={("a", 1): PointCorrection(let=True)})
    assert let[1].before.points_a + let[1].before.points_b == 0


def test_a_word_against_the_order_of_service_is_named():
    rallies, truth = play_match(np.random.default_rng(6))
    words = {("a", 4): PointCorrection(server=OTHER[rallies[3].server])}
    scored = follow_score(rallies, corrections=words, settings=SURE)
    assert any("a person says" in d for d in scored[3].doubts)
    assert scored[-1].before == truth[-1][0], "one wrong word does not throw it off"


@pytest.mark.parametrize("best_of", [0, 4, -1])
def test_even_matches_are_refused(best_of):
    with pytest.raises(BadInput, match="odd number"):
        follow_score([], settings=ScoreSettings(best_of=best_of))
    assert follow_score([]) == ()
