"""The score by the laws of the game, followed as far as rallies and servers show it.

The laws are small functions. Following a match is harder: some winners are not known. But the
order of service is bound to the score (two serves each, one from 10-10), so who served the next
rallies tells much about the rallies before. `follow_score` weighs all courses of the score that the
laws allow against the winners and servers that were seen, forwards and backwards.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from halfvolley.errors import BadInput
from halfvolley.match.records import RallyRecord
from halfvolley.types import Side

GAME_POINTS = 11
DEUCE = 10


# --- the laws ------------------------------------------------------------------------------------
def game_winner(points_a: int, points_b: int) -> Side | None:
    """Who has won a game at this score: first to 11, with two clear from 10-10 (Law 2.11)."""
    if max(points_a, points_b) >= GAME_POINTS and abs(points_a - points_b) >= 2:
        return "A" if points_a > points_b else "B"
    return None


def serves_next(points_a: int, points_b: int, first: Side) -> Side:
    """Who serves at this score: two each, one each from 10-10 (Law 2.13).

    Parameters
    ----------
    points_a, points_b : int
        The score of the game.
    first : Side
        Who served first in the game.
    """
    n = points_a + points_b
    turn = n % 2 if min(points_a, points_b) >= DEUCE else (n // 2) % 2
    return first if turn == 0 else _other(first)


def changes_ends(points_a: int, points_b: int, games_a: int, games_b: int, best_of: int) -> bool:
    """Whether players change ends within the game at this score (Law 2.14).

    In the last possible game, when one side first has 5.
    """
    last = games_a + games_b == best_of - 1
    return last and max(points_a, points_b) == 5 and min(points_a, points_b) < 5


def doubles_order(n: int, *, deuce: bool = False) -> tuple[int, int]:
    """Server and receiver of the n-th point of a doubles game, from 0 (Law 2.13).

    Parameters
    ----------
    n : int
        Points played before.
    deuce : bool
        Whether the score has been 10-10: one serve each from point 20.

    Returns
    -------
    tuple of int
        Numbers of players in the order A 0, X 1, B 2, Y 3, where A serves first to X and B is
        A's partner.
    """
    turn = (DEUCE + n - 2 * DEUCE) if deuce and n >= 2 * DEUCE else n // 2
    return turn % 4, (turn + 1) % 4


# --- following a match ---------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class ScoreSettings:
    """How much an observation is believed; common practice, no source."""

    best_of: int = 5
    server_wrong: float = 0.03  # a serve seen from the wrong player
    winner_floor: float = 0.02  # however sure an outcome is, it is wrong this often
    let_share: float = 0.02  # of rallies with unknown outcome
    break_share: float = 0.02  # of rallies outside the match: warming up, a played-again point
    sure: float = 0.9  # a score less sure than this is marked as doubtful, a winner is unknown


@dataclass(frozen=True, slots=True)
class ScoreState:
    """A score in a match; A and B are the players who began at these ends."""

    games_a: int = 0
    games_b: int = 0
    points_a: int = 0
    points_b: int = 0
    first: Side = "A"  # who served first in this game
    turned: bool = False  # whether A stands at end B now


@dataclass(frozen=True, slots=True)
class ScoredRally:
    """What following the score says of one rally."""

    clip: str
    rally_id: int
    before: ScoreState  # the likeliest score
    probability: float  # that it is right
    sure: bool  # whether it is surer than the settings ask
    winner: Side | None  # player by the end at which he or she began; None unknown or no point
    winner_probability: float
    by_order: bool  # the winner follows from the order of service, not from the rally itself
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PointCorrection:
    """A person's word on one rally."""

    server: Side | None = None  # the end
    winner: Side | None = None  # the end
    let: bool = False


Beliefs = dict[ScoreState, float]
Step = tuple[ScoreState, Side | None]  # the score after the rally, and whose point it was


