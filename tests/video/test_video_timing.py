"""Sentences on steady, varying, missing and doubled stamps."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfvolley.video.timing import seconds, standard_rate, timing_warnings

TICK = Fraction(1, 90_000)
MS = Fraction(1, 1000)


def steady(n: int, rate: Fraction, time_base: Fraction, start: int = 0) -> np.ndarray:
    return np.array([start + round(k / (rate * time_base)) for k in range(n)], np.int64)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.sampled_from([25, 30, 50, 60, 120, 240]).flatmap(
        lambda r: st.sampled_from([Fraction(r), Fraction(1000 * r, 1001)])
    ).filter(lambda r: r >= 25),
    time_base=st.sampled_from([TICK, MS, Fraction(1, 600), Fraction(1, 1_000_000)]),
    start=st.integers(0, 10**10),
    n=st.integers(2, 300),
)  # fmt: skip
def test_a_steady_clip_is_not_complained_of(rate, time_base, start, n):
    """However coarsely the container rounds: 1 ms makes 17, 16, 17 of 16.68."""
    assert timing_warnings(steady(n, rate, time_base, start), time_base) == ()


@settings(max_examples=60, deadline=None)
@given(
    rate=st.sampled_from([30, 50, 60, 120]),
    time_base=st.sampled_from([TICK, MS]),
    lost=st.lists(st.integers(1, 78), min_size=1, max_size=6, unique=True),
)
def test_lost_frames_are_counted(rate, time_base, lost):
    ticks = np.delete(steady(80, Fraction(rate), time_base), lost)
    (said,) = timing_warnings(ticks, time_base)
    gaps = np.flatnonzero(np.diff(sorted(set(range(80)) - set(lost))) > 1)
    assert said == (
        f"{len(lost)} {'frame is' if len(lost) == 1 else 'frames are'} missing in {len(gaps)} "
        f"{'gap' if len(gaps) == 1 else 'gaps'}, the first after "
        f"{seconds(ticks, time_base)[gaps[0]]:.3f} s"
    )


def test_a_long_gap_on_a_coarse_clock_is_counted_right():
    """120 a second in whole ms: the usual 8 ms would find 125 lost frames in a second, not 119."""
    ticks = np.delete(steady(600, Fraction(120), MS), range(200, 319))
    (said,) = timing_warnings(ticks, MS)
    assert said.startswith("119 frames are missing in 1 gap")


def test_a_varying_rate_is_said_with_its_span():
    rng = np.random.default_rng(11)
    ticks = np.cumsum(rng.integers(1300, 1700, 200))
    (said,) = timing_warnings(ticks, TICK)
    low, high = np.diff(ticks).min() / 90, np.diff(ticks).max() / 90
    assert said.startswith(f"the frame rate varies: {low:.1f} to {high:.1f} ms between frames")


def test_a_clip_without_a_usual_interval_has_no_gaps_but_varies():
    ticks = np.cumsum(np.tile([1500, 1500, 3000], 30))
    (said,) = timing_warnings(ticks, TICK)
    assert said.startswith("the frame rate varies: 16.7 to 33.3 ms between frames, 16.7 ms")


def test_doubled_stamps():
    ticks = steady(20, Fraction(60), TICK)
    assert timing_warnings(np.insert(ticks, [5, 9], ticks[[5, 9]]), TICK) == (
        "2 frames carry the same time as the one before, the first at 0.083 s",
    )
    ticks[7] = ticks[6]
    assert timing_warnings(ticks, TICK) == (
        "1 frame carries the same time as the one before, the first at 0.100 s",
        "1 frame is missing in 1 gap, the first after 0.100 s",
    )


@pytest.mark.parametrize(
    ("rate", "warns"),
    [(Fraction(24_000, 1001), True), (Fraction(24), True), (Fraction(25), False),
     (Fraction(15), True), (Fraction(30_000, 1001), False)],
)  # fmt: skip
def test_too_few_frames_a_second(rate, warns):
    said = timing_warnings(steady(50, rate, TICK), TICK)
    assert bool(said) == warns
    if warns:
        assert said[0].startswith(f"the clip has {float(rate):.1f} frames a second, too few")


@pytest.mark.parametrize("n", [0, 1])
def test_too_short_to_say_anything(n):
    assert timing_warnings(np.arange(n), TICK) == ()


@pytest.mark.parametrize(
    ("stored", "meant"),
    [
        (Fraction(19_001, 317), Fraction(60_000, 1001)),  # as Matroska keeps 60000/1001
        (Fraction(30_000, 1001), Fraction(30_000, 1001)),
        (Fraction(60), Fraction(60)),
        (Fraction(2997, 100), Fraction(30_000, 1001)),
        (Fraction(36_000, 1201), Fraction(36_000, 1201)),  # an average of a varying clip
        (Fraction(2997, 125), Fraction(24_000, 1001)),
    ],
)
def test_the_rate_that_is_meant(stored, meant):
    assert standard_rate(stored) == meant


def test_seconds_are_correctly_rounded():
    ticks = np.array([0, 3003, 18_018, 10**12], np.int64)
    expected = [float(t * TICK) for t in ticks.tolist()]
    assert seconds(ticks, TICK).tolist() == expected
