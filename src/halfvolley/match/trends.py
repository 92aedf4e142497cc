"""How a player's numbers move over weeks: a trend is one only where the data can show it.

The unit of a trend is the session, not the stroke: all strokes of one session share the camera's
error, the hall's air and the day's form, so that many strokes of few sessions show no trend.
"""

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy  # its parts are loaded when they are used

from halfvolley.errors import Unknown
from halfvolley.match.compare import LEVEL_P
from halfvolley.match.intervals import LEVEL, Interval, holm, wilson

FEWEST_SESSIONS = 5  # on at least three days; fewer points lie on a line too easily
FEWEST_DAYS = 3
DAYS_A_WEEK = 7.0

Direction = Literal["rising", "falling", "not shown", "unknown"]


@dataclass(frozen=True, slots=True)
class SessionMean:
    """The mean of one quantity in one session."""

    day: datetime.date
    n: int  # values
    mean: float


@dataclass(frozen=True, slots=True)
class Week:
    """One week of one quantity."""

    monday: datetime.date
    sessions: int
    n: int  # values
    mean: Interval | Unknown  # of the strokes; what all strokes of a session share is not in it


@dataclass(frozen=True, slots=True)
class Trend:
    """How one quantity moved."""

    what: str
    unit: str
    weeks: tuple[Week, ...]
    sessions: int  # that count
    per_week: Interval | Unknown
    p: float  # adjusted for all trends looked at together; NaN where unknown
    direction: Direction


@dataclass(frozen=True, slots=True)
class PlayerTrends:
    """All quantities of one player."""

    player: str
    trends: tuple[Trend, ...]


def weekly(
    monday: datetime.date,
    sessions: int,
    n: int,
    mean: float | None,
    sd: float | None,
    *,
    share: bool = False,
) -> Week:
    """One week from its sums.

    Parameters
    ----------
    monday : datetime.date
        Its first day.
    sessions, n : int
        How many sessions and values.
    mean, sd : float or None
        Of the values; None where there are too few.
    share : bool
        Whether the values are yes (1) or no (0).
    """
    if share:
        return Week(monday, sessions, n, wilson(round((mean or 0.0) * n), n))
    if mean is None or sd is None or n < 2:
        return Week(monday, sessions, n, Unknown(f"{n} values have no spread to bound a mean with"))
    half = float(scipy.stats.t.ppf(0.5 + LEVEL / 2, n - 1)) * sd / math.sqrt(n)
    return Week(monday, sessions, n, Interval(mean, mean - half, mean + half))


def slope_per_week(means: Sequence[SessionMean]) -> tuple[Interval, float] | Unknown:
    """How fast a quantity moves, and the two-sided p.

    Parameters
    ----------
    means : sequence of SessionMean
        At least five on at least three days.

    Notes
    -----
    A straight line through the means of the sessions by least squares, each session counting the
    same; the interval by Student's t (Montgomery, Peck & Vining 2012, section 2.4, from memory).
    """
    days = {m.day for m in means}
    if len(means) < FEWEST_SESSIONS or len(days) < FEWEST_DAYS:
        return Unknown(f"{len(means)} sessions on {len(days)} days are too few for a trend")
    first = min(days)
    x = np.array([(m.day - first).days / DAYS_A_WEEK for m in means])
    y = np.array([m.mean for m in means])
    if np.ptp(y) == 0:
        return Unknown("values that never vary say nothing of chance")
    line = scipy.stats.linregress(x, y)
    half = float(scipy.stats.t.ppf(0.5 + LEVEL / 2, len(x) - 2)) * float(line.stderr)
    slope = float(line.slope)
    return Interval(slope, slope - half, slope + half), float(line.pvalue)


def find_trends(
    weeks: Mapping[str, Mapping[str, Sequence[Week]]],
    means: Mapping[tuple[str, str, str], Sequence[SessionMean]],
) -> tuple[PlayerTrends, ...]:
    """Trends of all players, called so only where they are shown.

    Parameters
    ----------
    weeks : mapping
        By player and quantity.
    means : mapping
        By player, quantity and unit; the order is kept.

    Returns
    -------
    tuple of PlayerTrends
        A direction is "rising" or "falling" only where p, adjusted after Holm for all trends of
        all players, is below 0.05 and the interval leaves zero out.
    """
    slopes = {key: slope_per_week(values) for key, values in means.items()}
    known = [key for key, slope in slopes.items() if not isinstance(slope, Unknown)]
    raw = [slope[1] for slope in slopes.values() if not isinstance(slope, Unknown)]
    adjusted = dict(zip(known, holm(raw), strict=True))
    out: dict[str, list[Trend]] = {}
    for key, slope in slopes.items():
        player, what, unit = key
        p = adjusted.get(key, math.nan)
        own = tuple(weeks[player][what])
        shown = out.setdefault(player, [])
        if isinstance(slope, Unknown):
            shown.append(Trend(what, unit, own, len(means[key]), slope, p, "unknown"))
        else:
            shown.append(
                Trend(what, unit, own, len(means[key]), slope[0], p, _direction(slope[0], p))
            )
    return tuple(PlayerTrends(player, tuple(trends)) for player, trends in out.items())


def _direction(slope: Interval, p: float) -> Direction:
    if p >= LEVEL_P or slope.low <= 0 <= slope.high:
        return "not shown"
    return "rising" if slope.value > 0 else "falling"
