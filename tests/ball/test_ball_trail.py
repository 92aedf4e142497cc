"""Trails of spots, what is learned from them, and what is believed of colours."""

import numpy as np
import pytest

from halfvolley.ball.kernels import usual_radius
from halfvolley.ball.look import ColourModel, Learned, SizeModel, _Belief
from halfvolley.ball.scoring import lawful, likeness
from halfvolley.ball.trail import (
    Blinkers,
    expect,
    follow,
    link,
    no_points,
    start_points,
    with_guesses,
)


def points(*places, radius=5.0, colour=(180.0, 128.0, 128.0)):
    n = len(places)
    uv = np.array(places, float).reshape(n, 2)
    return start_points(
        uv, np.full(n, radius), np.zeros((n, 2)), np.tile(colour, (n, 1)), np.full(n, 0.9)
    )


def chain(frames):
    before = middle = expected = no_points()
    for frame in frames:
        linked = with_guesses(link(before, middle, frame, 200.0), expected)
        before, middle = middle, linked
        expected = expect(before, middle)
    return before, middle, expected


def test_a_parabola_is_one_trail_and_goes_on():
    path = [(20.0 + 12 * k, 90.0 - 9 * k + 0.6 * k * k) for k in range(7)]
    before, middle, expected = chain([points(p, (50.0, 50.0)) for p in path])
    assert middle.length[0] == 7
    assert middle.length[1] == 1  # what stands still is no trail
    assert expected.uv_px[0] == pytest.approx([104.0, 55.2])
    # a step on, where the parabola truly is
    assert follow(np.array([[104.0, 56.4], [150.0, 56.4]]), expected, middle).tolist() == [0, -1]
    assert len(before.uv_px) == 2


def test_a_kink_or_another_colour_is_no_trail():
    straight = [points((20.0 + 12 * k, 60.0)) for k in range(4)]
    kinked = points((56.0 - 12.0, 60.0))
    assert chain([*straight, kinked])[1].length.max() < 5
    orange = points((68.0, 60.0), colour=(120.0, 80.0, 165.0))
    assert chain([*straight, orange])[1].length[0] == 1
    assert chain([*straight, points((68.0, 60.0))])[1].length[0] == 5


def test_a_trail_is_followed_through_frames_that_show_nothing():
    straight = [points((20.0 + 12 * k, 60.0)) for k in range(5)]
    _, middle, expected = chain([*straight, points(), points()])
    assert middle.missed.max() == 2
    assert expected.uv_px[0] == pytest.approx([104.0, 60.0])
    _, middle, _ = chain([*straight, points(), points(), points((104.0, 60.0))])
    assert middle.length[0] > 5
    assert len(chain([*straight, *[points()] * 5])[2].uv_px) == 0


def test_places_that_blink_are_remembered():
    blinkers = Blinkers((320, 180))
    for k in range(120):
        blinkers.note(points((100.0, 60.0), (3.0 * k % 300, 20.0)))
    assert blinkers.rate[60 // 8, 100 // 8] > 0.5
    assert blinkers.rate[20 // 8].max() < 0.15


def test_the_commonest_colour_is_learned_not_the_mean():
    rng = np.random.default_rng(1)
    model = ColourModel()
    ball, limb = np.array([180.0, 129.0, 126.0]), np.array([90.0, 110.0, 150.0])
    for _ in range(6):
        samples = np.concatenate(
            [ball + rng.normal(0, 4, (6, 3)), limb + rng.normal(0, [25, 9, 9], (3, 3))]
        )
        model.add(samples, np.ones(len(samples)))
    assert model.mean == pytest.approx(ball, abs=6)
    assert model.trust > 0.5
    assert likeness(*ball, model.mean, model.trust) > 0.95
    assert likeness(*limb, model.mean, model.trust) < 0.5


def test_an_orange_ball_in_the_shade_is_still_alike():
    colour = np.array([120.0, 78.0, 165.0])
    shade = 0.6 * colour + 0.4 * np.array([0.0, 128.0, 128.0])
    blue = np.array([72.0, 170.0, 105.0])
    assert likeness(*shade, colour, 1.0) > 0.8
    assert likeness(*blue, colour, 1.0) < 0.2


@pytest.mark.parametrize(
    ("colour", "is_lawful"),
    [
        ((190.0, 128.0, 128.0), True),  # white
        ((130.0, 84.0, 170.0), True),  # orange
        ((150.0, 105.0, 140.0), True),  # orange in a dim picture
        ((40.0, 128.0, 128.0), False),  # black rubber
        ((90.0, 108.0, 230.0), False),  # red
        ((60.0, 190.0, 110.0), False),  # blue
    ],
)
def test_white_and_orange_are_the_colours_of_the_rules(colour, is_lawful):
    # ITTF Laws 2.3: the ball is white or orange, and matt.
    assert (lawful(*colour) > 0.4) == is_lawful


def test_the_size_model_is_a_plane_over_the_picture():
    rng = np.random.default_rng(2)
    model = SizeModel((400, 240))
    for _ in range(10):
        uv = rng.uniform(0, [400, 240], (12, 2))
        radius = np.exp(1.2 + 0.002 * uv[:, 1] + rng.normal(0, 0.05, 12))
        radius[0] *= 3.0  # a shoe
        model.add(uv, radius, np.ones(12))
    for v in (20.0, 220.0):
        assert usual_radius(200.0, v, model.model) == pytest.approx(
            np.exp(1.2 + 0.002 * v), rel=0.08
        )
    assert 0.15 < model.model[3] < 0.35


def test_a_number_of_the_clip_is_learned_beyond_its_belief():
    learned = Learned(_Belief(0.25, 0.25, 0.3))
    rng = np.random.default_rng(3)
    for _ in range(100):
        seen = 0.5 + rng.normal(0, 0.2)
        both = 1 / (1 / 0.2**2 + 1 / learned.sd**2)
        value = both * (seen / 0.2**2 + learned.value / learned.sd**2)
        learned.add(np.array([value]), np.array([both**0.5]), np.ones(1))
    assert learned.value == pytest.approx(0.5, abs=0.06)
    before = learned.value
    learned.add(np.array([learned.value + 9.0]), np.array([0.01]), np.ones(1))
    assert abs(learned.value - before) < 0.05  # one wild fit hardly moves it
    told = Learned(_Belief(0.25, 0.25, 0.3))
    told.add(np.array([0.25]), np.array([told.sd]), np.ones(1))
    assert told.value == 0.25  # a fit that only repeats the belief teaches nothing
