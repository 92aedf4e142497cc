"""Faces: what moves where heads can be is blurred, and what a person draws; nothing else is."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from halfvolley.camera import project
from halfvolley.errors import BadInput
from halfvolley.session.edit import new_session, set_clip, set_words
from halfvolley.session.labels import label_pictures
from halfvolley.session.recording import probe_recording
from halfvolley.session.veil import make_veil
from halfvolley.types import Label
from halfvolley.video import VideoWriter, WriterSettings, iter_frames, probe, to_rgb

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
    session = set_words(session, "report", blur="heads")
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
    session = set_clip(
        set_words(session, "report", blur=None), session.clips[0].name, blur_px=corner
    )
    veil = make_veil(session, session.clips[0], recording, camera)
    after = hall.copy()
    veil.over(after)
    inside = np.s_[15:45, 205:255]
    assert after[inside].std() < 0.5 * hall[inside].std()
    after[10:51, 200:261] = hall[10:51, 200:261]
    assert np.array_equal(after, hall)


def test_a_camera_among_the_players_is_no_trouble(clip, made, tmp_path):
    """Where a box of heads reaches behind the camera, what is before it is blurred."""
    session = set_words(new_session(tmp_path / "s", [clip]), "report", blur="heads")
    camera = made.camera()
    near = replace(camera, t_m=camera.t_m + np.array([0.0, 0.0, -3.2]))
    veil = make_veil(session, session.clips[0], probe_recording((clip,)), near)
    assert veil.zone.any()


def test_pictures_of_labels_are_blurred_but_for_the_ball(clip, made, tmp_path, monkeypatch):
    session = set_words(new_session(tmp_path / "s", [clip]), "report", blur="heads")
    camera = made.camera()
    u = float(project(camera, HEAD_M)[0, 0])
    frame = round((u - 20.0) / 7.0)  # the figure is there

    def label(kind, place):
        return Label(session.clips[0].name, frame, frame / 60, kind, place, 2.0, (2.0, 0.0),
                     "detection", 0.9, "accepted", "", 0.0, None, "seen")  # fmt: skip

    ball = label("positive", (20.0 + 7.0 * frame, 52.0))
    no_ball = label("negative", (20.0 + 7.0 * frame, 66.0))
    with pytest.raises(BadInput, match="halfvolley calibrate"):
        list(label_pictures(session.folder, [ball]))
    found = SimpleNamespace(camera=camera)
    monkeypatch.setattr("halfvolley.session.veil.kept_result", lambda *_: found)
    ((_, _, shown),) = label_pictures(session.folder, [ball, no_ball])
    info = probe(clip)
    before = next(to_rgb(f, info) for f in iter_frames(info) if f.index == frame)
    around = {x.kind: np.s_[int(x.uv_px[1]) - 2 : int(x.uv_px[1]) + 3,
                            int(x.uv_px[0]) - 2 : int(x.uv_px[0]) + 3]
              for x in (ball, no_ball)}  # fmt: skip
    assert np.array_equal(shown[around["positive"]], before[around["positive"]])
    assert shown[around["negative"]].std() < 0.5 * before[around["negative"]].std()
