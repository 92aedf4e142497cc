"""Written clips: stamps to the tick, sound in its place, and never half a file."""

import resource
from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfvolley.errors import BadInput, StorageError
from halfvolley.video import FrameReader, VideoWriter, WriterSettings, iter_frames, probe

TICK = Fraction(1, 90_000)


def picture(level: int, size: tuple[int, int] = (48, 32)) -> np.ndarray:
    return np.full((size[1], size[0], 3), level, np.uint8)


@settings(max_examples=25, deadline=None)
@given(
    start=st.integers(0, 10**7),
    steps=st.lists(st.integers(1, 9000), min_size=0, max_size=20),
    suffix=st.sampled_from([".mp4", ".mov"]),
)
def test_stamps_come_back_to_the_tick(tmp_path_factory, start, steps, suffix):
    ticks = np.cumsum([start, *steps])
    path = tmp_path_factory.mktemp("w") / f"w{suffix}"
    with VideoWriter(path, (48, 32)) as writer:
        for tick in ticks.tolist():
            writer.write(picture(90), tick / 90_000)
    info = probe(path)
    assert info.time_base == TICK
    np.testing.assert_array_equal(info.pts_s, ticks / 90_000)
    assert [f.t_s for f in FrameReader(info)] == (ticks / 90_000).tolist()


def test_the_variable_clip_of_six_frames(tmp_path):
    """PTS 0 3003 6006 9009 15015 18018 at 1/90000, as any other reader sees them."""
    ticks = [0, 3003, 6006, 9009, 15015, 18018]
    path = tmp_path / "v.mp4"
    with VideoWriter(path, (48, 32), WriterSettings(rate=Fraction(30_000, 1001))) as writer:
        for tick in ticks:
            writer.write(picture(90), tick / 90_000)
    with av.open(str(path)) as container:
        assert [f.pts for f in container.decode(video=0)] == ticks
    assert probe(path).nominal_fps == 30_000 / 1001


def test_matroska_rounds_to_milliseconds(tmp_path):
    path = tmp_path / "v.mkv"
    with VideoWriter(path, (48, 32)) as writer:
        for k in range(7):
            writer.write(picture(90), k / 60)
    np.testing.assert_allclose(probe(path).pts_s, np.arange(7) / 60, atol=0.51e-3)


