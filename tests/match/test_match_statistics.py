"""Statistics from made strokes: what was put in comes out, and what is unknown stays so."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_records import rally, rng, stroke, strokes
from scipy import stats

from halfvolley.errors import BadInput, Unknown
from halfvolley.match.compare import ON_TABLE, compare_strokes
from halfvolley.match.density import HALF_LENGTH_M, HALF_WIDTH_M, placement_density
from halfvolley.match.intervals import median_interval, wilson
from halfvolley.match.records import Estimate, Placement, seen_by_striker, turn_of
from halfvolley.match.statistics import summarise, summarise_strokes, summarise_values
from halfvolley.match.zones import Target, depth_shares, target_result, width_shares


# --- the striker's view --------------------------------------------------------------------------
@given(st.floats(-1.3, 1.3), st.floats(-0.7, 0.7), st.sampled_from("AB"))
def test_half_a_turn_of_the_table_changes_nothing(x, y, end):
    other = {"A": "B", "B": "A"}[end]
    assert seen_by_striker(x, y, (1.0, 0.5, 2.0), end) == seen_by_striker(
        -x, -y, (1.0, 0.5, 2.0), other
    )


def test_right_is_the_strikers_right():
    # A stands at x < 0 and looks to +x; y grows to its left
    place = seen_by_striker(1.0, -0.5, (1.0, 0.3, 2.0), "A")
    assert (place.depth_m, place.right_m, place.cov_dr_m2) == (1.0, 0.5, -0.3)
    assert turn_of(10.0, -1.0, "A") > 0
    assert turn_of(-10.0, 1.0, "B") > 0
    assert turn_of(-10.0, 0.0, "B") == pytest.approx(0.0)


# --- shares --------------------------------------------------------------------------------------
def at(depth, right, sd=0.004):
    return Placement(depth, right, sd**2, 0.0, sd**2)


def test_thirds_count_every_bounce_once_and_say_what_is_doubtful():
    third = HALF_LENGTH_M / 3
    shares = depth_shares([at(0.1, 0), at(third + 0.002, 0), at(1.2, 0), at(1.3, 0), None])
    assert [s.count for s in shares.shares] == [1, 1, 2]
    assert (shares.total, shares.unknown, shares.doubtful) == (4, 1, 1)
    widths = width_shares([at(1, -0.6), at(1, 0.0), at(1, 0.6)])
    assert [(s.label, s.count) for s in widths.shares] == [("left", 1), ("middle", 1), ("right", 1)]


def test_nothing_seen_is_unknown_not_zero_percent():
    shares = depth_shares([None, None])
    assert shares.total == 0 and shares.unknown == 2
    assert all(isinstance(s.interval, Unknown) for s in shares.shares)
    with pytest.raises(BadInput, match="3 of 2"):
        wilson(3, 2)


def test_a_target_counts_hits_on_its_border_as_doubtful():
    target = Target("corner", ((0.9, 0.3), (1.37, 0.3), (1.37, 0.76), (0.9, 0.76)))
    x, y = np.array([1.1, 0.5, 0.902, 1.2]), np.array([0.5, 0.5, 0.5, -0.5])
    result = target_result(target, x, y, np.tile(1e-5 * np.eye(2), (4, 1, 1)))
    assert (result.tries, result.hits, result.doubtful) == (4, 2, 1)
    assert result.interval == wilson(2, 4)
    with pytest.raises(BadInput, match="'corner' has 2 corners"):
        target_result(Target("corner", target.corners_m[:2]), x, y, np.zeros((4, 2, 2)))


# --- values --------------------------------------------------------------------------------------
def test_a_spread_counts_what_was_not_measured():
    spread = summarise_values([Estimate(v, 0.5) for v in (1.0, 2.0, 3.0)] + [None])
    assert (spread.n, spread.unknown, spread.median, spread.own_sd) == (3, 1, 2.0, 0.5)
    assert isinstance(spread.median_interval, Unknown), "three values cannot bound a median"
    assert isinstance(summarise_values([None]), Unknown)
    assert isinstance(summarise_values([]), Unknown)


def test_median_intervals_hold_the_truth():
    draw = rng(4)
    held = narrow = 0
    for _ in range(400):
        x = draw.exponential(1.0, 31)
        interval = median_interval(x.tolist())
        held += interval.low <= math.log(2) <= interval.high
        half = 0.5 * (interval.high - interval.low) / 2
        narrow += abs(interval.value - math.log(2)) < half
    # at least 95 %, since order statistics are whole; 99 % band of a binomial of 400 at 0.95: 369
    assert held >= 369
    assert narrow < 369, "half as wide a bar would be noticed"


# --- density -------------------------------------------------------------------------------------
def test_areas_of_a_normal_cloud():
    # an ellipse that holds a share s of a normal has the area pi k^2 sd sd, k^2 = chi2(2).ppf(s);
    # the kernel widens the cloud by 1 + n^(-1/3) in variance, n = 400
    xy = rng(1).normal([0.7, 0.0], [0.06, 0.08], (400, 2))
    density = placement_density([at(d, r, 0.002) for d, r in xy])
    for area, share in ((density.area_50_m2, 0.5), (density.area_90_m2, 0.9)):
        true = math.pi * stats.chi2(2).ppf(share) * 0.06 * 0.08 * (1 + 400 ** (-1 / 3))
        assert abs(area.value - true) < 3 * area.sd
        assert 0.02 < area.sd / area.value < 0.2
    assert density.area_50_m2.value < density.area_90_m2.value
    assert density.off_table < 0.001


def test_measurement_is_taken_out_of_the_spread():
    draw = rng(2)
    xy = draw.normal([0.7, 0.0], 0.05, (2000, 2)) + draw.normal(0, 0.05, (2000, 2))
    density = placement_density([at(d, r, 0.05) for d, r in xy])
    assert density.spread_depth_m == pytest.approx(0.05, abs=0.004)
    assert np.std(xy[:, 0]) == pytest.approx(0.0707, abs=0.004), "with it, the spread is wider"


def test_mass_beside_the_table_is_said():
    xy = rng(3).normal([HALF_LENGTH_M, HALF_WIDTH_M], 0.05, (200, 2))
    density = placement_density([at(d, r) for d, r in xy])
    assert density.off_table == pytest.approx(0.75, abs=0.08)


@pytest.mark.parametrize("places", [[], [at(1, 0)] * 7, [at(1, 0)] * 30])
def test_no_density_where_there_is_none(places):
    assert isinstance(placement_density(places), Unknown)


# --- sessions ------------------------------------------------------------------------------------
def test_players_are_told_apart_by_name_not_by_end():
    both = [
        *strokes(30, rng(), player="Ada", end="A"),
        *strokes(20, rng(1), player="Ada", end="B"),
        *strokes(10, rng(2), player="Bo", end="B"),
    ]
    summary = summarise(both, [rally()])
    assert [(p.name, p.strokes.n) for p in summary.players] == [("Ada", 50), ("Bo", 10)]


def test_points_go_to_players_after_a_change_of_ends():
    rallies = [rally(1, "A"), rally(2, "A", names=("Bo", "Ada")), rally(3, None, "unknown"),
               rally(4, None, "let"), rally(5, "B", n_strokes=9, server="B")]  # fmt: skip
    summary = summarise([stroke()], rallies)
    ada, bo = summary.players
    assert (ada.won, ada.decided, bo.won) == (1, 3, 2)
    assert (summary.undecided, summary.lets, summary.rallies) == (1, 1, 5)
    assert [c.rallies for c in bo.by_length] == [0, 4, 0, 1]
    assert bo.by_length[3].won == 1
    assert ada.won_serving.value == 1.0, "of the rally that Ada served from end A"


def test_phases():
    group = [stroke(i, number=n) for i, n in enumerate((1, 1, 2, 3, 4, 7, None))]
    summary = summarise(group, [rally()])
    assert [(k, s.n) for k, s in summary.players[0].by_phase] == [
        ("serve", 2), ("return", 1), ("third ball", 1), ("rally", 2)
    ]  # fmt: skip


def test_no_rallies_is_no_error():
    summary = summarise([], [])
    assert summary.players == ()
    assert isinstance(summary.length, Unknown)
    alone = summarise_strokes([])
    assert alone.n == 0 and isinstance(alone.density, Unknown)


def test_strokes_at_fed_balls_count_without_rallies():
    fed = [stroke(i, rally_id=None, number=None) for i in range(7)]
    summary = summarise(fed, [])
    assert (summary.rallies, summary.undecided) == (0, 0)
    assert [(p.name, p.strokes.n, p.decided) for p in summary.players] == [("Ada", 7, 0)]


# --- comparisons ---------------------------------------------------------------------------------
def verdicts(a, b):
    return {d.what: d.verdict for d in compare_strokes(a, b)}


def test_a_true_difference_is_found_and_named():
    a, b = strokes(80, rng(1), mean_mps=14.0), strokes(80, rng(2), mean_mps=12.0)
    speed = compare_strokes(a, b)[0]
    assert speed.verdict == "more"
    assert speed.difference.low < 2.0 < speed.difference.high
    assert speed.effect.value == pytest.approx(2 / 1.5, abs=0.4)
    assert compare_strokes(b, a)[0].verdict == "less"


def test_equal_groups_differ_in_nothing_nineteen_times_of_twenty():
    draw = rng(9)
    wrong = sum(
        bool({"more", "less"} & set(verdicts(strokes(40, draw), strokes(40, draw)).values()))
        for _ in range(100)
    )
    assert wrong <= 12, "5 of 100 are expected after Holm; 12 is the 99.9 % bound"


def test_few_strokes_are_never_called_different():
    a, b = strokes(4, rng(1), mean_mps=25.0), strokes(4, rng(2), mean_mps=5.0)
    assert set(verdicts(a, b).values()) == {"unknown"}
    assert set(verdicts([], []).values()) == {"unknown"}


def test_share_on_the_table_leaves_unknown_ends_out():
    a = [stroke(fate="in")] * 30 + [stroke(fate="unknown")] * 50
    b = [stroke(fate="in")] * 10 + [stroke(fate="net")] * 20
    share = next(d for d in compare_strokes(a, b) if d.what == ON_TABLE)
    assert (share.n_a, share.n_b, share.a) == (30, 30, 1.0)
    assert share.verdict == "more"
