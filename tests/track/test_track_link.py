"""Pieces of image motion: what is linked, what is broken, what is left alone."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfvolley.track import TrackSettings, find_tracks, kernels
from halfvolley.types import Detections

sys.path.insert(0, str(Path(__file__).parents[1] / "flight"))
import made_play as mp

WIDTH, HEIGHT, FPS = 1920, 1080, 60.0


def dots(frame, uv_px, radius_px=6.0, score=0.8, sd_px=0.3) -> Detections:
    """Detections of one thing at given frames and places."""
    n = len(frame)
    radius = np.full(n, radius_px, float)
    return Detections(
        np.asarray(frame, np.int64), 5.0 + np.asarray(frame) / FPS, np.asarray(uv_px, float),
        np.tile(sd_px**2 * np.eye(2), (n, 1, 1)), radius,
        np.zeros((n, 2)), np.full(n, float(score)), np.zeros(n, np.int64),
    )  # fmt: skip


def arc(frame, start=(300.0, 500.0), step=(18.0, -7.0), bend=0.4):
    """A smooth path: constant acceleration, as a ball seen from afar."""
    k = np.asarray(frame, float)[:, None]
    return np.asarray(start) + k * step + np.array([0.0, bend]) * k**2


def members(detections, settings=None, width_px=WIDTH):
    return [m.tolist() for m in find_tracks(detections, width_px, settings).members]


def test_no_detection_gives_no_piece():
    tracks = find_tracks(Detections.empty(), WIDTH)
    assert tracks.members == ()
    assert len(tracks.detections) == 0


@pytest.mark.parametrize("n", [1, 2])
def test_fewer_than_three_sightings_are_no_piece(n):
    assert members(dots(range(n), arc(range(n)))) == []


def test_a_smooth_path_is_one_piece_of_all_its_sightings():
    assert members(dots(range(30), arc(range(30)))) == [list(range(30))]


def test_a_kink_breaks_a_piece():
    before = arc(range(12))
    after = before[-1] + arc(range(1, 13), (0.0, 0.0), (-20.0, -9.0))
    found = members(dots(range(24), np.vstack([before, after])))
    assert list(range(12)) in found
    assert any(set(m) >= set(range(13, 24)) and min(m) >= 11 for m in found)
    # without the kink it is one
    assert members(dots(range(24), arc(range(24)))) == [list(range(24))]


def test_a_kink_right_after_another_leaves_the_arc_between_whole():
    """A seed across the first kink must not hide the clean seed behind it."""
    rising = arc(range(20), (635.0, 640.0), (0.5, 6.0), 0.3)
    short = rising[-1] + arc(range(1, 6), (0.0, 0.0), (23.0, -1.0), 0.2)
    after = short[-1] + arc(range(1, 20), (0.0, 0.0), (17.0, -12.0), 0.4)
    found = members(dots(range(44), np.vstack([rising, short, after])))
    assert any(set(m) >= set(range(20, 25)) and len(m) <= 7 for m in found), found


def test_short_gaps_are_bridged_and_long_ones_are_not():
    most = int(TrackSettings().max_gap_s * FPS)  # frames between two linked sightings
    path = arc(range(40))
    for gap, whole in ((most - 1, True), (most + 1, False)):
        keep = np.r_[0:15, 15 + gap : 40]
        found = members(dots(keep, path[keep]))
        assert (list(range(len(keep))) in found) is whole, gap
        assert any(set(m) >= set(range(15)) for m in found)


def test_two_balls_that_cross_keep_their_own_pieces():
    one, two = arc(range(30)), arc(range(30), (800.0, 390.0), (-18.0, 2.0), 0.25)
    assert np.linalg.norm(one - two, axis=1).min() < 25.0
    found = members(mp.together(dots(range(30), one), dots(range(30), two)))
    kept = sorted(found, key=len)[-2:]
    assert sorted(kept) == [list(range(0, 60, 2)), list(range(1, 60, 2))]


def test_what_stands_still_is_no_piece():
    rng = np.random.default_rng(1)
    still = np.array([700.0, 400.0]) + rng.normal(0.0, 0.03, (40, 2))
    assert members(dots(range(40), still)) == []
    # the same with a drift of a pixel a frame is one
    drift = np.arange(40)[:, None] * [1.0, 0.0]
    assert any(len(m) == 40 for m in members(dots(range(40), still + drift)))


@pytest.mark.parametrize("width_px", [1920, 640])
def test_nothing_is_linked_beyond_the_speed_of_a_ball(width_px):
    limit = TrackSettings().max_speed_widths_ps * width_px / FPS
    for share, pieces in ((0.95, 1), (1.05, 0)):
        line = arc(range(6), (10.0, 40.0), (share * limit, 0.0), 0.0)
        assert len(members(dots(range(6), line), width_px=width_px)) == pieces


def test_a_sudden_change_of_size_is_another_thing():
    path = arc(range(20))
    radius = np.where(np.arange(20) < 10, 5.0, 5.0 * 2.2)
    found = members(dots(range(20), path, radius))
    assert found and all(max(m) < 10 or min(m) >= 10 for m in found)
    assert members(dots(range(20), path, np.where(np.arange(20) < 10, 5.0, 7.0))) == [
        list(range(20))
    ]


def test_only_the_best_scores_of_a_frame_are_linked():
    ball = dots(range(10), arc(range(10)), score=0.9)
    rng = np.random.default_rng(2)
    noise = [dots(range(10), rng.uniform(0, 1000, (10, 2)), score=0.3) for _ in range(12)]
    everything = mp.together(ball, *noise)
    tracks = find_tracks(everything, WIDTH)
    assert any(np.all(everything.score[m] > 0.8) and len(m) == 10 for m in tracks.members)
    used = {int(r) for m in tracks.members for r in m}
    counts = np.bincount(everything.frame[sorted(used)])
    assert counts.max() <= TrackSettings().most_a_frame


def test_pieces_are_in_frame_order_with_one_row_a_frame():
    scene = mp.scene(np.random.default_rng(3), footage=mp.Footage(clutter=3.0))
    tracks = find_tracks(scene.detections, WIDTH)
    assert len(tracks.members) > 10
    for m in tracks.members:
        assert len(m) >= TrackSettings().min_length
        assert np.all(np.diff(scene.detections.frame[m]) > 0)
    sets = [set(m.tolist()) for m in tracks.members]
    assert not any(a < b for a in sets for b in sets)


@pytest.mark.parametrize("seed", range(3))
def test_a_shift_of_time_and_a_mirrored_picture_change_nothing(seed):
    d = mp.scene(np.random.default_rng(seed), "corner").detections
    here = members(d)
    later = replace(d, t_s=d.t_s + 1234.5)
    uv = np.column_stack([WIDTH - 1 - d.uv_px[:, 0], d.uv_px[:, 1]])
    turned = d.cov_uv_px2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    mirrored = replace(d, uv_px=uv, cov_uv_px2=turned, streak_px=d.streak_px * [-1.0, 1.0])
    assert len(here) > 10
    assert members(later) == here
    assert members(mirrored) == here


def test_later_numbers_of_frames_change_nothing():
    d = mp.scene(np.random.default_rng(5)).detections
    assert members(replace(d, frame=d.frame + 5000)) == members(d)


@pytest.mark.parametrize(("fps", "size_px"), [(60.0, (1920, 1080)), (30.0, (1280, 720))])
def test_every_arc_of_a_rally_lies_on_a_piece(fps, size_px):
    """Four of five sightings of each arc on one piece, which may go on beyond the contact.

    Longer gaps at 30 frames a second may cut an arc in two. At 60 most arcs have a piece of their
    own as well; at 30, and seen along the flight, contacts bend the picture too little for that.
    """
    arcs, covered, own = 0, 0, 0
    footage = mp.Footage(fps=fps, miss=0.04)
    for seed in range(8):
        for view in ("side", "corner", "end"):
            scene = mp.scene(np.random.default_rng(seed), view, footage, size_px=size_px)
            tracks = find_tracks(scene.detections, size_px[0])
            pieces = [set(m.tolist()) for m in tracks.members]
            for rows in scene.arcs(5):
                arcs += 1
                covered += max(len(p & rows) for p in pieces) >= 0.8 * len(rows)
                own += any(len(p & rows) >= 0.6 * max(len(rows), len(p)) for p in pieces)
    assert arcs > 180
    assert covered >= (0.99 if fps > 50 else 0.93) * arcs
    assert own >= (0.85 if fps > 50 else 0.6) * arcs


def test_compiled_and_plain_linking_agree():
    rng = np.random.default_rng(6)
    d = mp.together(
        dots(range(9), arc(range(9)) + rng.normal(0, 0.3, (9, 2))),
        dots(range(9), rng.uniform(0, 900, (9, 2))),
    )
    first = np.searchsorted(d.frame, np.arange(d.frame[-1] + 2)).astype(np.int64)
    given = (
        d.frame, d.t_s, d.uv_px, np.full(len(d), 0.25), d.radius_px, first, 0.3, 11520.0, 0.075,
        26880.0, 4e8, 24.0, 2.0,
    )  # fmt: skip
    fast, plain = kernels.link(*given), kernels.link.py_func(*given)
    assert len(fast[1]) > 1
    for a, b in zip(fast, plain, strict=True):
        np.testing.assert_array_equal(a, b)
    seed = np.array([0, 2, 4], np.int64)
    rest = (d.frame, d.t_s, d.uv_px, np.full(len(d), 0.25), d.radius_px, first, 0.075, 13440.0,
            4e8, 24.0, 2.0)  # fmt: skip
    np.testing.assert_array_equal(kernels.grow(seed, *rest), kernels.grow.py_func(seed, *rest))
