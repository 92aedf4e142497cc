"""What the stamps of a clip say: is the rate steady, is anything missing."""

from fractions import Fraction

import numpy as np

from halfvolley.types.arrays import FloatArray, IntArray

MIN_RATE_FPS = 25.0
"""Below this a struck ball is seen too seldom between two contacts [1/s]; common practice."""

_STEADY = 0.02  # a steady clip's intervals agree to this share of one, beyond rounding of stamps
_GAP = 1.5  # an interval this many times the usual one has lost a frame
_MANY = 0.2  # with more than this share of long intervals there is no usual one


def seconds(ticks: IntArray, time_base: Fraction) -> FloatArray:
    """Stamps in seconds, correctly rounded.

    Parameters
    ----------
    ticks : IntArray
        (n,) stamps in units of the time base.
    time_base : Fraction
        [s].

    Returns
    -------
    FloatArray
        (n,) [s].
    """
    return np.asarray(ticks * time_base.numerator / time_base.denominator, np.float64)


def standard_rate(rate: Fraction) -> Fraction:
    """The rate meant where a container rounds it, as 19001/317 for 60000/1001.

    Parameters
    ----------
    rate : Fraction
        As stored [1/s].

    Returns
    -------
    Fraction
        n or 1000 n / 1001 where that is within 20 parts in a million, else the rate itself.
    """
    whole = Fraction(round(rate))
    ntsc = Fraction(round(rate * Fraction(1001, 1000)) * 1000, 1001)
    for meant in (whole, ntsc):
        if meant > 0 and abs(rate / meant - 1) < Fraction(20, 1_000_000):
            return meant
    return rate


def timing_warnings(ticks: IntArray, time_base: Fraction) -> tuple[str, ...]:
    """Plain sentences on uneven, missing, doubled or too few frames.

    Parameters
    ----------
    ticks : IntArray
        (n,) stamps in order of display, in units of the time base.
    time_base : Fraction
        [s].

    Returns
    -------
    tuple of str
        One sentence a fault; empty for a steady clip.
    """
    said: list[str] = []
    t_s = seconds(ticks, time_base)
    steps = np.diff(ticks).astype(np.float64)
    doubled = np.flatnonzero(steps == 0)
    if len(doubled):
        said.append(
            f"{_frames(len(doubled))} the same time as the one before, the first at "
            f"{t_s[doubled[0] + 1]:.3f} s"
        )
    moving = np.flatnonzero(steps > 0)
    if len(moving) == 0:
        return tuple(said)
    usual = _usual_step(steps[moving])
    long = steps > _GAP * usual
    regular = steps[(steps > 0) & ~long]
    tick_s = float(time_base)
    # stamps are rounded to whole ticks, so two intervals of one clip may differ by one tick
    uneven = float(np.max(np.abs(regular - usual))) > 1.0 + _STEADY * usual
    erratic = np.count_nonzero(long) > _MANY * len(moving)
    if uneven or erratic:
        shown = steps[moving] if erratic else regular
        said.append(
            f"the frame rate varies: {1e3 * tick_s * shown.min():.1f} to "
            f"{1e3 * tick_s * shown.max():.1f} ms between frames, {1e3 * tick_s * usual:.1f} ms "
            "in the middle"
        )
    if np.any(long) and not erratic:
        lost = int(np.sum(np.maximum(np.rint(steps[long] / usual) - 1, 1)))
        said.append(
            f"{lost} {'frame is' if lost == 1 else 'frames are'} missing in "
            f"{_count(int(np.count_nonzero(long)), 'gap')}, the first after "
            f"{t_s[np.flatnonzero(long)[0]]:.3f} s"
        )
    rate_fps = 1.0 / (usual * tick_s)
    if rate_fps < 0.998 * MIN_RATE_FPS:
        said.append(
            f"the clip has {rate_fps:.1f} frames a second, too few to follow a ball; film at 60 or "
            "more"
        )
    return tuple(said)


def _usual_step(steps: FloatArray) -> float:
    """The interval between neighbouring frames [ticks], finer than the rounding of stamps."""
    median = float(np.median(steps))
    near = np.abs(steps - median) <= 1.0 + _STEADY * median
    return float(np.mean(steps[near])) if np.any(near) else median


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _frames(n: int) -> str:
    return "1 frame carries" if n == 1 else f"{n} frames carry"