@pytest.mark.parametrize("size", [(48, 32), (49, 33), (51, 32)])
@pytest.mark.parametrize("full_range", [False, True])
def test_planes_survive(tmp_path, size, full_range):
    width, height = size
    rng = np.random.default_rng(6)
    half = ((height + 1) // 2, (width + 1) // 2)
    # slow ramps, which the coder keeps
    luma = np.add.outer(np.arange(height), np.arange(width)).astype(np.uint8) + 60
    cb, cr = (np.full(half, level, np.uint8) for level in rng.integers(60, 200, 2))
    path = tmp_path / "p.mp4"
    how = WriterSettings(crf=1, full_range=full_range)
    with VideoWriter(path, size, how) as writer:
        writer.write_planes(luma, cb, cr, 0.0)
    info = probe(path)
    assert info.full_range == full_range
    assert info.size_px == (width + width % 2, height + height % 2)
    (frame,) = iter_frames(info)
    for mine, theirs in ((luma, frame.luma), (cb, frame.cb), (cr, frame.cr)):
        seen = theirs[: mine.shape[0], : mine.shape[1]].astype(int)
        assert np.abs(seen - mine).max() <= 2
    # the column and row that the coder needs repeat the last one
    assert np.abs(frame.luma[:, -1].astype(int) - frame.luma[:, width - 1]).max() <= 2


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_rotation_is_what_a_player_applies(tmp_path, turn):
    path = tmp_path / "r.mp4"
    stored = picture(40)
    stored[:8, :12] = 230
    with VideoWriter(path, (48, 32), WriterSettings(rotation_deg=turn)) as writer:
        writer.write(stored, 0.0)
    info = probe(path)
    assert info.rotation_deg == turn
    (frame,) = iter_frames(info)
    upright = np.rot90(stored[..., 0], -turn // 90)
    assert ((frame.luma > 120) == (upright > 120)).mean() > 0.98


def test_bitrate_and_quality_matter(tmp_path):
    rng = np.random.default_rng(1)
    frames = rng.integers(0, 256, (20, 96, 128, 3), dtype=np.uint8)
    sizes = {}
    for name, how in {
        "fine": WriterSettings(crf=10),
        "coarse": WriterSettings(crf=40),
        "thrifty": WriterSettings(bitrate_bps=60_000),
    }.items():
        path = tmp_path / f"{name}.mp4"
        with VideoWriter(path, (128, 96), how) as writer:
            for k, frame in enumerate(frames):
                writer.write(frame, k / 60)
        sizes[name] = path.stat().st_size
    assert sizes["fine"] > 4 * sizes["coarse"] > 0
    assert sizes["fine"] > 4 * sizes["thrifty"] > 0


# --- what goes wrong ----------------------------------------------------------------------------


def test_a_failure_leaves_nothing(tmp_path):
    path = tmp_path / "w.mp4"
    with pytest.raises(ZeroDivisionError), VideoWriter(path, (48, 32)) as writer:
        writer.write(picture(90), 0.0)
        assert not path.exists()  # the name appears only with the whole content
        assert len(list(tmp_path.iterdir())) == 1
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_the_old_file(tmp_path):
    path = tmp_path / "w.mp4"
    path.write_bytes(b"precious")
    with pytest.raises(ZeroDivisionError), VideoWriter(path, (48, 32)) as writer:
        writer.write(picture(90), 0.0)
        raise ZeroDivisionError
    assert path.read_bytes() == b"precious"
    with VideoWriter(path, (48, 32)) as writer:
        writer.write(picture(90), 0.0)
    assert len(probe(path).pts_s) == 1
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("limit", [3_000, 60_000])
def test_a_full_disk(tmp_path, limit):
    """The system refuses to let the file grow, as it does when the disk is full."""
    rng = np.random.default_rng(1)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        with (
            pytest.raises(StorageError, match=r"could not write .*w\.mp4: .*; free some space"),
            VideoWriter(tmp_path / "w.mp4", (128, 96), WriterSettings(crf=1)) as writer,
        ):
            for k in range(90):
                writer.write(rng.integers(0, 256, (96, 128, 3), dtype=np.uint8), k / 60)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match=r"could not write .*: No such file or directory"):
        VideoWriter(tmp_path / "none" / "w.mp4", (48, 32))


def test_nothing_written(tmp_path):
    with (
        pytest.raises(BadInput, match="no picture was written"),
        VideoWriter(tmp_path / "w.mp4", (48, 32)),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_bad_input(tmp_path):
    path = tmp_path / "w.mp4"
    with pytest.raises(BadInput, match=r"cannot write w\.gif: end the name with \.mp4"):
        VideoWriter(tmp_path / "w.gif", (48, 32))
    with pytest.raises(BadInput, match="at least 2 x 2 pixels"):
        VideoWriter(path, (0, 32))
    with pytest.raises(BadInput, match="rotation must be 0, 90, 180 or 270, got 45"):
        VideoWriter(path, (48, 32), WriterSettings(rotation_deg=45))
    with VideoWriter(path, (48, 32)) as writer:
        with pytest.raises(BadInput, match="must be 0 or later, got -1"):
            writer.write(picture(1), -1.0)
        with pytest.raises(BadInput, match="must be 0 or later, got nan"):
            writer.write(picture(1), float("nan"))
        writer.write(picture(1), 0.5)
        with pytest.raises(BadInput, match=r"0\.5 s does not come after 0\.5 s"):
            writer.write(picture(1), 0.5)
        with pytest.raises(BadInput, match=r"planes must be \(32, 48\)"):
            writer.write(picture(1, (32, 48)), 1.0)
        with pytest.raises(BadInput, match="set audio_rate_hz in WriterSettings"):
            writer.write_sound(np.zeros(10, np.float32))
    assert probe(path).pts_s.tolist() == [0.5]
    with pytest.raises(BadInput, match="is closed"):
        writer.write(picture(1), 2.0)
