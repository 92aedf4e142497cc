"""Loops over pixels against plain NumPy and SciPy."""

import numpy as np
import pytest
from scipy import ndimage

from halfvolley.ball import kernels


def blobs_of(change, threshold, through=None, longest=1000.0, most_runs=4000):
    """Blobs above a threshold, directly or `through` the runs of a lower one."""
    table = np.zeros((900, kernels.BLOB_COLUMNS))
    y = cb = cr = np.full(change.shape, 100, np.uint8)
    runs, lower, work = (np.zeros((k, most_runs), np.int32) for k in (3, 3, 2))
    if through is None:
        n = kernels.find_runs(change, threshold, runs)
    else:
        n = kernels.find_runs(change, through, lower)
        n = kernels.higher_runs(change, threshold, lower, n, runs)
    n = kernels.find_blobs(change, runs, n, longest, y, cb, cr, y, cb, cr, work, table)
    return table[:n]


@pytest.mark.parametrize("through", [None, 1, 25])
@pytest.mark.parametrize("density", [0.02, 0.2, 0.45])
def test_blobs_are_the_connected_parts(density, through):
    rng = np.random.default_rng(3)
    change = np.where(rng.random((61, 88)) < density, rng.integers(9, 255, (61, 88)), 0)
    change = np.ascontiguousarray(change.astype(np.uint8))
    threshold = 40
    label, n = ndimage.label(change >= threshold, np.ones((3, 3)))
    found = blobs_of(change, threshold, through)
    assert len(found) == n
    index = np.arange(1, n + 1)
    v, u = np.mgrid[0:61, 0:88]
    weight = ndimage.sum_labels(change.astype(float), label, index)
    expected = np.stack(
        [
            ndimage.sum_labels(np.ones(change.shape), label, index), weight,
            ndimage.sum_labels(change * u.astype(float), label, index) / weight,
            ndimage.sum_labels(change * v.astype(float), label, index) / weight,
            ndimage.maximum(u, label, index), ndimage.minimum(v, label, index),
        ],
        axis=1,
    )  # fmt: skip
    seen = np.stack(
        [
            found[:, kernels.AREA], found[:, kernels.SW],
            found[:, kernels.SX] / found[:, kernels.SW],
            found[:, kernels.SY] / found[:, kernels.SW], found[:, kernels.X1],
            found[:, kernels.Y0],
        ],
        axis=1,
    )  # fmt: skip

    def in_order(a):
        return a[np.lexsort(a.T[::-1])]

    assert in_order(seen) == pytest.approx(in_order(expected))


def test_a_picture_that_is_too_busy_is_cut_short_not_overrun():
    change = np.zeros((60, 80), np.uint8)
    change[::2, ::2] = 200
    assert len(blobs_of(change, 100, most_runs=50)) == 50
    assert len(blobs_of(change, 100, through=50, most_runs=50)) == 50
    assert len(blobs_of(change, 100)) == 900  # as many as the table holds; there are 1200


def test_what_is_longer_than_a_streak_has_no_area():
    change = np.zeros((60, 80), np.uint8)
    change[5:8, 10:40] = 90
    change[20:45, 50:53] = 90
    change[50:54, 20:30] = 90
    areas = sorted(blobs_of(change, 50, longest=20.0)[:, kernels.AREA])
    assert areas == [0.0, 0.0, 40.0]


def test_where_a_colour_came_nearer():
    rng = np.random.default_rng(6)
    here, before, after = (rng.integers(0, 256, (31, 45)).astype(np.uint8) for _ in range(3))
    allowed = np.where(rng.random((31, 45)) < 0.8, 255, 0).astype(np.uint8)
    out = np.empty((31, 45), np.uint8)
    kernels.nearer_than_both(here, before, after, 9, allowed, out)
    by = np.minimum(before, after).astype(int) - here
    assert np.array_equal(out, np.where((by >= 9) & (allowed > 0), by, 0))


