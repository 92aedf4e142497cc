"""The benchmark of play: what counts as found, right and reported, on an invented truth."""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).parents[1] / "match"))
import play
from made_records import rally, stroke

from halfvolley.match.records import Estimate


def ball(t, x, z, vx=8.0, vz=0.0):
    return {
        "ball": {"t": t, "pts_t": t, "xyz": [x, 0.1, z], "vel": [vx, 0.0, vz], "state": "flight"}
    }


def truth(turn=1.0):
    """A serve by A at 1.0 s that B returns out at 1.6 s; the rally ends at 2.2 s."""
    frames = [ball(1.0 + 0.1 * k, turn * (-1.45 + 0.8 * k), 0.30, turn * 8.0) for k in range(6)]
    return SimpleNamespace(
        strokes=SimpleNamespace(
            t_s=np.array([1.0, 1.6]), speed_mps=np.array([8.0, 10.0]),
            topspin_revps=np.array([20.0, 100.0]), player=("A", "B"),
        ),
        kind="side",
        document={
            "clip": {"pts": [0.0, 4.0]}, "time": {"t_offset_s": 0.5, "clock_ppm": 0.0},
            "rallies": [{"server": "A", "t_serve": 1.5, "t_end": 2.7, "outcome": {"winner": "A"}}],
            "events": [{"type": "racket", "pts_t": t} for t in (1.0, 1.6)],
            "ball": {"radius_m": 0.02}, "frames": frames,
        },
    )  # fmt: skip


def records(end="A", **said):
    other = "B" if end == "A" else "A"
    r = rally(1, end, "out", 2, end, t_start_s=1.01, t_end_s=2.19)
    strokes = (
        stroke(1, number=1, end=end, t_s=1.01, speed_mps=Estimate(8.4, 0.3),
               topspin_revps=Estimate(26.0, 2.0), clearance_m=Estimate(0.1235, 0.01)),
        stroke(2, number=2, end=other, t_s=1.6, speed_mps=Estimate(10.1, 0.3), topspin_revps=None,
               clearance_m=None),
    )  # fmt: skip
    return SimpleNamespace(rallies=(said.get("rally", r),), strokes=strokes)


def numbers(trials):
    return {row.name: row.number(trials) for row in play.ROWS}


def test_all_is_right():
    n = numbers([play.judge(truth(), records(), False)])
    assert n["rallies found, start and end within 0.2 s, %"] == 100
    assert n["serves identified, %"] == n["player right, % of strokes found"] == 100
    assert n["outcome right, %"] == n["... of them right, %"] == 100
    assert n["ends foretold, % of whole rallies"] == 0
    assert n["speed, median error, %"] == pytest.approx(3.0)  # of 5 and 1
    assert n["speed within 1.96 sd, %"] == 100
    assert n["topspin, median error, rev/s"] == pytest.approx(6.0)
    assert n["... over max(12 rev/s, 20 %)"] == pytest.approx(0.5)
    assert n["topspin reported, % of strokes found"] == 50
    assert n["topspin within 1.96 sd, %"] == 0  # three of its sd off
    # at x = 0 the made ball is 0.30 m up: 0.30 - 0.02 - 0.1525 = 0.1275
    assert n["net clearance, median error, mm"] == pytest.approx(4.0, abs=0.1)


def test_ends_that_changed_names_are_no_error_and_wrong_ones_are():
    assert play.judge(truth(), records("B"), True).outcomes == ("right",)
    wrong = play.judge(truth(), records("B"), False)
    assert wrong.outcomes == ("wrong",)
    assert wrong.serves == (False,)
    assert wrong.player_right == (False, False)


def test_unknown_late_and_false_ones():
    said = records(rally=rally(1, None, "unknown", 2, "A", t_start_s=1.0, t_end_s=2.5))
    late = play.judge(truth(), said, False)
    assert late.outcomes == ("unknown",)
    assert late.rallies == (False,)
    assert late.false_rallies == 0
    never = records(rally=rally(9, "A", "out", 2, "A", t_start_s=3.0, t_end_s=3.5))
    judged = play.judge(truth(), never, False)
    assert judged.false_rallies == 1
    assert judged.outcomes == ("unknown",)


def test_foretold_ends_are_held_against_their_own_error():
    for sd, within in ((0.02, 100), (0.001, 0)):
        said = rally(1, "A", "out", 2, "A", t_start_s=1.0, t_end_s=2.23, t_end_sd_s=sd,
                     end_foretold=True)  # fmt: skip
        n = numbers([play.judge(truth(), records(rally=said), False)])
        assert n["ends foretold, % of whole rallies"] == 100
        assert n["... within 1.96 sd of the true end, %"] == within
    assert n["probability of the outcomes said, mean, %"] == pytest.approx(
        100 * said.outcome.probability
    )


def test_a_clip_that_failed_counts_as_missed():
    failed = play.judge(truth(), None, False, "no table")
    n = numbers([failed])
    assert n["clips without any result"] == 1
    assert n["rallies found, start and end within 0.2 s, %"] == n["serves identified, %"] == 0
    assert n["strokes found, %"] == 0
    assert np.isnan(n["speed, median error, %"])
    assert "| strokes |" in play.pooled_table([failed], np.random.default_rng(0), play.ROWS)


def test_a_ball_beside_or_into_the_net_has_no_clearance():
    beside = truth()
    for frame in beside.document["frames"]:
        frame["ball"]["xyz"][1] = 0.95
    assert np.isnan(play.true_clearance_m(beside, 0))
    netted = truth()
    netted.document["events"].insert(1, {"type": "net", "pts_t": 1.15})
    assert np.isnan(play.true_clearance_m(netted, 0))
    assert play.true_clearance_m(truth(), 0) == pytest.approx(0.1275, abs=1e-4)
