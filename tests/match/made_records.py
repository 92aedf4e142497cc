"""Invented strokes and rallies with known statistics."""

import numpy as np

from halfvolley.match.records import Estimate, Placement, RallyRecord, StrokeRecord
from halfvolley.types import Outcome


def stroke(stroke_id=1, **said) -> StrokeRecord:
    values = {
        "clip": "a", "stroke_id": stroke_id, "rally_id": 1, "number": 4, "player": "Ada",
        "end": "A", "t_s": float(stroke_id), "speed_mps": Estimate(12.0, 0.4),
        "topspin_revps": Estimate(30.0, 5.0), "sidespin_revps": None,
        "direction_rad": Estimate(0.05, 0.01), "elevation_rad": Estimate(0.1, 0.01),
        "height_m": 0.2, "behind_m": 0.4, "clearance_m": Estimate(0.12, 0.01),
        "placement": Placement(1.0, 0.2, 1e-5, 0.0, 1e-5), "fate": "in", "waited_s": 0.3,
        "given_s": 0.5,
    }  # fmt: skip
    return StrokeRecord(**(values | said))


def rally(rally_id=1, winner="A", how="out", n_strokes=4, server="A", **said) -> RallyRecord:
    values = {
        "clip": "a", "rally_id": rally_id, "t_start_s": 10.0 * rally_id,
        "t_end_s": 10.0 * rally_id + n_strokes * 0.6, "server": server, "n_strokes": n_strokes,
        "outcome": Outcome(winner, how, 0.95 if winner else 0.0), "names": ("Ada", "Bo"),
    }  # fmt: skip
    return RallyRecord(**(values | said))


def strokes(n, rng, *, player="Ada", end="A", mean_mps=12.0, sd_mps=1.5, depth_m=0.95):
    """Strokes drawn from a normal distribution of speed and place."""
    speed = rng.normal(mean_mps, sd_mps, n)
    depth, right = rng.normal(depth_m, 0.15, n), rng.normal(0.1, 0.25, n)
    return [
        stroke(i, player=player, end=end, speed_mps=Estimate(float(speed[i]), 0.3),
               placement=Placement(float(depth[i]), float(right[i]), 4e-6, 0.0, 4e-6),
               direction_rad=Estimate(float(rng.normal(0.1, 0.1)), 0.01))
        for i in range(n)
    ]  # fmt: skip


def rng(seed=0):
    return np.random.default_rng(seed)
