"""Pictures through a coder and back."""

import numpy as np
import pytest

from halfvolley.errors import BadInput
from halfvolley.video.coding import CodingSettings, recoded


def grainy(n=8, seed=0):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:48, 0:64]
    hall = 100 + 30 * np.sin(x / 9.0) + 20 * np.cos(y / 7.0)
    grey = np.full((24, 32), 128, np.uint8)
    return [
        (np.clip(hall + rng.normal(0, 4, hall.shape), 16, 235).astype(np.uint8), grey, grey)
        for _ in range(n)
    ]


def off(a, b):
    return np.mean([np.abs(p[0].astype(float) - q[0]).mean() for p, q in zip(a, b, strict=True)])


@pytest.mark.parametrize("b_frames", [0, 2])
def test_pictures_come_back_in_order_and_worse_the_coarser(b_frames):
    pictures = grainy()
    fine, coarse = (recoded(pictures, CodingSettings(crf, b_frames)) for crf in (8.0, 36.0))
    assert [tuple(p.shape for p in one) for one in fine] == [((48, 64), (24, 32), (24, 32))] * 8
    assert off(fine, pictures) < 1.5 < 2.0 < off(coarse, pictures) < 6.0


def test_a_coarse_coder_keeps_the_grain_of_before():
    pictures = grainy()
    coarse = recoded(pictures, CodingSettings(34.0))
    assert off(coarse[3:], coarse[2:-1]) < 0.2 * off(pictures[3:], pictures[2:-1])


def test_odd_sides_are_refused_and_nothing_is_nothing():
    assert recoded([]) == []
    with pytest.raises(BadInput, match="even sides"):
        recoded([tuple(p[:, 1:] for p in one) for one in grainy(2)])
