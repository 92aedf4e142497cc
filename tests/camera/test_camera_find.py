"""Straight edges: which side of a line may be the table."""

import numpy as np

from halfvolley.camera.find import Planes, straight_edges


def planes_of(rows):
    """Picture (360, 640) whose rows have these lumas; colour is grey."""
    luma = np.repeat(np.asarray(rows, np.uint8)[:, None], 640, axis=1)
    grey = np.full_like(luma, 128)
    return Planes(luma, grey, grey, 1.0)


def test_a_thin_line_has_a_surface_on_either_side():
    """A far side line a pixel high: a dark wall above it, the lighter table below."""
    rows = np.full(360, 40)
    rows[180:] = 125
    rows[180] = 155
    lines = straight_edges(planes_of(rows))
    at_line = np.abs(lines.abc[:, 2] + lines.abc[:, 1] * 180) < 2.0
    downwards = lines.abc[:, 1] > 0.99  # a u + b v + c grows to the dark side
    assert np.allclose(lines.dark[at_line & downwards, 0], 125, atol=3)
    assert np.allclose(lines.dark[at_line & ~downwards, 0], 40, atol=3)
    assert (at_line & downwards).any() and (at_line & ~downwards).any()


def test_an_edge_has_a_dark_side_only():
    rows = np.full(360, 40)
    rows[180:] = 125
    lines = straight_edges(planes_of(rows))
    assert len(lines.abc) >= 1
    assert (lines.abc[:, 1] < -0.99).all()
