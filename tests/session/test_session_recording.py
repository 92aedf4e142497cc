"""Recordings in several files, and what the stages are told about camera, shutter and air."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.camera import project
from halfvolley.errors import BadSession, Unknown
from halfvolley.session.radius import radius_map
from halfvolley.session.recording import (
    RecordingFrames,
    frames_near,
    probe_recording,
    recording_onsets,
)
from halfvolley.session.schema import read_session
from halfvolley.session.stages import environment, shutter
from halfvolley.video import VideoWriter, WriterSettings

SIZE_PX = (64, 36)


def write_part(path, n, start_s=0.0, size_px=SIZE_PX, level=0, keyframe_every=10):
    """A grey clip whose frame i has level `level + i`."""
    with VideoWriter(path, size_px, WriterSettings(keyframe_every=keyframe_every)) as writer:
        for i in range(n):
            grey = np.full((size_px[1], size_px[0], 3), level + 2 * i, np.uint8)
            writer.write(grey, start_s + i / 60.0)
    return path


@pytest.fixture
def two(tmp_path):
    """One recording in two files; the second has a clock of its own."""
    one = write_part(tmp_path / "one.mp4", 30)
    other = write_part(tmp_path / "two.mp4", 20, start_s=0.5, level=100)
    return probe_recording((one, other))


def test_chapters_are_one_clip_without_a_gap(two):
    assert len(two.info.pts_s) == 50
    np.testing.assert_allclose(two.info.pts_s, np.arange(50) / 60.0, atol=1e-4)
    frames = list(RecordingFrames(two))
    assert [f.index for f in frames] == list(range(50))
    np.testing.assert_allclose([f.t_s for f in frames], two.info.pts_s, atol=1e-9)
    levels = [float(f.luma.mean()) for f in frames]
    assert levels[30] - levels[0] > 60, "the second file follows"
    assert np.all(np.diff(levels[:30]) > 0)


def test_a_single_file_keeps_its_own_clock(tmp_path):
    one = write_part(tmp_path / "one.mp4", 12, start_s=3.0)
    recording = probe_recording((one,))
    assert recording.info.pts_s[0] == pytest.approx(3.0)
    assert [f.t_s for f in RecordingFrames(recording)] == list(recording.info.pts_s)


def test_chapters_of_another_size_are_refused(tmp_path):
    one = write_part(tmp_path / "one.mp4", 5)
    two = write_part(tmp_path / "two.mp4", 5, size_px=(36, 64))
    with pytest.raises(BadSession, match=r"two\.mp4 has 36 x 64 .* 64 x 36"):
        probe_recording((one, two))


def test_pictures_are_spread_over_all_files(two):
    key = frames_near(two, 8, keyframes_only=True)
    indices = [f.index for f in key]
    assert indices == sorted(set(indices))
    assert (indices[0], len(indices) > 3) == (0, True)
    assert indices[-1] >= 30, "the second file is looked at too"
    every = frames_near(two, 5, keyframes_only=False)
    assert [f.index for f in every] == [0, 10, 20, 30, 40]
    assert every[3].t_s == pytest.approx(0.5, abs=1e-4)


def test_pictures_of_a_clip_with_one_keyframe(tmp_path):
    recording = probe_recording((write_part(tmp_path / "one.mp4", 40, keyframe_every=500),))
    assert [f.index for f in frames_near(recording, 8, keyframes_only=True)] == [0]
    assert [f.index for f in frames_near(recording, 4, keyframes_only=False)] == [0, 10, 20, 30]


def test_sound_of_a_silent_clip_is_unknown(two):
    assert isinstance(recording_onsets(two), Unknown)


def test_moved_files_keep_their_facts(two, tmp_path):
    moved = two.at((tmp_path / "x.mp4", tmp_path / "y.mp4"))
    assert [p.path.name for p in moved.parts] == ["x.mp4", "y.mp4"]
    np.testing.assert_array_equal(moved.info.pts_s, two.info.pts_s)


def test_the_radius_map_holds_every_ball_in_play(made):
    camera = made.camera((1920, 1080))
    sizes = radius_map(camera, 0.02)
    rng = np.random.default_rng(4)
    xyz = rng.uniform([-4, -1.5, -0.5], [4, 2.5, 2.0], (4000, 3))
    uv = project(camera, xyz)
    seen = np.all((uv >= 0) & (uv < [1919, 1079]), axis=1)
    depth = (xyz @ camera.R.T + camera.t_m)[:, 2]
    radius = camera.f_px * 0.02 / depth
    low, high = sizes.at(uv[seen]).T
    assert np.all(radius[seen] >= low * 0.999)
    assert np.all(radius[seen] <= high * 1.001)
    assert np.count_nonzero(seen) > 500
    twice = radius_map(camera, 0.04)
    assert not np.all(radius[seen] >= twice.at(uv[seen])[:, 0]), "the check can fail"


def test_no_ball_where_no_line_of_sight_meets_the_playing_space(made):
    camera = made.camera((1920, 1080))
    turned = np.diag([-1.0, 1.0, -1.0]) @ camera.R
    away = camera.at_pose(turned, -turned @ camera.centre_m)
    assert np.all(np.isnan(radius_map(away, 0.02).r_max_px))
    assert np.all(np.isfinite(radius_map(camera, 0.02).r_max_px[10:]))


@pytest.fixture
def session(tmp_path):
    def read(clip="", head=""):
        text = f'{head}\n[[clips]]\npath = "a.mp4"\n{clip}\n'
        (tmp_path / "session.toml").write_text(text)
        return read_session(tmp_path)

    return read


def test_a_given_shutter_is_believed_and_an_unknown_one_is_wide(session, made):
    info = made.info()
    given = shutter(session("readout_s = 0.010\nexposure_s = 0.002").clips[0], info)
    assert (given.readout_s, given.exposure_s, given.source) == (0.010, 0.002, "given")
    assert given.readout_sd_s < 0.001
    unknown = shutter(session().clips[0], info)
    assert unknown.source == "assumed"
    assert unknown.readout_sd_s > 0.004
    half = shutter(session("readout_s = 0.010").clips[0], info)
    assert (half.readout_sd_s, half.source) == (given.readout_sd_s, "assumed")
    # no readout or exposure is longer than the time between frames
    fast = replace(info, pts_s=np.arange(9) / 240.0)
    assert shutter(session().clips[0], fast).readout_s < 1 / 240
    assert shutter(session().clips[0], fast).exposure_s < 1 / 240


def test_air_of_the_hall(session):
    sea = environment(session()).air
    high = environment(session(head="[air]\naltitude_m = 1500")).air
    # ISO 2533: 84556 Pa at 1500 m
    assert high.pressure_Pa == pytest.approx(84556, abs=1)
    assert high.density_kgpm3 / sea.density_kgpm3 == pytest.approx(84556 / 101325, rel=2e-3)
    said = environment(session(head="[air]\npressure_hPa = 900\naltitude_m = 1500")).air
    assert said.pressure_Pa == 90000
    warm = environment(session(head="[air]\ntemperature_C = 35")).air
    assert warm.density_kgpm3 < sea.density_kgpm3
    ball = environment(session(head="[ball]\nradius_m = 0.022")).ball
    assert ball.radius_m == 0.022
