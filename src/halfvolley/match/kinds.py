"""What kind of stroke it was, by a rule with published limits, as probabilities.

Words such as drive and loop have no sharp borders. The rule gives each kind a box in what was
measured, with soft walls, and shares one out among the kinds whose boxes hold the stroke, each wall
softened further by the measurement's own error. What was not measured does not count for any kind,
and leaves the answer open.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.match.records import Estimate, StrokeRecord

Kind = Literal[
    "serve", "push", "drive", "loop", "smash", "lob", "block", "flick", "chop", "unknown"
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Limits:
    """One side of a kind's box."""

    low: float = -math.inf
    high: float = math.inf


ANY = Limits()


@dataclass(frozen=True, slots=True)
class KindRule:
    """The box of one kind."""

    kind: Kind
    speed_mps: Limits
    topspin_revps: Limits
    elevation_deg: Limits = ANY  # of the ball's start above the horizontal
    behind_m: Limits = ANY  # of the touch behind the own end line; negative over the table
    waited_s: Limits = ANY  # from the bounce on the own side to the touch
    source: str = "textbook and coaching values, no single source"


RULES = (
    KindRule("push", Limits(2.5, 8.0), Limits(-45.0, -5.0), Limits(-10.0, 30.0), Limits(-1.4, 0.5)),
    KindRule("drive", Limits(9.5, 18.0), Limits(12.0, 55.0), Limits(-6.0, 22.0)),
    KindRule(
        "loop", Limits(10.5, 24.0), Limits(55.0, 170.0), Limits(-3.0, 35.0),
        source="as drive; about 127 rev/s is high (Delumeau et al. 2025, Appl. Sci. 15:6350)",
    ),
    KindRule(
        "smash", Limits(18.0, 35.0), Limits(-15.0, 45.0), Limits(-25.0, 8.0),
        source="as drive; up to about 28 m/s, extremes 30-32 (from memory)",
    ),
    KindRule("lob", Limits(4.5, 14.0), Limits(-5.0, 70.0), Limits(30.0, 85.0), Limits(0.5, 6.0)),
    KindRule(
        "block", Limits(4.0, 12.0), Limits(-12.0, 30.0), Limits(-12.0, 20.0), Limits(-0.8, 0.6),
        Limits(0.0, 0.16), source="as drive; at once after the bounce: common practice",
    ),
    KindRule(
        "flick", Limits(5.5, 14.0), Limits(5.0, 75.0), Limits(-5.0, 30.0), Limits(-1.4, -0.15),
        source="as drive; struck over the table: common practice, no source",
    ),
    KindRule("chop", Limits(6.0, 14.0), Limits(-110.0, -22.0), Limits(-10.0, 35.0),
             Limits(0.4, 5.0)),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class KindSettings:
    """How soft the walls are; common practice, no source."""

    speed_mps: float = 0.8
    topspin_revps: float = 6.0
    elevation_deg: float = 3.0
    behind_m: float = 0.12
    waited_s: float = 0.02
    unknown: float = 0.06  # weight of 'none of these', as if a tenth kind fitted so well
    needs_speed: bool = True  # without a speed the kind is unknown


@dataclass(frozen=True, slots=True)
class KindGuess:
    """A stroke's kind as probabilities, in the order of `KINDS`; they sum to 1."""

    probabilities: tuple[float, ...]

    @property
    def best(self) -> Kind:
        """The most probable kind; 'unknown' where none has half of the probability."""
        i = max(range(len(KINDS)), key=lambda k: self.probabilities[k])
        return KINDS[i] if self.probabilities[i] >= 0.5 else "unknown"

    def of(self, kind: Kind) -> float:
        """The probability of one kind."""
        return self.probabilities[KINDS.index(kind)]


def guess_kind(stroke: StrokeRecord, settings: KindSettings | None = None) -> KindGuess:
    """What kind of stroke it was.

    Parameters
    ----------
    stroke : StrokeRecord
        With what was measured of it.
    settings : KindSettings, optional
        How soft the walls are.

    Returns
    -------
    KindGuess
        A stroke that opens a rally is a serve. Else the weight of a kind is the product over its
        walls of how surely the stroke lies within; a quantity that was not measured gives every
        kind that asks for it one half.
    """
    s = settings or KindSettings()
    if stroke.number == 1:
        return _certain("serve")
    if stroke.speed_mps is None and s.needs_speed:
        return _certain("unknown")
    weights = {rule.kind: _weight(rule, stroke, s) for rule in RULES}
    weights["unknown"] = s.unknown
    if stroke.topspin_revps is None:
        weights["unknown"] += 2 * s.unknown  # spin tells more kinds apart than all else
    total = sum(weights.values())
    return KindGuess(tuple(weights.get(kind, 0.0) / total for kind in KINDS))


def kinds_of(strokes: Sequence[StrokeRecord]) -> list[Kind]:
    """The most probable kind of each stroke."""
    return [guess_kind(stroke).best for stroke in strokes]


def behind_end_line(x_m: float) -> float:
    """How far behind its own end line a touch at x lies [m]; negative over the table."""
    return abs(x_m) - TABLE_LENGTH_M.value / 2


def _certain(kind: Kind) -> KindGuess:
    return KindGuess(tuple(float(k == kind) for k in KINDS))


def _weight(rule: KindRule, stroke: StrokeRecord, s: KindSettings) -> float:
    elevation = stroke.elevation_rad
    degrees = None if elevation is None else Estimate(
        math.degrees(elevation.value), math.degrees(elevation.sd)
    )  # fmt: skip
    sides = (
        (rule.speed_mps, stroke.speed_mps, s.speed_mps),
        (rule.topspin_revps, stroke.topspin_revps, s.topspin_revps),
        (rule.elevation_deg, degrees, s.elevation_deg),
        (rule.behind_m, _exact(stroke.behind_m), s.behind_m),
        (rule.waited_s, _exact(stroke.waited_s), s.waited_s),
    )
    return math.prod(_within(limits, value, soft) for limits, value, soft in sides)


def _exact(value: float | None) -> Estimate | None:
    return None if value is None else Estimate(value, 0.0)


def _within(limits: Limits, value: Estimate | None, soft: float) -> float:
    """How surely a value lies between its walls."""
    if limits == ANY:
        return 1.0
    if value is None:
        return 0.5
    width = math.hypot(soft, value.sd)
    return _phi((value.value - limits.low) / width) - _phi((value.value - limits.high) / width)


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
