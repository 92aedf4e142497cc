"""What a player did, in numbers: each with its count, its interval and what is not known."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.errors import Unknown
from halfvolley.match.circular import Directions, summarise_directions
from halfvolley.match.density import Density, placement_density
from halfvolley.match.intervals import Interval, median_interval, wilson
from halfvolley.match.records import FATES, PHASES, Estimate, RallyRecord, StrokeRecord
from halfvolley.match.zones import Shares, count_shares, depth_shares, width_shares

LENGTHS = ((1, 2, "1–2"), (3, 4, "3–4"), (5, 8, "5–8"), (9, 10_000, "9+"))


@dataclass(frozen=True, slots=True)
class Spread:
    """The distribution of a measured quantity over strokes."""

    n: int  # measured
    unknown: int  # not measured
    median: float
    median_interval: Interval | Unknown
    low: float  # 10 % lie below
    q25: float
    q75: float
    high: float  # 90 % lie below
    mean: float
    sd: float  # of the values, measurement included
    own_sd: float  # typical standard deviation of one measurement


@dataclass(frozen=True, slots=True)
class StrokeSummary:
    """A group of strokes of one player."""

    n: int
    speed_mps: Spread | Unknown
    topspin_revps: Spread | Unknown
    sidespin_revps: Spread | Unknown
    clearance_m: Spread | Unknown
    given_s: Spread | Unknown
    depth: Shares
    width: Shares
    direction: Directions | Unknown
    density: Density | Unknown
    fates: Shares  # of those whose end is known


@dataclass(frozen=True, slots=True)
class LengthClass:
    """Points of one class of rally length."""

    label: str
    rallies: int
    won: int  # by the player, of those whose winner is known
    decided: int
    interval: Interval | Unknown


@dataclass(frozen=True, slots=True)
class PlayerSummary:
    """One player of a session."""

    name: str
    strokes: StrokeSummary
    by_phase: tuple[tuple[str, StrokeSummary], ...]  # serve, return, third ball, rally
    by_length: tuple[LengthClass, ...]
    won: int
    decided: int
    share_won: Interval | Unknown
    won_serving: Interval | Unknown
    won_receiving: Interval | Unknown


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """All players and rallies of a session."""

    players: tuple[PlayerSummary, ...]
    rallies: int
    undecided: int  # rallies whose winner is not known, lets left out
    lets: int
    length: Spread | Unknown  # strokes a rally
    duration_s: Spread | Unknown


def summarise(strokes: Sequence[StrokeRecord], rallies: Sequence[RallyRecord]) -> SessionSummary:
    """Statistics of a session.

    Parameters
    ----------
    strokes : sequence of StrokeRecord
        Of all clips; those at balls that were fed belong to no rally, and count.
    rallies : sequence of RallyRecord
        Of all clips.

    Returns
    -------
    SessionSummary
        Players in the order of their names.

    Notes
    -----
    Intervals take strokes as drawn independently. Strokes of one rally are not quite that, so true
    intervals are a little wider.
    """
    names = sorted(
        {s.player for s in strokes} | {name for r in rallies for name in r.names if r.n_strokes}
    )
    players = tuple(
        _player(name, [s for s in strokes if s.player == name], rallies) for name in names
    )
    lets = sum(r.outcome.how == "let" for r in rallies)
    undecided = sum(r.outcome.winner is None and r.outcome.how != "let" for r in rallies)
    # a rally whose beginning was not seen has strokes that were not counted
    whole = [r for r in rallies if r.server is not None]
    lengths = [Estimate(float(r.n_strokes), 0.0) for r in whole]
    times = [
        None if r.t_start_s is None or r.t_end_s is None
        else Estimate(r.t_end_s - r.t_start_s, 0.0)
        for r in rallies
    ]  # fmt: skip
    return SessionSummary(
        players, len(rallies), undecided, lets,
        summarise_values([*lengths, *([None] * (len(rallies) - len(whole)))]),
        summarise_values(times),
    )  # fmt: skip


def summarise_strokes(strokes: Sequence[StrokeRecord]) -> StrokeSummary:
    """Statistics of a group of strokes.

    Parameters
    ----------
    strokes : sequence of StrokeRecord
        May be empty.
    """
    places = [s.placement for s in strokes]
    seen = [p for p in places if p is not None]
    fates = [None if s.fate == "unknown" else s.fate for s in strokes]
    turns = [s.direction_rad.value for s in strokes if s.direction_rad is not None]
    given = [None if s.given_s is None else Estimate(s.given_s, 0.0) for s in strokes]
    return StrokeSummary(
        n=len(strokes),
        speed_mps=summarise_values([s.speed_mps for s in strokes]),
        topspin_revps=summarise_values([s.topspin_revps for s in strokes]),
        sidespin_revps=summarise_values([s.sidespin_revps for s in strokes]),
        clearance_m=summarise_values([s.clearance_m for s in strokes]),
        given_s=summarise_values(given),
        depth=depth_shares(places),
        width=width_shares(places),
        direction=summarise_directions(turns),
        density=placement_density(seen),
        fates=count_shares(fates, [f for f in FATES if f != "unknown"]),
    )


def summarise_values(values: Sequence[Estimate | None]) -> Spread | Unknown:
    """The distribution of measured values; None is counted as unknown.

    Parameters
    ----------
    values : sequence of Estimate or None
        One for each stroke.
    """
    known = [v for v in values if v is not None]
    if not known:
        return Unknown("measured of none")
    x = np.array([v.value for v in known])
    low, q25, median, q75, high = np.quantile(x, (0.1, 0.25, 0.5, 0.75, 0.9))
    return Spread(
        n=len(x), unknown=len(values) - len(x), median=float(median),
        median_interval=median_interval(x.tolist()),
        low=float(low), q25=float(q25), q75=float(q75), high=float(high), mean=float(np.mean(x)),
        sd=float(np.std(x, ddof=1)) if len(x) > 1 else math.nan,
        own_sd=float(np.median([v.sd for v in known])),
    )  # fmt: skip


def group_strokes(
    strokes: Sequence[StrokeRecord], key: Callable[[StrokeRecord], str], names: Sequence[str]
) -> tuple[tuple[str, StrokeSummary], ...]:
    """Statistics of strokes by a class, in the order of `names`."""
    return tuple((name, summarise_strokes([s for s in strokes if key(s) == name]))
                 for name in names)  # fmt: skip


def _player(
    name: str, strokes: Sequence[StrokeRecord], rallies: Sequence[RallyRecord]
) -> PlayerSummary:
    mine = [r for r in rallies if name in r.names]
    decided = [r for r in mine if r.outcome.winner is not None]
    won = [r for r in decided if r.name(r.outcome.winner) == name]
    serving = [r for r in decided if r.name(r.server) == name]
    receiving = [r for r in decided if r.server is not None and r.name(r.server) != name]
    return PlayerSummary(
        name=name,
        strokes=summarise_strokes(strokes),
        by_phase=group_strokes(strokes, lambda s: s.phase, PHASES),
        by_length=tuple(
            _length_class(label, low, high, mine, name) for low, high, label in LENGTHS
        ),
        won=len(won),
        decided=len(decided),
        share_won=wilson(len(won), len(decided)),
        won_serving=wilson(sum(r in won for r in serving), len(serving)),
        won_receiving=wilson(sum(r in won for r in receiving), len(receiving)),
    )


def _length_class(
    label: str, low: int, high: int, rallies: Sequence[RallyRecord], name: str
) -> LengthClass:
    # without its serve a rally's length is not known
    these = [r for r in rallies if r.server is not None and low <= r.n_strokes <= high]
    decided = [r for r in these if r.outcome.winner is not None]
    won = sum(r.name(r.outcome.winner) == name for r in decided)
    return LengthClass(label, len(these), won, len(decided), wilson(won, len(decided)))