def follow_score(
    rallies: Sequence[RallyRecord],
    first: Side | None = None,
    corrections: Mapping[tuple[str, int], PointCorrection] | None = None,
    settings: ScoreSettings | None = None,
) -> tuple[ScoredRally, ...]:
    """The score before each rally of a match, where it can be followed.

    Parameters
    ----------
    rallies : sequence of RallyRecord
        All rallies of the match in time order.
    first : Side, optional
        End of the player who serves first; left out, it follows from the servers seen.
    corrections : mapping of (clip, rally_id) to PointCorrection, optional
        A person's word; it is believed before all else.
    settings : ScoreSettings, optional
        Best of how many games, and what is believed how far.

    Returns
    -------
    tuple of ScoredRally
        In the same order.

    Raises
    ------
    BadInput
        If best_of is no odd number.

    Notes
    -----
    A hidden Markov chain over the scores that the laws allow, solved by the forward-backward
    algorithm (Rabiner 1989, from memory). A rally that is no point leaves the score as it is.
    """
    s = settings or ScoreSettings()
    if s.best_of < 1 or s.best_of % 2 == 0:
        raise BadInput(f"a match is the best of an odd number of games, not of {s.best_of} (2.12)")
    said = corrections or {}
    firsts: tuple[Side, ...] = ("A", "B") if first is None else (first,)
    start = {ScoreState(first=f): 1.0 / len(firsts) for f in firsts}
    forward: list[Beliefs] = [start]
    steps: list[dict[ScoreState, list[tuple[Step, float]]]] = []
    for rally in rallies:
        correction = said.get((rally.clip, rally.rally_id), PointCorrection())
        step = {state: _steps(state, rally, correction, s) for state in forward[-1]}
        steps.append(step)
        after: Beliefs = {}
        for state, weight in forward[-1].items():
            for (new, _), chance in step[state]:
                after[new] = after.get(new, 0.0) + weight * chance
        forward.append(_normalised(after))
    backward: Beliefs = dict.fromkeys(forward[-1], 1.0)
    out: list[ScoredRally] = []
    for i in range(len(rallies) - 1, -1, -1):
        correction = said.get((rallies[i].clip, rallies[i].rally_id), PointCorrection())
        out.append(_scored(rallies[i], forward[i], steps[i], backward, correction, s))
        backward = _normalised(
            {
                state: sum(chance * backward.get(new, 0.0) for (new, _), chance in steps[i][state])
                for state in forward[i]
            }
        )
    return tuple(reversed(out))


def point_to(state: ScoreState, winner: Side, best_of: int) -> ScoreState:
    """The score after a point; a new game begins where one is won, and players change ends.

    Parameters
    ----------
    state : ScoreState
        Before.
    winner : Side
        The player, by the end where he or she began.
    best_of : int
        Games of the match at most.
    """
    a, b = state.points_a + (winner == "A"), state.points_b + (winner == "B")
    won = game_winner(a, b)
    if won is None:
        turn = changes_ends(a, b, state.games_a, state.games_b, best_of)
        return ScoreState(
            state.games_a, state.games_b, a, b, state.first, state.turned != turn
        )  # fmt: skip
    games = (state.games_a + (won == "A"), state.games_b + (won == "B"))
    return ScoreState(*games, 0, 0, _other(state.first), not state.turned)


def match_over(state: ScoreState, best_of: int) -> bool:
    """Whether somebody has won the match."""
    return max(state.games_a, state.games_b) > best_of // 2


def _steps(
    state: ScoreState, rally: RallyRecord, correction: PointCorrection, s: ScoreSettings
) -> list[tuple[Step, float]]:
    """Where the score may go from here in one rally, with the evidence as weights."""
    if match_over(state, s.best_of):
        return [((state, None), 1.0 if correction.let else s.break_share)]
    weight = _server_weight(state, rally, correction, s)
    a, b, none = _point_weights(rally, correction, s)
    end_of_a: Side = "B" if state.turned else "A"
    to_a, to_b = (a, b) if end_of_a == "A" else (b, a)
    moves: list[tuple[Step, float]] = [
        ((point_to(state, "A", s.best_of), "A"), weight * to_a),
        ((point_to(state, "B", s.best_of), "B"), weight * to_b),
        ((state, None), weight * none),
    ]
    return moves


