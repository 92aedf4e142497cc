"""Faces: what moves where heads can be is blurred, and what a person draws; nothing else is."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.camera import project
from halfvolley.report.veil import make_veil
from halfvolley.session.edit import new_session, set_clip, set_report
from halfvolley.session.recording import probe_recording
from halfvolley.video import VideoWriter, WriterSettings

W, H = 320, 180
HEAD_M = np.array([[1.5, 0.0, 0.7]])
N = 40


@pytest.fixture(scope="module")
def hall():
    return np.random.default_rng(1).integers(60, 120, (H, W, 3), dtype=np.uint8)


def with_player(hall, uv, size=14):
    """A figure of black and white stripes around a place."""
    u, v = np.rint(uv).astype(int)
    picture = hall.copy()
    stripes = np.indices((2 * size, size)).sum(axis=0) % 4 < 2
    picture[v - size : v + size, u - size // 2 : u - size // 2 + size] = 255 * stripes[..., None]
    return picture


@pytest.fixture(scope="module")
def clip(hall, tmp_path_factory):
    path = tmp_path_factory.mktemp("veil") / "a.mp4"
    with VideoWriter(path, (W, H), WriterSettings(crf=10.0, keyframe_every=2)) as writer:
        for k in range(N):
            writer.write(with_player(hall, (20.0 + 7.0 * k, 60.0)), k / 60)
    return path


def test_heads_and_regions_are_blurred_and_nothing_else(clip, hall, made, tmp_path):
    session = new_session(tmp_path / "s", [clip])
    camera, recording = made.camera(), probe_recording((clip,))
    assert make_veil(session, session.clips[0], recording, camera) is None
    session = set_report(session, blur="heads")
    veil = make_veil(session, session.clips[0], recording, camera)
    uv = project(camera, HEAD_M)[0]
    before = with_player(hall, uv)
    after = before.copy()
    veil.over(after)
    u, v = np.rint(uv).astype(int)
    face = np.s_[v - 6 : v + 6, u - 5 : u + 5]
    assert before[face].std() > 100
    assert after[face].std() < 0.45 * before[face].std(), "its stripes are gone"
    far = np.s_[:, W // 2 : W // 2 + 60]
    assert np.array_equal(after[far], before[far]), "what does not move stays"
    table = with_player(hall, project(camera, np.array([[0.0, 0.0, 0.05]]))[0], size=4)
    seen = table.copy()
    veil.over(seen)
    middle = np.s_[:, W // 2 - 40 : W // 2 + 40]
    assert np.array_equal(seen[middle], table[middle]), "over the table nothing is a head"

    corner = [[[200.0, 10.0], [260.0, 10.0], [260.0, 50.0], [200.0, 50.0]]]
    session = set_clip(set_report(session, blur=None), session.clips[0].name, blur_px=corner)
    veil = make_veil(session, session.clips[0], recording, camera)
    after = hall.copy()
    veil.over(after)
    inside = np.s_[15:45, 205:255]
    assert after[inside].std() < 0.5 * hall[inside].std()
    after[10:51, 200:261] = hall[10:51, 200:261]
    assert np.array_equal(after, hall)


def test_a_camera_among_the_players_is_no_trouble(clip, made, tmp_path):
    """Where a box of heads reaches behind the camera, what is before it is blurred."""
    session = set_report(new_session(tmp_path / "s", [clip]), blur="heads")
    camera = made.camera()
    near = replace(camera, t_m=camera.t_m + np.array([0.0, 0.0, -3.2]))
    veil = make_veil(session, session.clips[0], probe_recording((clip,)), near)
    assert veil.zone.any()
