"""Strokes and rallies as statistics take them: one record each, joined from the tables.

A place on the table is told as the striker sees it: `depth_m` from the net towards the opponent's
end line, `right_m` from the centre line to the striker's right. So strokes from both ends, and from
before and after a change of ends, lie on one map. What is not known is None.
"""

import math
from dataclasses import dataclass
from typing import Literal

from halfvolley.types import Outcome, Side

Phase = Literal["serve", "return", "third ball", "rally", "unknown"]
Fate = Literal["in", "net", "out", "own side", "unknown"]
PHASES: tuple[Phase, ...] = ("serve", "return", "third ball", "rally")
FATES: tuple[Fate, ...] = ("in", "net", "out", "own side", "unknown")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its standard deviation, in the same unit."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a stroke's ball bounced on the opponent's half, as the striker sees it."""

    depth_m: float  # from the net, 0 to 1.37
    right_m: float  # from the centre line, positive to the striker's right
    cov_dd_m2: float
    cov_dr_m2: float
    cov_rr_m2: float


@dataclass(frozen=True, slots=True)
class StrokeRecord:
    """One stroke with everything that was measured of it."""

    clip: str
    stroke_id: int
    rally_id: int | None
    number: int | None  # place in the rally; 1 is the serve
    player: str  # name, else the end
    end: Side  # where the striker stood
    t_s: float
    speed_mps: Estimate | None  # just after the touch
    topspin_revps: Estimate | None  # backspin is negative
    sidespin_revps: (
        Estimate | None
    )  # about the upright axis; positive: counter-clockwise from above
    direction_rad: Estimate | None  # horizontal, from the table's length to the striker's right
    elevation_rad: Estimate | None  # above the horizontal
    height_m: float | None  # of the touch above the playing surface
    behind_m: float | None  # of the touch behind the striker's end line; negative over the table
    clearance_m: Estimate | None  # of the ball's lowest point over the net's top
    placement: Placement | None
    fate: Fate
    waited_s: float | None  # from the bounce on the own side to the touch
    given_s: float | None  # from the touch to the opponent's

    @property
    def phase(self) -> Phase:
        """The part of the rally it belongs to."""
        if self.number is None:
            return "unknown"
        return PHASES[min(self.number, 4) - 1]


@dataclass(frozen=True, slots=True)
class RallyRecord:
    """One rally as statistics take it."""

    clip: str
    rally_id: int
    t_start_s: float | None
    t_end_s: float | None
    server: Side | None
    n_strokes: int
    outcome: Outcome
    names: tuple[str, str]  # of the players at end A and B, else the ends
    t_end_sd_s: float | None = None
    end_foretold: bool = False  # from the last flight, not seen

    def name(self, end: Side | None) -> str | None:
        """The player at an end."""
        return None if end is None else self.names[0 if end == "A" else 1]


def seen_by_striker(
    x_m: float, y_m: float, cov_m2: tuple[float, float, float], striker: Side
) -> Placement:
    """A place on the table as its striker sees it.

    Parameters
    ----------
    x_m, y_m : float
        World frame [m].
    cov_m2 : tuple of float
        Variance of x, covariance, variance of y [m²].
    striker : Side
        End of the striker; turned by half a turn for B.

    Returns
    -------
    Placement
        Depth is positive on the opponent's half.
    """
    sign = 1.0 if striker == "A" else -1.0
    xx, xy, yy = cov_m2
    return Placement(sign * x_m, -sign * y_m, xx, -xy, yy)


def turn_of(vx_mps: float, vy_mps: float, striker: Side) -> float:
    """Direction of a flight from the table's length to the striker's right [rad]."""
    sign = 1.0 if striker == "A" else -1.0
    return math.atan2(-sign * vy_mps, sign * vx_mps)
