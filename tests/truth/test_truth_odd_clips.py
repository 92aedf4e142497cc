"""Footage with one thing wrong, from file to tables: what can be measured is, the rest is said."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfvolley.camera.projection import project
from halfvolley.simulate import Cut, make_clip
from halfvolley.simulate import variants as odd
from halfvolley.simulate.scene import table_corners

sys.path.insert(0, str(Path(__file__).parent))
import odd_clips as oc

BREAK_S = 1.05  # between the second bounce and the stroke after it


def said(clip, words):
    return any(words in warning for warning in clip.warnings)


@pytest.fixture(scope="module")
def plain(played, measure_clip):
    """The game as it is, measured."""
    return measure_clip(played.path)


def test_the_game_as_it_is(played, plain):
    """What the other tests are held against: nothing is wrong, and nothing is said."""
    true = oc.bounces_of(played.truth)
    assert len(true) == 3
    assert oc.held_against(plain.bounces, true) == (3, 0)
    words = ("camera", "table", "stabilisation", "missing", "short")
    assert not any(said(plain, word) for word in words)


def test_that_a_wrong_place_or_time_would_be_noticed(played, plain):
    true = oc.bounces_of(played.truth)
    beside = [replace(b, xy_m=b.xy_m + np.array([0.0, 0.2])) for b in true]
    late = [replace(b, t_s=b.t_s + 0.1) for b in true]
    assert oc.held_against(plain.bounces, beside)[0] == 0
    assert oc.held_against(plain.bounces, late) == (0, len(plain.bounces))


def test_a_second_table_with_its_ball_in_view(played, measure_clip):
    made = odd.with_neighbour(oc.scene(), np.random.default_rng(5))
    path = played.folder / "neighbour.mp4"
    rng = np.random.default_rng(1)
    truth = make_clip(path, made, rng, 1.05, oc.QUICK, oc.game(made))
    clip = measure_clip(path)
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(truth))
    assert found >= 1
    assert wrong == 0
    true = [(truth.clip_time(e.t_s), e.centre_m) for e in truth.events_in_clip()]
    turned = clip.bounces[0].x_m * oc.bounces_of(truth)[0].xy_m[0] < 0
    for c in (c for c in clip.contacts if c.rally_id is not None):
        place = np.array([c.x_m, c.y_m, c.z_m]) * ([-1, -1, 1] if turned else [1, 1, 1])
        assert any(
            abs(t - c.t_s) < 0.06 and np.linalg.norm(place - xyz) < 0.25 for t, xyz in true
        ), c
    moving = {b.ball_id for others in truth.others for b in others}
    assert moving, "the other ball is in the picture"


def test_the_ball_of_the_next_table_alone_is_no_play(played, measure_clip):
    made = odd.with_neighbour(oc.scene(), np.random.default_rng(5))
    path = played.folder / "next_table.mp4"
    nothing = replace(oc.game(made), paths=(), events=(), strokes=(), rallies=())
    make_clip(path, made, np.random.default_rng(1), 0.6, oc.QUICK, nothing)
    clip = measure_clip(path)
    assert (clip.bounces, clip.rallies, clip.strokes) == ((), (), ())


def test_a_zoom_ends_what_is_measured(played, measure_clip):
    zoomed = oc.looked_aside(np.zeros(3), zoom=1.25)
    path = played.derived(
        "zoom.mp4", lambda f: f if f.t_s < BREAK_S else oc.warped(f, zoomed), range(96)
    )
    clip = measure_clip(path)
    assert said(clip, "the lens was zoomed")
    assert all(c.t_s < BREAK_S + 0.1 for c in clip.contacts)
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth, BREAK_S))
    assert found >= 1
    assert wrong == 0


def test_a_cut_to_another_view(played, measure_clip):
    made = oc.scene()
    other = oc.scene(centre_m=(-3.2, -3.4, 2.1), fill=0.6)
    path = played.folder / "cut.mp4"
    truth = make_clip(
        path, made, np.random.default_rng(1), 1.7, oc.QUICK, oc.game(made),
        Cut(BREAK_S, other.rig),
    )  # fmt: skip
    clip = measure_clip(path)
    assert said(clip, "another view")
    assert not said(clip, "zoom")
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(truth, BREAK_S))
    assert found >= 1
    assert wrong == 0
    assert all(c.t_s < BREAK_S + 0.1 for c in clip.contacts)


def test_chapters_are_one_clock(played, measure_clip):
    """The second file begins again at 0, in the middle of a flight."""
    n = round(BREAK_S * 60)
    second = played.truth.pts_s[n]
    first = played.derived("chapter1.mp4", keep=range(n))
    rest = played.derived("chapter2.mp4", keep=range(n, len(played.frames)), shift_s=second)
    clip = measure_clip(first, chapters=(str(rest),))
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth))
    assert found >= 2
    assert wrong == 0
    after = [b.t_s for b in oc.bounces_of(played.truth) if b.t_s > BREAK_S]
    assert [b.t_s for b in clip.bounces if b.t_s > BREAK_S] == pytest.approx(after, abs=0.008)


def test_a_camera_in_the_hand_is_followed(played, measure_clip):
    rng = np.random.default_rng(3)
    rates, phases = rng.uniform(0.6, 2.0, (3, 3)), rng.uniform(0, 6.28, (3, 3))

    def sway(t_s):
        return 0.004 * (np.sin(2 * np.pi * rates * t_s + phases) - np.sin(phases)).sum(axis=1)

    path = played.derived("hand.mp4", lambda f: oc.warped(f, oc.looked_aside(sway(f.t_s))))
    clip = measure_clip(path)
    assert said(clip, "the camera shakes all the time")
    assert not said(clip, "stabilisation")
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth))
    assert found >= 2
    assert wrong == 0


def test_a_stabiliser_that_shifts_each_picture_is_named(played, measure_clip):
    made = odd.stabilised(oc.scene(size_px=(640, 360)), shift_px=2.0)
    path = played.folder / "stabilised.mp4"
    settings = replace(oc.QUICK, with_players=False)
    make_clip(path, made, np.random.default_rng(1), 0.8, settings, oc.game(made))
    clip = measure_clip(path)
    assert said(clip, "digital stabilisation; switch it off")
    assert not said(clip, "tripod")


def test_a_stabiliser_that_bends_each_picture_is_named(played, measure_clip):
    rng = np.random.default_rng(4)
    rates, phases = rng.uniform(1.0, 4.0, (2, 4, 6)), rng.uniform(0, 6.28, (2, 4, 6))

    def bend(frame):
        return oc.bent(frame, 1.2 * np.sin(2 * np.pi * rates * frame.t_s + phases))

    clip = measure_clip(played.derived("bent.mp4", bend, range(60)))
    assert said(clip, "stabilisation bends the picture; switch it off")


def test_ten_frames_a_second_are_measured_with_larger_errors(played, plain, measure_clip):
    """Which bounces come out hangs on which frames are there: three choices, judged together."""
    bounces = []
    for first in (0, 2, 4):
        keep = range(first, len(played.frames), 6)
        clip = measure_clip(played.derived(f"ten_{first}.mp4", keep=keep, rate=10))
        assert said(clip, "10.0 frames a second, too few to follow a ball")
        wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth), 0.3)[1]
        assert wrong == 0
        bounces += clip.bounces
    assert bounces
    slow, usual = (np.median([b.t_sd_s for b in found]) for found in (bounces, plain.bounces))
    assert slow > 1.5 * usual


def test_lost_frames_are_said_and_their_times_kept(played, measure_clip):
    rng = np.random.default_rng(6)
    n = len(played.frames)
    keep = np.flatnonzero((rng.random(n) > 0.06) | (np.arange(n) == 0))
    clip = measure_clip(played.derived("lost.mp4", keep=keep.tolist()))
    assert said(clip, f"{n - len(keep)} frames are missing")
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth))
    assert found >= 2
    assert wrong == 0


def test_a_file_that_was_cut_short_is_measured_as_far_as_it_goes(played, measure_clip):
    whole = played.derived("whole.mkv")
    data = whole.read_bytes()
    short = played.folder / "short.mkv"
    short.write_bytes(data[: int(0.68 * len(data))])
    clip = measure_clip(short)
    assert said(clip, "cut short after frame")
    until = max(c.t_s for c in clip.contacts)
    assert until < 1.3
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(played.truth, until + 0.01))
    assert found >= 1
    assert wrong == 0


def test_no_ball_ever(played, measure_clip):
    made = oc.scene(size_px=(640, 360), fps=30.0)
    path = played.folder / "no_ball.mp4"
    make_clip(path, made, np.random.default_rng(1), 0.9, replace(oc.QUICK, play=None))
    clip = measure_clip(path)
    assert (clip.contacts, clip.strokes, clip.rallies) == ((), (), ())
    assert said(clip, "No ball was seen in flight") or said(clip, "no ball was in play")


def test_a_table_that_is_cut_off_is_found_and_said(played, measure_clip):
    """An end lies outside the picture; corners given by hand may lie there too."""
    made = odd.cut_off(oc.scene())
    path = played.folder / "cut_off.mp4"
    truth = make_clip(path, made, np.random.default_rng(1), 1.05, oc.QUICK, oc.game(made))
    alone = measure_clip(path)
    assert said(alone, "the table is cut off: 2 of its 4 corners")
    assert said(alone, "one end line could not be seen")
    place, true = np.array(alone.camera.place_m), np.array(made.rig.centre_m)
    # the ends of a table look alike
    assert min(np.linalg.norm(place - true), np.linalg.norm(place * [-1, -1, 1] - true)) < 0.03
    found, wrong = oc.held_against(alone.bounces, oc.bounces_of(truth))
    assert found >= 1
    assert wrong == 0
    uv = project(truth.views[0].camera(oc.SIZE_PX), table_corners())
    assert np.sum(uv[:, 0] < 0) == 2
    clip = measure_clip(path, corners_px=tuple(tuple(np.round(p).tolist()) for p in uv))
    assert said(clip, "the table is cut off: 2 of its 4 corners")
    found, wrong = oc.held_against(clip.bounces, oc.bounces_of(truth))
    assert found >= 1
    assert wrong == 0