def test_a_picture_at_another_brightness():
    rng = np.random.default_rng(7)
    picture = rng.integers(0, 256, (31, 45)).astype(np.uint8)
    gain = rng.uniform(0.8, 1.3, 31)
    out = np.empty((31, 45), np.uint8)
    kernels.at_brightness(picture, 16.0, gain, out)
    wanted = np.clip((picture - 16.0) * gain[:, None] + 16.0, 0, 255)
    assert np.all(np.abs(out - wanted) <= 1.0)


def test_median_of_seven():
    rng = np.random.default_rng(4)
    pictures = [rng.integers(0, 256, (31, 45)).astype(np.uint8) for _ in range(7)]
    out = np.empty((31, 45), np.uint8)
    kernels.median_of_seven(*pictures, out)
    assert np.array_equal(out, np.median(pictures, axis=0))


def change_of(middle, before, after, gain_before=1.0, least=9.0):
    rows = len(middle)
    grey = np.full(middle.shape, 128, np.uint8)
    out = np.zeros(middle.shape, np.uint8)
    kernels.change_between(
        middle, grey, grey, before, grey, grey, np.full(rows, gain_before), after, grey, grey,
        np.ones(rows), 16.0, least, np.full(middle.shape, 255, np.uint8), out,
    )  # fmt: skip
    return out


def test_a_moving_thing_fires_only_where_it_is():
    empty = np.full((40, 60), 80, np.uint8)
    pictures = []
    for u in (10, 25, 40):
        picture = empty.copy()
        picture[18:24, u : u + 6] = 180
        pictures.append(picture)
    out = change_of(pictures[1], pictures[0], pictures[2])
    assert np.array_equal(out == 100, pictures[1] == 180)
    assert np.all(out[pictures[1] == 80] == 0)


def test_a_lamp_that_pulses_is_no_change():
    rng = np.random.default_rng(5)
    bright = rng.integers(30, 200, (40, 60)).astype(float)
    dim = 16.0 + 0.8 * (bright - 16.0)
    as_bytes = [np.round(p).astype(np.uint8) for p in (bright, dim)]
    assert change_of(as_bytes[0], as_bytes[1], as_bytes[1]).max() > 20
    rows = np.full(40, 1.25)
    grey = np.full((40, 60), 128, np.uint8)
    out = np.zeros((40, 60), np.uint8)
    kernels.change_between(
        as_bytes[0], grey, grey, as_bytes[1], grey, grey, rows, as_bytes[1], grey, grey, rows,
        16.0, 3.0, np.full((40, 60), 255, np.uint8), out,
    )  # fmt: skip
    assert out.max() == 0


def test_compiled_and_plain_agree():
    rng = np.random.default_rng(6)
    planes = [rng.integers(0, 256, (20, 32)).astype(np.uint8) for _ in range(9)]
    allowed = np.full((20, 32), 255, np.uint8)
    gains = [1.0 + 0.1 * rng.random(20) for _ in range(2)]
    args = (*planes[:6], gains[0], *planes[6:], gains[1], 16.0, 12.0, allowed)
    fast, slow = np.zeros((20, 32), np.uint8), np.zeros((20, 32), np.uint8)
    kernels.change_between(*args, fast)
    kernels.change_between.py_func(*args, slow)
    assert np.max(np.abs(fast.astype(int) - slow.astype(int))) <= 1


def test_brightness_of_rows_follows_the_lamps_not_a_person():
    rng = np.random.default_rng(7)
    reference = rng.uniform(40, 160, (12, 30))
    pulse = 1.0 + 0.2 * np.sin(np.arange(12) / 3.0)
    blocks = reference * pulse[:, None]
    blocks[3:9, 5:15] = 10.0  # somebody dark stands there
    ratio = kernels.follow_brightness(blocks, reference.copy(), 0.0)
    assert ratio == pytest.approx(pulse)


def test_radius_of_a_place():
    low = np.array([[1.0, 2.0, 3.0], [4.0, np.nan, 6.0]])
    assert kernels.radius_at(31.6, 0.0, 16, low, low + 1) == (3.0, 4.0)
    assert kernels.radius_at(-5.0, 99.0, 16, low, low + 1) == (4.0, 5.0)
    assert np.isnan(kernels.radius_at(20.0, 20.0, 16, low, low + 1)).all()
