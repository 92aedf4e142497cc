"""Trends over weeks against statsmodels, and how often one is called where there is none."""

import datetime

import numpy as np
import pytest

from halfvolley.errors import Unknown
from halfvolley.match.intervals import wilson
from halfvolley.match.trends import SessionMean, Week, find_trends, slope_per_week, weekly

MONDAY = datetime.date(2026, 1, 5)


def means(values, every_days=4):
    return [
        SessionMean(MONDAY + datetime.timedelta(days=every_days * i), 30, float(v))
        for i, v in enumerate(values)
    ]


def test_slope_and_interval_are_those_of_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    y = 11.0 + 0.05 * np.arange(12) + rng.normal(0, 0.4, 12)
    slope, p = slope_per_week(means(y))
    fit = sm.OLS(y, sm.add_constant(np.arange(12) * 4 / 7)).fit()
    assert slope.value == pytest.approx(fit.params[1], rel=1e-9)
    assert (slope.low, slope.high) == pytest.approx(tuple(fit.conf_int()[1]), rel=1e-9)
    assert p == pytest.approx(fit.pvalues[1], rel=1e-9)


def test_a_week_is_that_of_statsmodels_and_of_wilson():
    from statsmodels.stats.weightstats import DescrStatsW

    x = np.random.default_rng(4).normal(10, 2, 25)
    week = weekly(MONDAY, 2, 25, float(np.mean(x)), float(np.std(x, ddof=1)))
    assert (week.mean.low, week.mean.high) == pytest.approx(DescrStatsW(x).tconfint_mean())
    share = weekly(MONDAY, 1, 20, 0.9, 0.3, share=True)
    assert share.mean == wilson(18, 20)
    assert isinstance(weekly(MONDAY, 1, 1, 9.0, None).mean, Unknown)


@pytest.mark.parametrize(
    ("values", "every", "words"),
    [([1, 2, 3, 4], 7, "4 sessions"), ([1, 2, 3, 4, 5, 6], 0, "on 1 days"),
     ([2, 2, 2, 2, 2, 2], 7, "never vary")],
)  # fmt: skip
def test_too_little_for_a_trend_is_unknown(values, every, words):
    assert words in slope_per_week(means(values, every)).reason


def called(series):
    """Directions of several quantities of one player, looked at together."""
    by_what = {("Ada", f"q{i}", "m/s"): means(y) for i, y in enumerate(series)}
    weeks = {"Ada": {f"q{i}": [Week(MONDAY, 1, 5, Unknown("-"))] for i in range(len(series))}}
    return [t.direction for t in find_trends(weeks, by_what)[0].trends]


def test_chance_is_seldom_called_a_trend_and_a_true_one_is():
    rng = np.random.default_rng(5)
    false = [called(rng.normal(10, 1, (6, 10))) for _ in range(300)]
    # 5 % of all looks together; three standard deviations of 300 draws above it
    assert np.mean([set(d) != {"not shown"} for d in false]) < 0.05 + 3 * (0.05 * 0.95 / 300) ** 0.5
    up = rng.normal(10, 0.3, (6, 10))
    up[2] += 0.5 * np.arange(10)
    up[4] -= 0.5 * np.arange(10)
    assert called(up) == ["not shown", "not shown", "rising", "not shown", "falling", "not shown"]


def test_without_adjusting_chance_would_be_called_too_often():
    """The control: six single looks at chance find something far more often than once in twenty."""
    rng = np.random.default_rng(5)
    looks = [[slope_per_week(means(y))[1] < 0.05 for y in rng.normal(10, 1, (6, 10))]
             for _ in range(300)]  # fmt: skip
    assert np.mean([any(look) for look in looks]) > 0.15
