"""Target zones that were to be hit: where they lie, and how often they were."""

from collections.abc import Sequence

import numpy as np

from halfvolley.match.records import StrokeRecord, seen_by_striker
from halfvolley.match.zones import Target, TargetResult, target_result
from halfvolley.report.document import Grid
from halfvolley.report.material import Material, percents
from halfvolley.types import Side


def targets_of(m: Material) -> list[Target]:
    """The zones that session.toml draws, in its order."""
    return [Target(t.name, t.corners_m) for t in m.records.session.targets]


def target_outline(target: Target) -> list[tuple[float, float]]:
    """Corners as (depth, right) of the striker who plays to that half."""
    striker, nothing = _striker(target), (0.0, 0.0, 0.0)
    places = [seen_by_striker(x, y, nothing, striker) for x, y in target.corners_m]
    return [(p.depth_m, p.right_m) for p in places]


def target_results(m: Material, strokes: Sequence[StrokeRecord]) -> list[TargetResult]:
    """Hits of each target among the bounces on its half."""
    out = []
    for target in targets_of(m):
        striker = _striker(target)
        sign = 1.0 if striker == "A" else -1.0
        places = [s.placement for s in strokes if s.placement is not None and s.end == striker]
        x = np.array([sign * p.depth_m for p in places])
        y = np.array([-sign * p.right_m for p in places])
        cov = np.array(
            [[[p.cov_dd_m2, -p.cov_dr_m2], [-p.cov_dr_m2, p.cov_rr_m2]] for p in places]
        ).reshape(-1, 2, 2)
        out.append(target_result(target, x, y, cov))
    return out


def _striker(target: Target) -> Side:
    """Whose balls fall on the half where a target lies."""
    return "A" if sum(x for x, _ in target.corners_m) > 0 else "B"


def targets_grid(m: Material, name: str, results: Sequence[TargetResult]) -> Grid:
    """Hits of a player's balls, one row a zone."""
    say = m.say
    rows = tuple(
        (f"{i}  {r.target.name}", str(r.hits), str(r.tries), percents(r.interval, say),
         str(r.doubtful))
        for i, r in enumerate(results, start=1)
    )  # fmt: skip
    return Grid(
        say("Target zones of {name}", name=name),
        (say("zone"), say("hits"), say("balls"), say("share"), say("doubtful")),
        ("",) * 5, rows,
        say("Balls: bounces on the zone's half. Doubtful: so near to the border that they may have "
            "been the other."),
    )  # fmt: skip
