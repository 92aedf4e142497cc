"""Intervals, densities and directions against printed values and well-kept libraries."""

import math

import numpy as np
import pytest
from scipy import stats

from halfvolley.match.circular import summarise_directions
from halfvolley.match.density import bandwidth, placement_density
from halfvolley.match.intervals import (
    effect_size,
    holm,
    mean_difference,
    median_interval,
    share_difference,
    wilson,
)
from halfvolley.match.records import Placement

proportion = pytest.importorskip("statsmodels.stats.proportion")


# Newcombe 1998, Stat. Med. 17:857, Table I, method 3. Tolerance: half the last printed digit.
@pytest.mark.parametrize(
    ("hits", "total", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
     (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_wilson_of_the_table(hits, total, low, high):
    interval = wilson(hits, total)
    assert (interval.low, interval.high) == pytest.approx((low, high), abs=5.1e-5)


def test_walds_interval_would_be_noticed():
    half = 1.96 * math.sqrt(81 / 263 * 182 / 263 / 263)
    assert 81 / 263 - half != pytest.approx(0.2553, abs=5.1e-5)


@pytest.mark.parametrize(("hits", "total"), [(0, 10), (5, 10), (10, 10), (57, 100), (1, 1)])
def test_wilson_against_two_libraries(hits, total):
    interval = wilson(hits, total)
    there = proportion.proportion_confint(hits, total, method="wilson")
    scipy = stats.binomtest(hits, total).proportion_ci(method="wilson")
    assert (interval.low, interval.high) == pytest.approx(there, abs=1e-12)
    assert (interval.low, interval.high) == pytest.approx((scipy.low, scipy.high), abs=1e-12)


def test_difference_of_shares():
    # Newcombe 1998, Stat. Med. 17:873, method 10: 56/70 - 48/80; half the last printed digit
    d = share_difference(56, 70, 48, 80)
    assert (d.low, d.high) == pytest.approx((0.0524, 0.3339), abs=5.1e-5)
    there = proportion.confint_proportions_2indep(45, 60, 30, 60, method="newcomb")
    mine = share_difference(45, 60, 30, 60)
    assert (mine.low, mine.high) == pytest.approx(there, abs=1e-9)


def test_holm_against_a_library():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = [0.01, 0.04, 0.03, 0.005, 0.6]
    assert holm(p) == pytest.approx(multitest.multipletests(p, method="holm")[1])
    assert holm([]) == ()


def test_welch_of_the_worked_example():
    # 12.1, sd 1.5, n 20 against 11.0, sd 1.8, n 25: p = 0.030633, computed with scipy
    def with_moments(mean, sd, n):
        x = np.linspace(-1, 1, n)
        return mean + sd * (x - x.mean()) / np.std(x, ddof=1)

    interval, p = mean_difference(with_moments(12.1, 1.5, 20), with_moments(11.0, 1.8, 25))
    assert p == pytest.approx(0.030633, abs=5e-7)
    assert interval.value == pytest.approx(1.1)
    assert 0 < interval.low < interval.value < interval.high


def test_effect_size_against_its_definition():
    a, b = [1.0, 2.0, 3.0, 4.0, 5.0], [3.0, 4.0, 5.0, 6.0, 7.0]
    # d = -2 / sqrt(2.5); the small-sample factor for 8 degrees of freedom is 1 - 3/31
    assert effect_size(a, b).value == pytest.approx(-2 / math.sqrt(2.5) * (1 - 3 / 31))


@pytest.mark.parametrize("n", [6, 7, 15, 40, 101])
def test_median_interval_against_a_library(n):
    # scipy's interval of a quantile follows the same book, Conover 1999, section 3.2
    values = np.random.default_rng(n).exponential(1.0, n)
    there = stats.quantile_test(values, q=0.0, p=0.5).confidence_interval(0.95)
    mine = median_interval(values)
    assert mine.low <= there.low + 1e-12 and mine.high >= there.high - 1e-12
    k = int(np.searchsorted(np.sort(values), mine.low)) + 1
    assert 1 - 2 * stats.binom.cdf(k - 1, n, 0.5) >= 0.95
    assert 1 - 2 * stats.binom.cdf(k, n, 0.5) < 0.95, "no narrower one would do"


# --- directions ----------------------------------------------------------------------------------
# computed with scipy circmean and circstd; half the last printed digit
@pytest.mark.parametrize(
    ("degrees", "mean", "resultant", "sd"),
    [([10, 20, 30, 340], 10.23683, 0.947640, 18.791), ([350, 10, 30], 10.0, 0.959795, 16.414)],
)
def test_directions_across_north(degrees, mean, resultant, sd):
    five_times = summarise_directions(np.radians(degrees * 5))
    assert math.degrees(five_times.mean_rad) == pytest.approx(mean, abs=5e-6 + 5e-6 * abs(mean))
    assert five_times.resultant == pytest.approx(resultant, abs=5.1e-7)
    assert math.degrees(five_times.sd_rad) == pytest.approx(sd, abs=5.1e-4)


def test_directions_against_scipy():
    angles = np.random.default_rng(3).vonmises(2.9, 4.0, 200)
    mine = summarise_directions(angles)
    there = stats.circmean(angles, high=math.pi, low=-math.pi)
    assert mine.mean_rad == pytest.approx(float(there), abs=1e-12)
    assert mine.sd_rad == pytest.approx(float(stats.circstd(angles)), rel=1e-9)
    assert float(np.mean(angles)) != pytest.approx(mine.mean_rad, abs=0.05), "the plain mean is off"


def test_the_means_error_is_that_of_many_trials():
    rng = np.random.default_rng(5)
    trials = [summarise_directions(rng.vonmises(0.3, 6.0, 60)) for _ in range(300)]
    off = np.array([t.mean_rad - 0.3 for t in trials])
    claimed = np.array([t.mean_sd_rad for t in trials])
    # 95 % of 300: 99 % of such counts lie between 274 and 294
    assert 274 <= np.sum(np.abs(off) < 1.96 * claimed) <= 294
    assert np.sum(np.abs(off) < 1.96 * 0.6 * claimed) < 274, "too short a bar would be noticed"


# --- density -------------------------------------------------------------------------------------
def places(xy, cov=(0.0, 0.0, 0.0)):
    return [Placement(float(d), float(r), *cov) for d, r in xy]


def test_density_against_scipy():
    xy = np.random.default_rng(1).multivariate_normal(
        [0.9, 0.1], [[0.02, 0.008], [0.008, 0.04]], 60
    )
    mine = placement_density(places(xy))
    there = stats.gaussian_kde(xy.T, bw_method="silverman")
    grid = np.stack(np.meshgrid(mine.depth_m, mine.right_m, indexing="ij")).reshape(2, -1)
    assert mine.per_m2.ravel() == pytest.approx(60 * there(grid), abs=1e-9)
    assert bandwidth(xy) == pytest.approx(there.covariance, rel=1e-12)


def test_a_bounces_own_covariance_widens_its_kernel():
    xy = np.random.default_rng(2).normal([0.8, 0.0], 0.1, (40, 2))
    cov = (0.01, 0.004, 0.02)
    mine = placement_density(places(xy, cov))
    kernel = bandwidth(xy) + np.array([[cov[0], cov[1]], [cov[1], cov[2]]])
    i, j = 40, 45
    there = sum(
        stats.multivariate_normal(p, kernel).pdf([mine.depth_m[i], mine.right_m[j]]) for p in xy
    )
    assert mine.per_m2[i, j] == pytest.approx(there, rel=1e-9)
    assert mine.per_m2.max() < placement_density(places(xy)).per_m2.max()
