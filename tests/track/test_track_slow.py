"""Paths at low and uneven rates: the time between sightings rules, not a fixed number of frames."""

import numpy as np
import pytest

from halfvolley.track import find_tracks
from halfvolley.types import Detections

WIDTH = 1280


def sightings(t_s, frame, *, noise_px=0.3, seed=0, clutter=3):
    """A ball on a bent path across the picture, and unrelated spots in every frame."""
    rng = np.random.default_rng(seed)
    rows = []
    for t, k in zip(t_s, frame, strict=True):
        ball = np.array([200.0 + 900.0 * t, 300.0 - 500.0 * t + 900.0 * t * t])
        rows.append((k, t, *(ball + rng.normal(0.0, noise_px, 2)), 0.8))
        for _ in range(clutter):
            rows.append((k, t, *rng.uniform([0, 0], [WIDTH, 720]), 0.3))
    table = np.array(rows)
    n = len(table)
    return Detections(
        table[:, 0].astype(np.int64), table[:, 1], table[:, 2:4],
        np.tile(noise_px**2 * np.eye(2), (n, 1, 1)), np.full(n, 5.0), np.zeros((n, 2)),
        table[:, 4], np.zeros(n, np.int64),
    )  # fmt: skip


def longest(detections):
    pieces = find_tracks(detections, WIDTH).members
    return max((np.count_nonzero(detections.score[m] > 0.5) for m in pieces), default=0)


@pytest.mark.parametrize("fps", [10.0, 25.0, 60.0])
def test_a_path_is_one_piece_at_every_rate(fps):
    n = max(int(0.6 * fps), 5)
    t = np.arange(n) / fps
    assert longest(sightings(t, np.arange(n))) == n


def test_frames_that_were_dropped_leave_one_piece():
    rng = np.random.default_rng(2)
    t = np.arange(40) / 60.0
    keep = np.sort(rng.choice(40, 33, replace=False))
    assert longest(sightings(t[keep], np.arange(len(keep)))) >= 31


def test_a_long_pause_at_a_high_rate_still_ends_a_piece():
    """Negative control: what was unseen for 0.2 s at 60 frames a second is not bridged here."""
    t = np.concatenate([np.arange(12), 24 + np.arange(12)]) / 60.0
    frame = np.round(t * 60).astype(int)
    assert longest(sightings(t, frame, clutter=0)) == 12
