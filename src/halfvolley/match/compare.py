"""Two groups of strokes side by side: a difference is one only where the data can show it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy  # its parts are loaded when they are used

from halfvolley.errors import Unknown
from halfvolley.match.intervals import (
    Interval,
    effect_size,
    holm,
    mean_difference,
    share_difference,
)
from halfvolley.match.records import Estimate, RallyRecord, StrokeRecord

Verdict = Literal["more", "less", "not shown", "unknown"]
LEVEL_P = 0.05  # common practice
FEWEST = 5  # values a side; fewer are listed, never compared


@dataclass(frozen=True, slots=True)
class Difference:
    """Group a less group b in one quantity."""

    what: str
    unit: str
    n_a: int
    n_b: int
    a: float  # mean, or share
    b: float
    difference: Interval | Unknown
    effect: Interval | Unknown  # Hedges' g; of shares there is none
    p: float  # adjusted for the number of quantities looked at; NaN where unknown
    verdict: Verdict


Measured = Callable[[StrokeRecord], Estimate | None]
MEASURES: tuple[tuple[str, str, Measured], ...] = (
    ("speed", "m/s", lambda s: s.speed_mps),
    ("topspin", "rev/s", lambda s: s.topspin_revps),
    ("net clearance", "m", lambda s: s.clearance_m),
    ("depth of the bounce", "m", lambda s: None if s.placement is None
     else Estimate(s.placement.depth_m, s.placement.cov_dd_m2**0.5)),
    ("bounce to the striker's right", "m", lambda s: None if s.placement is None
     else Estimate(s.placement.right_m, s.placement.cov_rr_m2**0.5)),
    ("time given to the opponent", "s", lambda s: None if s.given_s is None
     else Estimate(s.given_s, 0.0)),
)  # fmt: skip
ON_TABLE = "share on the table"


@dataclass(frozen=True, slots=True)
class Group:
    """Strokes that belong together: a player's, a session's, a half's."""

    label: str
    strokes: tuple[StrokeRecord, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups side by side."""

    a: Group
    b: Group
    differences: tuple[Difference, ...]  # a less b, one for each quantity


def compare_groups(pairs: Sequence[tuple[Group, Group]]) -> tuple[Comparison, ...]:
    """Differences of pairs of groups, adjusted together for all that is looked at.

    Parameters
    ----------
    pairs : sequence of tuple of Group
        Two players, two halves, two sessions; as many as are to be looked at.

    Returns
    -------
    tuple of Comparison
        In the same order. A verdict is "more" or "less" only where p, adjusted after Holm for all
        quantities of all pairs, is below 0.05.

    Notes
    -----
    Means are compared by Welch, shares by Newcombe's interval and Fisher's exact test. Strokes are
    taken as independent, and an error that all strokes of one group share (a camera that is a
    little off, another hall's air) is not in the interval.
    """
    rows = [
        (i, row)
        for i, (a, b) in enumerate(pairs)
        for row in (
            *(
                _means(what, unit, measure, a.strokes, b.strokes)
                for what, unit, measure in MEASURES
            ),
            _shares(a.strokes, b.strokes),
        )
    ]
    known = [k for k, (_, row) in enumerate(rows) if np.isfinite(row.p)]
    adjusted = dict(zip(known, holm([rows[k][1].p for k in known]), strict=True))
    judged = [(i, _judged(row, adjusted.get(k))) for k, (i, row) in enumerate(rows)]
    return tuple(
        Comparison(a, b, tuple(row for i, row in judged if i == n))
        for n, (a, b) in enumerate(pairs)
    )


def compare_strokes(a: Sequence[StrokeRecord], b: Sequence[StrokeRecord]) -> tuple[Difference, ...]:
    """Differences of two groups of strokes, as `compare_groups` finds them.

    Parameters
    ----------
    a, b : sequence of StrokeRecord
        The groups.
    """
    return compare_groups([(Group("a", tuple(a)), Group("b", tuple(b)))])[0].differences


def halves(
    strokes: Sequence[StrokeRecord], rallies: Sequence[RallyRecord]
) -> tuple[tuple[StrokeRecord, ...], tuple[StrokeRecord, ...]]:
    """Strokes of the first and the second half of a session's rallies.

    Parameters
    ----------
    strokes : sequence of StrokeRecord
        In the order of play.
    rallies : sequence of RallyRecord
        All of the session, likewise; with an odd number the second half has one more. Where there
        are none, serves or balls that were fed being practised, the strokes are halved.
    """
    if not rallies:
        middle = len(strokes) // 2
        return tuple(strokes[:middle]), tuple(strokes[middle:])
    order = {(r.clip, r.rally_id): i for i, r in enumerate(rallies)}
    places = [(s, order[s.clip, s.rally_id]) for s in strokes
              if s.rally_id is not None and (s.clip, s.rally_id) in order]  # fmt: skip
    middle = len(rallies) // 2
    return (
        tuple(s for s, i in places if i < middle), tuple(s for s, i in places if i >= middle)
    )  # fmt: skip


def _means(
    what: str, unit: str, measure: Measured, a: Sequence[StrokeRecord], b: Sequence[StrokeRecord]
) -> Difference:
    x = [m.value for m in map(measure, a) if m is not None]
    y = [m.value for m in map(measure, b) if m is not None]
    mean_a = float(np.mean(x)) if x else float("nan")
    mean_b = float(np.mean(y)) if y else float("nan")
    result: tuple[Interval, float] | Unknown
    if min(len(x), len(y)) < FEWEST:
        result = Unknown(f"{len(x)} and {len(y)} values are too few to compare")
    else:
        result = mean_difference(x, y)
    if isinstance(result, Unknown):
        return Difference(what, unit, len(x), len(y), mean_a, mean_b, result, result,
                          float("nan"), "unknown")  # fmt: skip
    return Difference(what, unit, len(x), len(y), mean_a, mean_b, result[0], effect_size(x, y),
                      result[1], "not shown")  # fmt: skip


def _shares(a: Sequence[StrokeRecord], b: Sequence[StrokeRecord]) -> Difference:
    fates = [[s.fate for s in group if s.fate != "unknown"] for group in (a, b)]
    n, m = map(len, fates)
    x, y = (group.count("in") for group in fates)
    share_a, share_b = (c / k if k else float("nan") for c, k in ((x, n), (y, m)))
    none = Unknown("of shares there is none")
    if min(n, m) < FEWEST:
        why = Unknown(f"{n} and {m} strokes are too few to compare")
        return Difference(ON_TABLE, "1", n, m, share_a, share_b, why, none, float("nan"), "unknown")
    p = float(scipy.stats.fisher_exact([[x, n - x], [y, m - y]]).pvalue)
    between = share_difference(x, n, y, m)
    return Difference(ON_TABLE, "1", n, m, share_a, share_b, between, none, p, "not shown")


def _judged(row: Difference, p: float | None) -> Difference:
    if p is None:
        return row
    verdict: Verdict = "not shown"
    d = row.difference
    # both the adjusted p and the shown interval must agree, so that a reader sees why
    if p < LEVEL_P and isinstance(d, Interval) and (d.low > 0 or d.high < 0):
        verdict = "more" if d.value > 0 else "less"
    return replace(row, p=p, verdict=verdict)
