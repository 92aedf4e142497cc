"""A ball laid at places of a drawn table, with hands that come and go."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from halfvolley.ball import RestFinder, RestSettings, find_resting
from halfvolley.errors import BadInput, Unknown
from halfvolley.types import ClipInfo, Frame

WIDTH, HEIGHT, FPS = 320, 200, 10
RADIUS = 6.0
PLACES = np.array([[60.3, 50.7], [200.6, 60.2], [250.4, 150.9], [90.1, 140.5]])
V, U = np.mgrid[0:HEIGHT, 0:WIDTH]


def info(n):
    return ClipInfo(
        Path("a.mp4"), (WIDTH, HEIGHT), 0, "h264", "yuv420p", 8, "bt709", False, Fraction(1, FPS),
        FPS, np.arange(n) / FPS, False, (),
    )  # fmt: skip


def table():
    """Linear light of a dark table with a white line through two of the places."""
    light = np.full((HEIGHT, WIDTH), 0.10)
    light[:, 195:202] = 0.75
    light[148:152, :] = 0.75
    return light + 0.02 * np.sin(U / 9.0) * np.cos(V / 7.0)


def cover(light, colour, place, radius, bright, chroma):
    """A lit sphere over the picture, edges by area."""
    rho = np.hypot(U - place[0], V - place[1])
    alpha = np.clip(radius + 0.5 - rho, 0.0, 1.0)
    up = np.clip((place[1] - V) / radius, -1.0, 1.0)
    shade = bright * (0.75 + 0.25 * up)
    return light * (1 - alpha) + shade * alpha, colour * (1 - alpha[..., None]) + np.multiply.outer(
        alpha, chroma
    )


def frame(i, rng, balls=(), hands=(), chroma=(-40.0, 30.0)):
    light, colour = table(), np.zeros((HEIGHT, WIDTH, 2))
    for place in balls:
        light, colour = cover(light, colour, place, RADIUS, 0.7, np.array(chroma))
    for u, v in hands:
        inside = (np.abs(U - u) < 22) & (np.abs(V - v) < 9)
        light = np.where(inside, 0.45 + 0.05 * np.sin(U / 2.0), light)
        colour[inside] = [-12.0, 15.0]
    luma = 16.0 + 219.0 * np.sqrt(light) + rng.normal(0.0, 1.2, light.shape)
    planes = [128.0 + colour[::2, ::2, k] + rng.normal(0.0, 0.8, (100, 160)) for k in (0, 1)]
    as_bytes = [np.clip(np.round(p), 0, 255).astype(np.uint8) for p in (luma, *planes)]
    return Frame(i, i / FPS, *as_bytes)


def clip(rng, laid, hand=True, chroma=(-40.0, 30.0)):
    """Each place in turn: a hand comes, the ball lies there for two seconds, a hand takes it."""
    frames, i = [], 0
    for place in laid:
        for step in range(36):
            lies = 8 <= step < 28
            away = 60.0 * abs(step - 6) / 4 if step < 14 else 60.0 * abs(step - 30) / 4
            hands = [(place[0] + away + 4, place[1])] if hand else []
            frames.append(frame(i, rng, [place] if lies else [], hands, chroma))
            i += 1
    return frames


@pytest.mark.parametrize("chroma", [(-40.0, 30.0), (0.0, 0.0)])
def test_each_ball_is_found_to_a_fraction_of_a_pixel(chroma):
    rng = np.random.default_rng(1)
    frames = clip(rng, PLACES, chroma=chroma)
    expected = PLACES + rng.uniform(-3, 3, PLACES.shape)  # the camera is a little off
    found = find_resting(frames, info(len(frames)), expected, np.full(4, RADIUS * 1.03))
    for place, ball in zip(PLACES, found, strict=True):
        off = ball.uv_px - place
        assert np.abs(off).max() < 0.3
        assert off @ np.linalg.solve(ball.cov_uv_px2, off) < 9.0
        assert ball.radius_px == pytest.approx(RADIUS, abs=0.6)
        assert 1.0 < ball.t1_s - ball.t0_s < 2.5
    assert [b.t0_s for b in found] == sorted(b.t0_s for b in found)


def test_a_place_where_no_ball_lay():
    rng = np.random.default_rng(2)
    frames = clip(rng, PLACES[[0, 2, 3]])
    found = find_resting(frames, info(len(frames)), PLACES, np.full(4, RADIUS))
    assert isinstance(found[1], Unknown)
    assert "nothing lay still" in found[1].reason
    assert not isinstance(found[2], Unknown)


def test_a_hand_that_rests_is_no_ball():
    rng = np.random.default_rng(3)
    frames = [frame(i, rng, hands=[PLACES[0]] if 20 <= i < 50 else []) for i in range(120)]
    (found,) = find_resting(frames, info(120), PLACES[:1], np.full(1, RADIUS))
    assert isinstance(found, Unknown)
    assert "not the image of a ball" in found.reason


def test_a_ball_that_only_passes_by_does_not_lie():
    rng = np.random.default_rng(4)
    path = [PLACES[0] + [3.0 * (i - 30), 0.0] for i in range(60)]
    frames = [frame(i, rng, balls=[p]) for i, p in enumerate(path)]
    (found,) = find_resting(frames, info(60), PLACES[:1], np.full(1, RADIUS))
    assert isinstance(found, Unknown)


def test_a_place_outside_the_picture():
    rng = np.random.default_rng(5)
    frames = [frame(i, rng) for i in range(12)]
    places = np.array([[-30.0, 50.0], [318.0, 50.0], [np.nan, 50.0]])
    for found in find_resting(frames, info(12), places, np.full(3, RADIUS)):
        assert found == Unknown("the mark lies outside the picture")


def test_memory_does_not_grow_with_the_clip():
    rng = np.random.default_rng(6)
    still = frame(0, rng)
    finder = RestFinder(info(500), PLACES[:1], np.full(1, RADIUS), RestSettings(most_pictures=50))
    for i in range(500):
        finder.feed(Frame(i, i / FPS, still.luma, still.cb, still.cr))
        assert len(finder._windows[0]) <= 51
    assert isinstance(finder.finish()[0], Unknown)


def test_places_and_radii_belong_together():
    with pytest.raises(BadInput, match="4 places and 3 radii"):
        RestFinder(info(2), PLACES, np.full(3, RADIUS))
