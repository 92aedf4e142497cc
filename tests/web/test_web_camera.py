"""What the camera's screen draws, below the browser."""

import numpy as np

from halfvolley.web.pages.camera import CURVE_PX, curve_points


def test_a_drift_fills_the_drawing():
    points = curve_points(np.array([2.0, 3.0, 6.0]), np.array([0.0, 3.0, 1.5]))
    wide, high = CURVE_PX
    assert points == f"0.0,{high:.1f} {wide / 4:.1f},0.0 {wide:.1f},{high / 2:.1f}"


def test_a_short_bump_in_a_long_clip_still_shows():
    t, moved = np.arange(5000.0), np.zeros(5000)
    moved[3217] = 8.0
    drawn = [float(p.split(",")[1]) for p in curve_points(t, moved).split()]
    assert len(drawn) <= 200
    assert min(drawn) == 0.0
