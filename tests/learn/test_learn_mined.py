"""Examples from whole made clips: cut where a finder was wrong, labelled by the truth."""

from fractions import Fraction

import numpy as np
import pytest

pytest.importorskip("torch")

from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.learn import mined
from halfvolley.learn.answers import Answers
from halfvolley.learn.made import BALL, NONE
from halfvolley.learn.mined import MinedSettings
from halfvolley.learn.scoring import hold
from halfvolley.types import Detections
from halfvolley.video import VideoWriter, WriterSettings

SIZE, N = (256, 192), 12
WIDE, TALL = SIZE


def ball_at(k):
    """A disc that goes right, 9 px a frame."""
    return 30.0 + 9.0 * k, 60.0


def knob_at(k):
    """Another one, lower, that goes left: no ball."""
    return 220.0 - 5.0 * k, 150.0


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "clip.mp4"
    v, u = np.mgrid[0:TALL, 0:WIDE]
    grey = np.full((TALL // 2, WIDE // 2), 128, np.uint8)
    with VideoWriter(path, SIZE, WriterSettings(rate=Fraction(60), crf=10.0)) as out:
        for k in range(N):
            luma = np.full((TALL, WIDE), 60.0)
            for x, y in (ball_at(k), knob_at(k)):
                luma += 120.0 * np.clip(6.0 - np.hypot(u - x, v - y), 0.0, 1.0)
            out.write_planes(luma.astype(np.uint8), grey, grey, k / 60.0)
    return path


def truth():
    ball = np.array([[*ball_at(k), 5.5, 2.0, 0.0] for k in range(N)])
    return Answers(
        "clip", SIZE, np.arange(N), np.ones(N, bool), np.ones(N, bool), np.zeros(N, bool), ball,
        np.full(N, 9.0), np.zeros((0, 4)), np.zeros((0, 4)),
    )  # fmt: skip


def found(knob_score):
    """The ball in each frame, and the knob taken for one."""
    frame = np.repeat(np.arange(N), 2)
    uv = np.array([at(k) for k in range(N) for at in (ball_at, knob_at)])
    n = 2 * N
    return Detections(
        frame, frame / 60.0, uv, np.tile(np.eye(2), (n, 1, 1)), np.full(n, 5.5), np.zeros((n, 2)),
        np.tile([0.95, knob_score], N), np.ones(n, np.int64),
    )  # fmt: skip


def centre_of_light(luma):
    weight = np.clip(luma.astype(float) - 110.0, 0.0, None)
    v, u = np.mgrid[0 : luma.shape[0], 0 : luma.shape[1]]
    return (weight * u).sum() / weight.sum(), (weight * v).sum() / weight.sum()


def examples(clip, monkeypatch, knob_score):
    held = hold(found(knob_score), truth(), np.full(N, np.nan), interval_s=1 / 60, took_s=0.0,
                searched=N)  # fmt: skip
    monkeypatch.setattr(mined, "made_clip", lambda settings, number: clip)
    monkeypatch.setattr(mined, "looked_through", lambda path, detector: (held, truth()))
    settings = MinedSettings(SHIPPED_NETWORK, clip.parent, side_px=64, false=5, balls=100)
    return settings.make(0)


def test_what_is_no_ball_is_cut_out_as_none(clip, monkeypatch):
    made = examples(clip, monkeypatch, knob_score=0.7)
    balls = made.kind == BALL
    assert balls.sum() == N - 4, "each ball that has four frames before it"
    assert 1 <= (made.kind == NONE).sum() <= 5, "of the false ones no more than asked for"
    for luma, ball in zip(made.luma[balls], made.ball[balls], strict=True):
        assert centre_of_light(luma[-1]) == pytest.approx(ball[:2], abs=0.4)
        assert ball[2] == 5.5
    for luma in made.luma[~balls]:
        u, v = centre_of_light(luma[-1])
        assert abs(u - 32) < 8, "in the middle, as the finder looks at it"
        assert abs(v - 32) < 8
    # nine pixels a frame before, seen in the frames before
    first = np.flatnonzero(balls)[0]
    u_now, u_before = (centre_of_light(made.luma[first, k])[0] for k in (-1, -2))
    assert u_now - u_before == pytest.approx(9.0, abs=0.5)


def test_what_is_hardly_taken_for_a_ball_is_left_alone(clip, monkeypatch):
    made = examples(clip, monkeypatch, knob_score=0.01)
    assert np.all(made.kind == BALL)
