"""Clicks are heard when sound has travelled."""

import numpy as np
import pytest

from halfvolley.simulate import Hall, play_game
from halfvolley.simulate.scene import BallPhysics
from halfvolley.simulate.sound import RATE_HZ, heard_at, make_sound


@pytest.fixture(scope="module")
def game():
    return play_game(BallPhysics(), Hall(), np.random.default_rng(3), 6.0)


def test_sound_travels_at_its_speed():
    t = heard_at(np.array([1.0, 1.0]), np.array([[0, 0, 0], [3.432, 0, 0]]), np.zeros(3))
    assert t == pytest.approx([1.0, 1.01], abs=1e-5)


def test_a_click_starts_at_its_arrival(game):
    """Energy in the millisecond after an arrival against that before it."""
    microphone = np.array([0.3, -4.5, 1.2])
    events = tuple(e for e in game.events if e.kind in ("table", "racket") and 0 < e.t_s < 6)
    arrival = heard_at(
        np.array([e.t_s for e in events]), np.stack([e.centre_m for e in events]), microphone
    )
    sound = make_sound(events, arrival, microphone, 6.0, np.random.default_rng(1)).astype(float)
    power = np.convolve(sound**2, np.ones(48) / 48, mode="valid")
    gains, wrong = [], []
    for e, t in zip(events, arrival, strict=True):
        if not 0.01 < t < 5.9:
            continue
        i, j = int(t * RATE_HZ), int(e.t_s * RATE_HZ)
        gains.append(power[i + 2] / power[i - 50])
        wrong.append(power[j + 2] / power[j - 50])
    assert len(gains) > 5
    assert np.median(gains) > 20
    assert np.median(wrong) < 5  # without the travel time nothing starts there


def test_silence_is_not_silent_and_never_clips(game):
    quiet = make_sound((), np.zeros(0), np.zeros(3), 1.0, np.random.default_rng(0))
    assert quiet.shape == (RATE_HZ,)
    assert quiet.dtype == np.float32
    assert 1e-5 < quiet.std() < 0.05
    assert np.abs(quiet).max() <= 1.0


def test_a_seed_is_a_sound(game):
    args = ((), np.zeros(0), np.zeros(3), 0.5)
    a, b, c = (make_sound(*args, np.random.default_rng(s)) for s in (1, 1, 2))
    assert np.array_equal(a, b)
    assert not np.array_equal(a, c)
