"""What a peak covers: a ball changes its mean, grain does not."""

import numpy as np
import pytest

from halfvolley.ball import maps
from halfvolley.ball.changed import changes
from halfvolley.ball.network_finder import NetworkSettings

SIDE, SLOTS = 64, np.array([2, 0, 1])  # frames need not lie in order
U, V, R = 30.3, 28.6, 5.0


def peak(u=U, v=V, radius=R, streak=(0.0, 0.0)):
    row = np.zeros((1, maps.COLUMNS))
    row[0, :2] = u, v
    row[0, maps.RADIUS] = radius
    row[0, maps.STREAK_U : maps.STREAK_V + 1] = streak
    return row


def still(luma=90):
    return (
        np.full((3, SIDE, SIDE), luma, np.uint8),
        np.full((3, SIDE // 2, SIDE // 2), 120, np.uint8),
        np.full((3, SIDE // 2, SIDE // 2), 130, np.uint8),
    )


def capsule(streak, scale=1.0):
    """Pixels within a radius of a streak, by the distance to its nearest of many points."""
    n = int(SIDE * scale)
    y, x = np.mgrid[0:n, 0:n]
    at = np.linspace(-0.5, 0.5, 201)[:, None] * np.array(streak) + [U, V]
    at = (at + 0.5) * scale - 0.5
    off = np.hypot(x[..., None] - at[:, 0], y[..., None] - at[:, 1]).min(axis=-1)
    return off <= R * scale


@pytest.mark.parametrize("streak", [(0.0, 0.0), (14.0, 6.0)])
def test_a_ball_changes_the_mean_by_its_contrast(streak):
    luma, cb, cr = still()
    luma[1][capsule(streak)] += 40
    assert changes(luma, cb, cr, SLOTS, peak(streak=streak)) == pytest.approx(40.0, abs=0.5)
    assert changes(luma, cb, cr, SLOTS, peak(u=55.0, streak=streak))[0] < 1.0


def test_colour_counts_twice_and_what_stays_not_at_all():
    luma, cb, cr = still()
    luma[:, capsule((0, 0))] += 40
    assert changes(luma, cb, cr, SLOTS, peak())[0] == 0.0
    cr[1][capsule((0, 0), 0.5)] += 15
    assert changes(luma, cb, cr, SLOTS, peak()) == pytest.approx(30.0, abs=1.0)


def test_fresh_grain_is_no_change_and_the_edge_of_the_picture_no_end():
    rng = np.random.default_rng(0)
    seen = []
    for _ in range(200):
        luma, cb, cr = still()
        luma[1] = np.clip(rng.normal(90, 4, luma[1].shape).round(), 0, 255)
        seen.append(changes(luma, cb, cr, SLOTS, peak())[0])
    assert np.quantile(seen, 0.99) < NetworkSettings().least_change
    assert np.isfinite(changes(*still(), SLOTS, peak(u=-3.0, v=70.0, streak=(90.0, 5.0)))).all()
