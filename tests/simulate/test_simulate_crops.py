"""Crops for training: their labels are those of the frames that they are cut from."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.errors import BadInput
from halfvolley.simulate import CropSettings, iter_crops

SMALL = CropSettings(
    size_px=(96, 64), frame_px=(480, 300), crops_per_scene=60, seconds_per_scene=6.0,
    spp=2, coded_share=0.0, neighbour_share=0.0, views=("side",), zoom=(2.4, 2.6),
)  # fmt: skip


@pytest.fixture(scope="module")
def crops():
    source = iter_crops(np.random.default_rng(11), replace(SMALL, with_empty=True))
    return [next(source) for _ in range(60)]


def test_planes_and_labels_have_their_shapes(crops):
    for c in crops:
        assert c.luma.shape == (3, 64, 96)
        assert c.cb.shape == c.cr.shape == (3, 32, 48)
        assert c.uv_px.shape == c.streak_px.shape == (3, 2)
        assert c.radius_px.shape == c.visible.shape == c.contrast.shape == c.inside.shape == (3,)
        assert len(c.other_uv_px) == 3
        assert c.empty is not None
        assert c.empty[0].shape == (64, 96)


def test_the_picture_changes_where_the_label_says(crops):
    """Against the empty hall, the most changed place near a visible ball is the ball."""
    misses, shifted = [], []
    for c in crops:
        for i in range(3):
            clear = c.inside[i] and c.visible[i] > 0.95 and c.contrast[i] > 70
            if not clear or np.hypot(*c.streak_px[i]) > 6:
                continue
            u, v = c.uv_px[i]
            if not (12 < u < 84 and 12 < v < 52):
                continue
            change = np.abs(c.luma[i].astype(float) - c.empty[0])
            change = change[int(v) - 9 : int(v) + 10, int(u) - 9 : int(u) + 10] ** 2
            y, x = np.mgrid[int(v) - 9 : int(v) + 10, int(u) - 9 : int(u) + 10]
            centre = np.array([(change * x).sum(), (change * y).sum()]) / change.sum()
            misses.append(np.hypot(*(centre - c.uv_px[i])))
            shifted.append(np.hypot(*(centre - c.uv_px[i] - [3.0, 0.0])))
    assert len(misses) > 10
    assert np.median(misses) < 1.2  # figures near it and its own shadow pull the centre
    assert np.median(shifted) > 2.0


def test_there_are_balls_and_there_are_none(crops):
    inside = np.array([c.inside[1] for c in crops])
    assert 0.3 < inside.mean() < 0.9
    aims = {c.aim for c in crops}
    assert "ball" in aims
    assert len(aims) > 1
    assert all((c.visible[~c.inside] < 0.999).all() for c in crops)


def test_a_seed_is_a_series_of_crops():
    a, b, c = (next(iter_crops(np.random.default_rng(s), SMALL)) for s in (2, 2, 3))
    assert np.array_equal(a.luma, b.luma)
    assert np.array_equal(a.uv_px, b.uv_px, equal_nan=True)
    assert not np.array_equal(a.luma, c.luma)


def test_coding_leaves_marks_but_keeps_the_picture():
    plain = next(iter_crops(np.random.default_rng(2), SMALL))
    coded = next(iter_crops(np.random.default_rng(2), replace(SMALL, coded_share=1.0)))
    assert not np.array_equal(plain.luma, coded.luma)
    assert np.abs(plain.luma.astype(int) - coded.luma.astype(int)).mean() < 8


@pytest.mark.parametrize("size", [(97, 64), (2000, 64), (8, 64)])
def test_impossible_sizes_are_refused(size):
    with pytest.raises(BadInput, match="crops must be"):
        next(iter_crops(np.random.default_rng(0), replace(SMALL, size_px=size)))


def test_crops_can_look_at_the_ball_of_their_last_frame():
    """A fast ball leaves a crop within frames: more of them hold it where they were aimed."""
    late = replace(SMALL, frames=5, aim_frame=4, ball_share=1.0, flying_share=1.0, aim_spread=0.2)
    source = iter_crops(np.random.default_rng(3), late)
    inside = np.array([next(source).inside for _ in range(40)])
    assert inside[:, 4].mean() > 0.8 > 0.1 + inside[:, 0].mean()
    with pytest.raises(BadInput, match="aim_frame is 5"):
        next(iter_crops(np.random.default_rng(0), replace(late, aim_frame=5)))