def _server_weight(
    state: ScoreState, rally: RallyRecord, correction: PointCorrection, s: ScoreSettings
) -> float:
    seen = correction.server or rally.server
    if seen is None:
        return 1.0
    player = serves_next(state.points_a, state.points_b, state.first)
    end: Side = _other(player) if state.turned else player
    wrong = s.server_wrong if correction.server is None else 1e-4
    return 1.0 - wrong if end == seen else wrong


def _point_weights(
    rally: RallyRecord, correction: PointCorrection, s: ScoreSettings
) -> tuple[float, float, float]:
    """How well a point for end A, for end B, and no point explain what was seen."""
    tiny = 1e-6
    if correction.let:
        return tiny, tiny, 1.0
    if correction.winner is not None:
        return (1.0, tiny, tiny) if correction.winner == "A" else (tiny, 1.0, tiny)
    outcome = rally.outcome
    if outcome.how == "let":
        p = min(outcome.probability, 1 - s.winner_floor)
        return (1 - p) / 2, (1 - p) / 2, p
    none = s.let_share if outcome.winner is None else s.break_share
    if outcome.winner is None:
        return (1 - none) / 2, (1 - none) / 2, none
    p = min(outcome.probability, 1 - s.winner_floor)
    mine, theirs = (1 - none) * p, (1 - none) * (1 - p)
    return (mine, theirs, none) if outcome.winner == "A" else (theirs, mine, none)


def _scored(
    rally: RallyRecord,
    before: Beliefs,
    steps: Mapping[ScoreState, list[tuple[Step, float]]],
    backward: Beliefs,
    correction: PointCorrection,
    s: ScoreSettings,
) -> ScoredRally:
    states: Beliefs = {}
    points: dict[tuple[Side | None, bool], float] = {}
    for state, weight in before.items():
        for (new, point), chance in steps[state]:
            p = weight * chance * backward.get(new, 0.0)
            states[state] = states.get(state, 0.0) + p
            points[point, state.turned] = points.get((point, state.turned), 0.0) + p
    states = _normalised(states)
    total = sum(points.values())
    sides: tuple[Side | None, ...] = ("A", "B", None)
    by_winner = {w: sum(p for (who, _), p in points.items() if who == w) / total for w in sides}
    state = max(states, key=lambda k: states[k])
    winner = max(by_winner, key=lambda k: by_winner[k])
    doubts = _doubts(rally, state, states[state], winner, by_winner, correction, s)
    stated = winner if by_winner[winner] >= s.sure else None
    by_order = stated is not None and rally.outcome.winner is None and correction.winner is None
    return ScoredRally(
        rally.clip, rally.rally_id, state, states[state], states[state] >= s.sure, stated,
        by_winner[winner], by_order, doubts,
    )  # fmt: skip


def _doubts(
    rally: RallyRecord, state: ScoreState, p: float, winner: Side | None,
    by_winner: Mapping[Side | None, float], correction: PointCorrection, s: ScoreSettings,
) -> tuple[str, ...]:  # fmt: skip
    said = []
    if p < s.sure:
        said.append(f"the score before it is only {100 * p:.0f} % sure")
    if by_winner[winner] < s.sure:
        why = rally.outcome.doubt or "the rally and the order of service disagree"
        said.append(f"whose point it was is not sure: {why}")
    seen = correction.server or rally.server
    player = serves_next(state.points_a, state.points_b, state.first)
    due: Side = _other(player) if state.turned else player
    if p >= s.sure and seen is not None and seen != due:
        what = "a person says" if correction.server else "it was seen"
        said.append(f"by the score end {due} serves, but {what} that end {seen} did")
    outcome = rally.outcome.winner
    if winner is not None and outcome is not None and correction.winner is None:
        end: Side = _other(winner) if state.turned else winner
        if end != outcome and by_winner[winner] >= s.sure:
            said.append(f"the rally looks won by end {outcome}, the order of service says {end}")
    return tuple(said)


def _normalised(beliefs: Beliefs, floor: float = 1e-12) -> Beliefs:
    """Weights that sum to one, without those too small to matter."""
    total = math.fsum(beliefs.values())
    return {k: v / total for k, v in beliefs.items() if v / total > floor}


def _other(side: Side) -> Side:
    return "B" if side == "A" else "A"
