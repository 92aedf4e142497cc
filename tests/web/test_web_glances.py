"""Small copies for quick jumps: made where needed, used piece by piece, never half."""

from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest
from test_web_film import picture as picture_of
from test_web_jobs import wait_for

from halfvolley.errors import StorageError
from halfvolley.session import proxy
from halfvolley.session.edit import new_session
from halfvolley.session.recording import probe_recording
from halfvolley.video import (
    VideoWriter,
    WriterSettings,
    iter_frames,
    keyframe_gap_s,
    probe,
    to_rgb,
)
from halfvolley.web.film import Film, JpegStore
from halfvolley.web.glances import Glances
from halfvolley.web.jobs import Jobs

N = 36


@pytest.fixture(scope="module")
def rare(short_clip, tmp_path_factory):
    """The made game with one keyframe only, in a session."""
    folder = tmp_path_factory.mktemp("rare")
    info = probe(short_clip)
    settings = WriterSettings(rate=Fraction(60), keyframe_every=1000, crf=18.0)
    with VideoWriter(folder / "rare.mp4", info.size_px, settings) as writer:
        for frame in iter_frames(info):
            writer.write(to_rgb(frame, info), frame.t_s - float(info.pts_s[0]))
    return new_session(folder / "session", [folder / "rare.mp4"])


@pytest.fixture
def session(rare, monkeypatch):
    monkeypatch.setattr(proxy, "PIECE_S", 0.2)  # three pieces
    monkeypatch.setattr(proxy, "SLOW_JUMP_PX", 10e6)
    return rare


def film_of(session):
    return Film(probe_recording(session.clips[0].files), JpegStore())


def test_which_clips_need_a_copy(session, monkeypatch):
    info = probe(session.clips[0].path)
    assert keyframe_gap_s(info.path) > 0.5
    assert "up to 35 pictures of 960 x 540" in proxy.why_slow(info)
    monkeypatch.undo()
    assert proxy.why_slow(info) == "", "a jump decodes 18 million pixels at most"
    for more, is_slow in (
        ({"codec": "hevc"}, True), ({"bits": 10}, True),
        ({"size_px": (1920, 1080)}, False), ({"size_px": (3840, 2160)}, True),
        ({"pts_s": np.arange(0.0, 3600.0, 1 / 60)}, False),  # long alone is not slow
    ):  # fmt: skip
        assert bool(proxy.why_slow(replace(info, **more))) == is_slow, more


def test_a_codec_that_browsers_do_not_play_is_shown_and_copied(short_clip, tmp_path):
    info = probe(short_clip)
    true = {f.index: to_rgb(f, info) for f in iter_frames(info)}
    with av.open(str(tmp_path / "old.mp4"), "w") as file:
        stream = file.add_stream("mpeg4", rate=60, bit_rate=20_000_000)
        stream.width, stream.height, stream.pix_fmt = *info.size_px, "yuv420p"
        for picture in true.values():
            file.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        file.mux(stream.encode(None))
    session = new_session(tmp_path / "s", [tmp_path / "old.mp4"])
    entry, film = session.clips[0], film_of(session)
    assert "coded as mpeg4" in proxy.why_slow(film.info)
    pieces = proxy.make_proxy(session.folder, entry.name)
    assert probe(pieces.path(0)).codec == "h264"
    glances = Glances()
    for index in (0, 20):
        for data in (film.jpeg(index, 960), glances.picture(session, entry, film, index, 960)[0]):
            assert np.abs(picture_of(data) - true[index]).mean() < 8.0
    assert probe(tmp_path / "old.mp4").codec == "mpeg4", "the clip itself is left alone"


def test_pieces_show_the_frames_that_they_say(session, monkeypatch):
    entry, film = session.clips[0], film_of(session)
    pieces = proxy.pieces_of(session, entry, film.info)
    assert (pieces.every, pieces.count) == (2, 3)
    glances = Glances()
    data, shown = glances.picture(session, entry, film, 20, 960)
    assert shown == 20, "without a copy, and no keyframe after it, the frame itself"
    assert film.near(0, 320)[1] == 0
    calls = []
    real = proxy.make_piece
    monkeypatch.setattr(proxy, "make_piece", lambda *said: calls.append(said[2]) or real(*said))
    done = proxy.make_proxy(session.folder, entry.name)
    assert done.missing == [] and calls == [0, 1, 2]
    assert not list(pieces.folder.glob(".*")), "nothing unfinished is left"
    assert keyframe_gap_s(pieces.path(0)) <= 0.51
    true = {f.index: to_rgb(f, film.info).astype(float) for f in iter_frames(entry.path)}
    for index in (0, 1, 13, 25, N - 1):
        data, shown = glances.picture(session, entry, film, index, 960)
        assert 0 <= index - shown < pieces.every
        errors = [np.abs(picture_of(data) - true[k]).mean() for k in (shown - 2, shown, shown + 2)
                  if k in true]  # fmt: skip
        assert min(errors) == np.abs(picture_of(data) - true[shown]).mean()
    # one that was lost is made again, the others are left
    pieces.path(1).unlink()
    calls.clear()
    assert glances.picture(session, entry, film, 0, 960)[1] == 0, "what is there is of use"
    proxy.make_proxy(session.folder, entry.name)
    assert calls == [1]


def test_a_full_disk_is_said_and_leaves_nothing(session, monkeypatch):
    entry, film = session.clips[0], film_of(session)
    pieces = proxy.pieces_of(session, entry, film.info)
    pieces.path(2).unlink(missing_ok=True)
    monkeypatch.setattr(proxy, "LEFT_FREE_BYTES", 1 << 60)
    with pytest.raises(StorageError, match="no room"):
        proxy.make_proxy(session.folder, entry.name)
    assert 2 in pieces.missing


def test_a_copy_is_made_once_beside_other_work(session):
    class Bench:
        jobs = Jobs()

    entry, film = session.clips[0], film_of(session)
    proxy.pieces_of(session, entry, film.info).path(0).unlink(missing_ok=True)
    bench, glances = Bench(), Glances()
    try:
        words = glances.prepare(bench, session, entry, film)
        assert "being made" in words and "has to decode" in words
        glances.prepare(bench, session, entry, film)
        (job,) = bench.jobs.all()
        assert bench.jobs.current(session.folder) is None, "it keeps nothing else waiting"
        wait_for(lambda: job.is_over)
        assert job.state == "done", job.words
    finally:
        bench.jobs.stop_all()
