"""Pieces for the network against plain NumPy and OpenCV, and what is read from them."""

import cv2
import numpy as np
import pytest

from halfvolley.ball import kernels, maps, pieces

H, W, KEPT = 90, 134, 4


@pytest.fixture(scope="module")
def kept():
    rng = np.random.default_rng(1)
    half = (KEPT, H // 2, W // 2)
    return (
        rng.integers(0, 256, (KEPT, H, W), dtype=np.uint8),
        rng.integers(0, 256, half, dtype=np.uint8), rng.integers(0, 256, half, dtype=np.uint8),
    )  # fmt: skip


def test_corners_lie_inside_on_a_lattice_of_four():
    centres = np.array([[5.0, 5.0], [67.3, 45.9], [500.0, 89.0]])
    corners = pieces.corners_of(centres, 48, (W, H))
    assert corners.tolist() == [[0, 0], [40, 20], [84, 40]]
    assert pieces.corners_of(centres, 200, (W, H)).tolist() == [[0, 0]] * 3


@pytest.mark.parametrize("side", [48, 160])  # the larger one is wider and higher than the picture
def test_a_piece_is_cut_from_each_frame_and_plane(kept, side):
    luma, cb, cr = kept
    slots = np.array([2, 0, 0])
    corners = np.array([[84, 40], [0, 0]]) if side == 48 else np.array([[0, 0]])
    y, c = pieces.cut(luma, cb, cr, slots, corners, side)
    assert y.shape == (len(corners), 3, side, side)
    assert c.shape == (len(corners), 6, side // 2, side // 2)
    for k, (u, v) in enumerate(corners):
        rows, columns = (
            np.minimum(v + np.arange(side), H - 1),
            np.minimum(u + np.arange(side), W - 1),
        )
        assert np.array_equal(y[k], luma[slots][:, rows][:, :, columns])
        rows = np.minimum(v // 2 + np.arange(side // 2), H // 2 - 1)
        columns = np.minimum(u // 2 + np.arange(side // 2), W // 2 - 1)
        assert np.array_equal(c[k, ::2], cb[slots][:, rows][:, :, columns])
        assert np.array_equal(c[k, 1::2], cr[slots][:, rows][:, :, columns])


@pytest.mark.parametrize("shrink", [2, 4])
def test_a_shrunk_piece_is_the_mean_of_its_pixels(kept, shrink):
    luma, cb, cr = kept
    small = np.stack([cv2.resize(p[:88, :132], (132 // shrink, 88 // shrink)) for p in luma])
    y, c = pieces.cut(small, cb, cr, np.array([1]), np.array([[8, 16]]), 16, shrink)
    assert np.array_equal(y[0, 0], small[1, 16 // shrink :, 8 // shrink :][:16, :16])
    blocks = cb[1, 8:, 4:][: 8 * shrink, : 8 * shrink].astype(float)
    inside = len(blocks) // shrink
    means = blocks[: inside * shrink].reshape(inside, shrink, 8, shrink).mean(axis=(1, 3))
    assert np.abs(c[0, 0, :inside] - means).max() <= 0.5


@pytest.mark.parametrize("size", [(1080, 1920), (91, 134)])
def test_halved_pictures_are_those_of_opencv(size):
    picture = np.random.default_rng(2).integers(0, 256, size, dtype=np.uint8)
    h, w = size[0] // 2, size[1] // 2
    out = np.empty((h, w), np.uint8)
    kernels.halved(picture, out)
    even = picture[: 2 * h, : 2 * w]
    assert np.array_equal(out, cv2.resize(even, (w, h), interpolation=cv2.INTER_AREA))


def test_peaks_of_pieces_lie_where_the_pieces_do_and_once():
    out = np.full((2, maps.COLUMNS, 12, 12), 0.0, np.float32)
    out[:, 0] = -9.0
    out[0, 0, 3, 8], out[1, 0, 3, 2] = 2.0, 3.0  # the same place, seen in both pieces
    out[0, 0, 9, 9] = 1.0
    corners = np.array([[100, 40], [124, 40]])
    found = maps.peaks_of_pieces(out, 4, 0.5, corners)
    assert found[:, :2] == pytest.approx(np.array([[133.5, 53.5], [137.5, 77.5]]))
    assert np.all(np.diff(found[:, maps.SCORE]) < 0)
    half = maps.peaks_of_pieces(out[:1], 4, 0.5, corners[:1], shrink=2)
    assert half[0, :2] == pytest.approx([(33.5 + 0.5) * 2 - 0.5 + 100, (13.5 + 0.5) * 2 - 0.5 + 40])
    assert half[0, maps.RADIUS] == pytest.approx(2.0 * found[0, maps.RADIUS])


def test_a_spot_takes_the_score_of_the_best_peak_on_which_it_lies():
    found = np.zeros((2, maps.COLUMNS))
    found[0] = 50.0, 50.0, 0.9, 1.0, 20.0, 0.0, 5.0  # a streak of 20 px along u
    found[1] = 60.0, 50.0, 0.5, 1.0, 0.0, 0.0, 5.0
    spots = np.array([[62.0, 50.0], [50.0, 58.0], [66.0, 50.0], [63.0, 53.0]])
    assert maps.scores_on(found, spots).tolist() == [0.9, 0.0, 0.0, 0.9]
    assert maps.scores_on(found[1:], spots).tolist() == [0.5, 0.0, 0.0, 0.5]


def test_a_peak_belongs_to_the_place_nearest_to_its_centre():
    found = np.zeros((3, maps.COLUMNS))
    found[0] = 50.0, 50.0, 0.9, 1.0, 20.0, 0.0, 5.0  # a streak of 20 px along u
    found[1] = 62.0, 50.0, 0.5, 1.0, 0.0, 0.0, 5.0
    found[2] = 90.0, 50.0, 0.4, 1.0, 0.0, 0.0, 5.0
    places = np.array([[61.0, 50.0], [51.0, 50.0], [66.0, 50.0], [20.0, 20.0]])
    second, met = maps.shared(found, places)
    # the first is a second fit on the long streak; the third alone belongs to the other peak
    assert second.tolist() == [True, False, False, False]
    assert met.tolist() == [True, True, False]
    assert maps.shared(found[:0], places)[0].tolist() == [False] * 4
