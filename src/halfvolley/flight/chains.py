"""The most likely way to string pieces into the paths of the one ball in play."""

import itertools
import math
from dataclasses import dataclass

import numpy as np

from halfvolley.flight.junctions import Junction, bounces, join, join_same, judge
from halfvolley.flight.kernels import closest_meeting
from halfvolley.flight.pieces import Piece
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights
from halfvolley.types import FloatArray, IntArray

MOST_SHARED = 2.5  # frames that two pieces which meet may both claim


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Pieces that follow each other, and what lies between them."""

    pieces: tuple[Piece, ...]
    junctions: tuple[Junction, ...]  # one fewer than pieces


def find_chains(
    pieces: list[Piece], seen: Sights, frame_s: float, settings: FlightSettings
) -> list[Chain]:
    """Pieces strung together to the paths of the ball in play, and of what else may be one.

    One ball is in play at a time, so paths do not overlap; but the ball of the last rally may still
    bounce on the floor, or that of another table, while this one is served. Where a path does not
    bounce on this table (any more), another one that does is looked for, and ends it.
    """
    chains = _timeline(pieces, seen, frame_s, settings)
    live = [span for chain in chains if (span := _in_play(chain, settings)) is not None]
    slack = MOST_SHARED * frame_s  # the ends of two paths that meet
    taken = {int(row) for chain in chains for row in _rows(chain)[2:-2]}
    beside = [
        p
        for p in pieces
        if not any(p.t0_s < end - slack and p.t1_s > start + slack for start, end in live)
        and taken.isdisjoint(p.rows.tolist())
    ]
    more = _timeline(beside, seen, frame_s, settings)
    more = [
        chain
        for chain in more
        if _in_play(chain, settings) is not None and _gain(chain) > settings.beside_gain
    ]
    ended = [_ended(chain, more) for chain in chains]
    return sorted(
        [chain for chain in ended if chain.pieces] + more, key=lambda chain: chain.pieces[0].t0_s
    )


def _gain(chain: Chain) -> float:
    """Log-odds for a chain, each touch explained by the best of all kinds."""
    touches = sum(max(junction.cost, 0.0) for junction in chain.junctions)
    return sum(piece.gain for piece in chain.pieces) - 0.5 * touches


def _ended(chain: Chain, others: list[Chain]) -> Chain:
    """The chain as far as it goes before another one begins during it."""
    start, end = chain.pieces[0].t0_s, chain.pieces[-1].t1_s
    during = [c.pieces[0].t0_s for c in others if c.pieces[-1].t1_s > start]
    last = min((t for t in during if t < end), default=math.inf)
    kept = sum(piece.t1_s <= last for piece in chain.pieces)
    return Chain(chain.pieces[:kept], chain.junctions[: max(kept - 1, 0)])


def _rows(chain: Chain) -> IntArray:
    return np.unique(np.concatenate([piece.rows for piece in chain.pieces]))


def _in_play(chain: Chain, settings: FlightSettings) -> tuple[float, float] | None:
    """From when to when the ball of a chain is in play: to its last bounce on the table."""
    bounced = [
        piece.t0_s
        for piece, junction in zip(chain.pieces[1:], chain.junctions, strict=True)
        if dict(junction.weights)["table"] < settings.junction_cost
    ]
    return (chain.pieces[0].t0_s, bounced[-1]) if bounced else None


def _timeline(
    pieces: list[Piece], seen: Sights, frame_s: float, settings: FlightSettings
) -> list[Chain]:
    """The best paths that do not overlap, by dynamic programming over time.

    The gain of a path is the sum of its pieces' log-odds less half the cost of each junction, time
    unseen, and a fixed penalty for each new start.
    """
    n = len(pieces)
    best = np.full(n, -np.inf)
    link = np.full(n, -1)
    joined = np.zeros(n, bool)
    by_start = sorted(range(n), key=lambda i: pieces[i].t0_s)
    by_end = sorted(range(n), key=lambda i: pieces[i].t1_s)
    ends = np.array([pieces[i].t1_s for i in by_end])
    longest = max((p.t1_s - p.t0_s for p in pieces), default=0.0)
    leader, passed = -1, 0  # the best path among the pieces that ended before this one starts
    for place, i in enumerate(by_start):
        b = pieces[i]
        while passed < n and ends[passed] < b.t0_s:
            if leader < 0 or best[by_end[passed]] > best[leader]:
                leader = by_end[passed]
            passed += 1
        score, came, with_joint = -settings.break_penalty, -1, False
        if leader >= 0 and best[leader] > 0.0:
            score, came = best[leader] - settings.break_penalty, leader
        rivals = []
        for j in reversed(by_start[:place]):
            a = pieces[j]
            if a.t0_s < b.t0_s - settings.max_gap_s - longest:
                break
            rivals.append((best[j] - _bridging(a, b, frame_s, settings), j))
        for bound, j in sorted(rivals, reverse=True):  # the best first: few others are asked
            a = pieces[j]
            if bound + settings.bounce_bonus <= score:
                break
            if not near(a, b, seen, frame_s, settings):
                continue
            cost = min(join(a, b, seen, settings).cost, join_same(a, b, seen, settings).cost - 6.0)
            gained = bound - 0.5 * max(cost, 0.0)
            if cost >= settings.junction_cost or gained + settings.bounce_bonus <= score:
                continue
            if bounces(a, b, seen, settings):
                gained += settings.bounce_bonus
            if gained > score:
                score, came, with_joint = gained, j, True
        best[i], link[i], joined[i] = score + b.gain, came, with_joint
    return _unroll(pieces, best, link, joined, seen, settings)


def _bridging(a: Piece, b: Piece, frame_s: float, settings: FlightSettings) -> float:
    """Log-odds lost by going from one piece to the other; infinite where it cannot be."""
    gap = b.t0_s - a.t1_s
    if (
        a.t0_s >= b.t0_s
        or a.t1_s >= b.t1_s
        or not -MOST_SHARED * frame_s <= gap <= settings.max_gap_s
    ):
        return np.inf
    shared = round(-gap / frame_s) + 1 if gap <= 0 else 0
    return settings.unseen_penalty_ps * max(gap - frame_s, 0.0) + shared


def _unroll(
    pieces: list[Piece], best: FloatArray, link: FloatArray, joined: FloatArray, seen: Sights,
    settings: FlightSettings,
) -> list[Chain]:  # fmt: skip
    if not pieces or np.max(best) <= 0:
        return []
    at = int(np.argmax(best))
    runs: list[list[Piece]] = [[]]
    while at >= 0:
        runs[-1].append(pieces[at])
        if not joined[at]:
            runs.append([])
        at = int(link[at])
    chains = []
    for run in reversed(runs):
        if run:
            run.reverse()
            pairs = itertools.pairwise(run)
            chain = Chain(tuple(run), tuple(judge(a, b, seen, settings) for a, b in pairs))
            chains.append(_bounced_once(chain, seen, settings))
    return chains


def _bounced_once(chain: Chain, seen: Sights, settings: FlightSettings) -> Chain:
    """The chain without pieces that came out of a bounce sooner than they would go into the next.

    A few sightings about a bounce fit one flight as well, and meet both neighbours in that bounce.
    """
    pieces, junctions = list(chain.pieces), list(chain.junctions)
    i = 0
    while i + 1 < len(junctions):
        one, two = junctions[i], junctions[i + 1]
        if one.kind == two.kind == "table" and _time(two) - _time(one) < settings.same_touch_s:
            del pieces[i + 1]
            junctions[i : i + 2] = [judge(pieces[i], pieces[i + 1], seen, settings)]
        else:
            i += 1
    return Chain(tuple(pieces), tuple(junctions))


def _time(junction: Junction) -> float:
    """When the two pieces touch [s]."""
    return junction.t_s + float(junction.state[15])


def near(a: Piece, b: Piece, seen: Sights, frame_s: float, settings: FlightSettings) -> bool:
    """Whether the two could meet in the picture at all; cheap, before the fit."""
    row = b.rows[0]
    low, high = min(a.t1_s, b.t0_s) - 0.5 * frame_s, max(a.t1_s, b.t0_s) + 0.5 * frame_s
    times = np.linspace(low, high, 2 + round((high - low) / frame_s))
    air = settings.piece_air(a.state[3:6], b.state[3:6])
    d2 = closest_meeting(
        a.state, a.cov, a.t_s, b.state, b.cov, b.t_s, times, seen.R[row], seen.t_m[row], air,
        settings.meeting_slack_m, settings.meeting_slack_mps2,
    )  # fmt: skip
    return bool(d2 < settings.meeting_sd**2)
