"""Frames as they are read: order, times, planes, damage, memory."""

from fractions import Fraction
from types import SimpleNamespace

import av
import numpy as np
import psutil
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from halfvolley.errors import FootageError
from halfvolley.video import FrameReader, iter_frames, probe
from halfvolley.video.reader import _decode, _Faults

QUIET = {"x265-params": "log-level=none"}


def noise(k, planes):
    """Pictures that differ everywhere, in 8 bits."""
    rng = np.random.default_rng(k)
    for plane in planes:
        plane[:] = rng.integers(16, 236, plane.shape)


def stored(path) -> list[list[np.ndarray]]:
    """All planes of all frames by PyAV's own conversion, as reference."""
    with av.open(str(path)) as container:
        return [
            [np.array(np.frombuffer(p, np.uint8).reshape(p.height, -1)[:, : p.width])
             for p in frame.planes]
            for frame in container.decode(video=0)
        ]  # fmt: skip


@pytest.mark.parametrize("size", [(96, 64), (97, 63), (35, 51)])
@pytest.mark.parametrize("ccw_deg", [None, 90, 180, 270])
def test_planes_of_any_size_and_turn(make_clip, size, ccw_deg):
    """Odd sizes have chroma of the rounded up half; turning is NumPy's."""
    path = make_clip("a.mp4", "mpeg4", n=3, size=size, fill=noise, ccw_deg=ccw_deg,
                     rate=Fraction(60), time_base=Fraction(1, 60))  # fmt: skip
    frames = list(iter_frames(path))
    assert len(frames) == 3
    for frame, planes in zip(frames, stored(path), strict=True):
        width, height = size if ccw_deg in (None, 180) else size[::-1]
        assert frame.luma.shape == (height, width)
        assert frame.cb.shape == frame.cr.shape == ((height + 1) // 2, (width + 1) // 2)
        for mine, theirs in zip((frame.luma, frame.cb, frame.cr), planes, strict=True):
            np.testing.assert_array_equal(mine, np.rot90(theirs, (ccw_deg or 0) // 90))


@pytest.mark.parametrize(
    ("codec", "name", "pixels"),
    [
        ("libx264", "a.mp4", "yuv420p"),
        ("rawvideo", "a.mkv", "nv12"),
        ("mjpeg", "a.avi", "yuvj420p"),
    ],
)
def test_ordinary_planes_are_views_that_keep_the_picture_alive(make_clip, codec, name, pixels):
    path = make_clip(name, codec, n=20, fill=noise, pixel_format=pixels, rate=Fraction(60),
                     time_base=Fraction(1, 60))  # fmt: skip
    held = list(iter_frames(path))  # every picture stays while the decoder runs on and is closed
    copies = [f.luma.copy() for f in iter_frames(path)]
    for frame, copy in zip(held, copies, strict=True):
        np.testing.assert_array_equal(frame.luma, copy)
    for plane in (held[0].luma, held[0].cb, held[0].cr):
        assert not plane.flags.owndata
        assert not plane.flags.writeable  # the decoder still predicts from it
        root = plane
        while isinstance(root, np.ndarray):
            root = root.base
        assert isinstance(root, av.video.plane.VideoPlane)
    with pytest.raises(ValueError, match="read-only"):
        held[0].luma[0, 0] = 0


@pytest.mark.parametrize("pixels", ["nv12", "nv21"])
def test_interleaved_chroma(make_clip, pixels):
    def fill(k, planes):
        planes[0][:] = 90
        planes[1][:, 0::2] = 50
        planes[1][:, 1::2] = 200

    (frame,) = iter_frames(make_clip("a.mkv", "rawvideo", n=1, pixel_format=pixels, fill=fill))
    assert (frame.cb == (50 if pixels == "nv12" else 200)).all()
    assert (frame.cr == (200 if pixels == "nv12" else 50)).all()
    assert frame.cb.shape == (32, 48)


@pytest.mark.parametrize(
    ("pixels", "rows", "columns"),
    [("yuv420p", 2, 2), ("yuv422p", 1, 2), ("yuv440p", 2, 1), ("yuv444p", 1, 1)],
)
@pytest.mark.parametrize("size", [(96, 64), (97, 63)])
@pytest.mark.parametrize("bits", [8, 10])
def test_other_samplings_and_depths(make_clip, pixels, rows, columns, size, bits):
    """Chroma is the mean of the samples that fall together; deeper samples are rounded."""
    width, height = size
    rng = np.random.default_rng(3)
    full = [rng.integers(16 << (bits - 8), 236 << (bits - 8), (height, width)) for _ in range(3)]
    shape = (-(-height // rows), -(-width // columns))

    def fill(k, planes):
        planes[0][:, :width] = full[0]
        for plane, values in zip(planes[1:], full[1:], strict=True):
            plane[:, : shape[1]] = values[: shape[0], : shape[1]]

    name = pixels if bits == 8 else f"{pixels}10le"
    if pixels == "yuv440p" and bits == 10:
        pytest.skip("no coder here takes it")
    (frame,) = iter_frames(
        make_clip("a.mkv", "ffv1", n=1, size=size, pixel_format=name, fill=fill,
                  options={"strict": "-2"})
    )  # fmt: skip
    scale = 2.0 ** (bits - 8)
    np.testing.assert_allclose(frame.luma, full[0] / scale, atol=0.501)
    for mine, values in ((frame.cb, full[1]), (frame.cr, full[2])):
        values = values[: shape[0], : shape[1]].astype(float)
        missing = [
            (0, 2 // f * m - n) for f, m, n in zip((rows, columns), mine.shape, shape, strict=True)
        ]
        values = np.pad(values, missing, "edge")
        mean = values.reshape(mine.shape[0], 2 // rows, mine.shape[1], 2 // columns).mean((1, 3))
        # two roundings where samples are both averaged and shortened
        np.testing.assert_allclose(mine, mean / scale, atol=0.51 if bits == 8 else 0.63)


def test_full_range_ten_bits_reach_white(make_clip):
    def fill(k, planes):
        planes[0][:] = 1023
        planes[1][:] = planes[2][:] = 512

    path = make_clip("a.mkv", "ffv1", n=1, pixel_format="yuv420p10le", fill=fill,
                     attributes={"color_range": 2})  # fmt: skip
    info = probe(path)
    assert info.full_range
    (frame,) = iter_frames(info)
    assert (frame.luma == 255).all()
    assert (frame.cb == 128).all()


@pytest.mark.parametrize(
    ("name", "codec", "pixels"),
    [
        ("a.avi", "rawvideo", "bgr24"),
        ("a.mkv", "ffv1", "bgr0"),
        ("a.mkv", "ffv1", "gbrp10le"),
        ("a.mp4", "libx264rgb", "rgb24"),
    ],
)
def test_rgb_becomes_limited_bt709(make_clip, name, codec, pixels):
    """Orange (255, 128, 0) is (141, 59, 189) in limited BT.709 (ITU-R BT.709, computed)."""
    pixel = {"bgr24": [0, 128, 255], "bgr0": [0, 128, 255, 0], "rgb24": [255, 128, 0]}

    def fill(k, planes):
        if pixels in pixel:
            one = pixel[pixels]
            width = planes[0].shape[1]
            planes[0][:] = np.tile(one, width // len(one) + 1)[:width]
        else:
            for plane, value in zip(planes, (128, 0, 255), strict=True):
                plane[:] = value * 4

    path = make_clip(name, codec, n=1, pixel_format=pixels, fill=fill, rate=Fraction(60),
                     time_base=Fraction(1, 60))  # fmt: skip
    info = probe(path)
    assert (info.colour_matrix, info.full_range) == ("bt709", False)
    (frame,) = iter_frames(info)
    seen = [round(float(p[4:-4, 4:-4].mean())) for p in (frame.luma, frame.cb, frame.cr)]
    assert seen == pytest.approx([141, 59, 189], abs=1)


def test_grey_has_neutral_chroma(make_clip):
    path = make_clip("a.mkv", "ffv1", n=2, pixel_format="gray", size=(97, 63))
    assert probe(path).full_range
    frames = list(iter_frames(path))
    assert [f.luma.shape for f in frames] == [(63, 97)] * 2
    assert (frames[1].cb == 128).all() and frames[1].cr.shape == (32, 49)
    assert (frames[1].luma == 46).all()


def test_packed_pixels_of_webcams(make_clip):
    (frame,) = iter_frames(make_clip("a.mkv", "rawvideo", n=1, pixel_format="yuyv422"))
    assert np.abs(frame.luma.astype(int) - 40).max() <= 1
    assert np.abs(frame.cb.astype(int) - 128).max() <= 1


# --- parts of a clip ----------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["mp4", "mkv", "ts"])
def long_clip(request, tmp_path_factory):
    """90 frames with irregular times, reordered frames, a keyframe every 12, from 5 s on."""
    if request.param == "mkv":  # which knows whole ms only
        ticks = 450_000 + 90 * np.cumsum(np.random.default_rng(8).integers(13, 44, 90))
    else:
        ticks = 450_000 + np.cumsum(np.random.default_rng(8).integers(1200, 4000, 90))
    path = tmp_path_factory.mktemp("long") / f"long.{request.param}"
    # in its usual unit of 1/1000 s MP4 would keep the start 0.7 ms too early
    options = {"movie_timescale": "90000"} if request.param == "mp4" else {}
    with av.open(str(path), "w", container_options=options) as container:
        stream = container.add_stream("libx264", rate=30, options={"bf": "3", "g": "12"})
        stream.width, stream.height = 96, 64
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90_000)
        for k, tick in enumerate(ticks.tolist()):
            picture = av.VideoFrame(96, 64, "yuv420p")
            for plane in picture.planes:
                np.frombuffer(plane, np.uint8)[:] = 128
            np.frombuffer(picture.planes[0], np.uint8)[:] = 40 + 6 * (k % 32)
            picture.pts, picture.time_base = tick, Fraction(1, 90_000)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    return probe(path), ticks / 90_000


def test_every_time_is_the_stamp(long_clip):
    info, t_s = long_clip
    np.testing.assert_array_equal(info.pts_s, t_s)
    assert [f.t_s for f in iter_frames(info)] == t_s.tolist()


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(bounds=st.tuples(st.floats(4.5, 8.5), st.floats(4.5, 8.5)))
def test_any_span_gives_exactly_its_frames(long_clip, index_of, bounds):
    info, t_s = long_clip
    start_s, stop_s = bounds
    expected = np.flatnonzero((t_s >= start_s) & (t_s < stop_s)).tolist()
    frames = list(iter_frames(info, start_s=start_s, stop_s=stop_s))
    assert [f.index for f in frames] == expected
    assert [index_of(f.luma) for f in frames] == [k % 32 for k in expected]


def test_a_span_may_start_at_a_frame_itself(long_clip):
    info, t_s = long_clip
    for k in (0, 11, 12, 13, 50, 89):
        frames = list(iter_frames(info, start_s=t_s[k]))
        assert frames[0].index == k
        assert len(frames) == 90 - k


def drifting(k, planes):
    """A pattern that moves: what is built on a picture that was left out would show it."""
    rng = np.random.default_rng(5)
    for plane in planes:
        plane[:] = np.roll(rng.integers(16, 236, plane.shape), 3 * k, axis=1)


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("a.mp4", "libx264", {"bf": "3", "g": "40"}),
        ("a.mp4", "libx264", {"bf": "3", "b_pyramid": "none", "g": "40", "flags": "+cgop"}),
        ("a.mp4", "libx265", {"x265-params": "log-level=none:bframes=4:keyint=40"}),
        ("a.avi", "mpeg4", {"bf": "2", "g": "40"}),
        ("a.webm", "libvpx-vp9", {"g": "40", "deadline": "realtime"}),
        ("a.avi", "mjpeg", {}),
    ],
)
def test_a_frame_that_is_sought_is_the_same_as_in_order(make_clip, name, codec, options):
    rate, pixels = Fraction(25), "yuvj420p" if codec == "mjpeg" else "yuv420p"
    base = Fraction(1, 25) if name == "a.avi" else Fraction(1, 12_800)
    info = probe(
        make_clip(name, codec, n=40, rate=rate, time_base=base, pixel_format=pixels,
                  options=options, fill=drifting)
    )  # fmt: skip
    in_order = [np.array(f.luma) for f in iter_frames(info)]
    assert len(in_order) == 40
    for k in range(1, 40, 2):
        frames = iter_frames(info, start_s=info.pts_s[k])
        for frame in (next(frames), next(frames, None)):
            if frame is not None:
                np.testing.assert_array_equal(frame.luma, in_order[frame.index])


def test_a_reader_may_be_used_again_and_left_early(long_clip):
    info, _ = long_clip
    reader = FrameReader(info)
    for frame in reader:
        if frame.index == 3:
            break
    assert len(list(reader)) == len(list(reader)) == 90
    assert reader.warnings == ()


def test_keyframes_only(long_clip, index_of):
    info, _ = long_clip
    with av.open(str(info.path)) as container:
        stamps = [float(p.pts * p.time_base) for p in container.demux(video=0) if p.is_keyframe]
    frames = list(iter_frames(info, keyframes_only=True))
    assert [f.t_s for f in frames] == stamps
    assert len(frames) >= 7
    assert [index_of(f.luma) for f in frames] == [f.index % 32 for f in frames]
    part = list(iter_frames(info, keyframes_only=True, start_s=6.0, stop_s=7.0))
    assert [f.index for f in part] == [f.index for f in frames if 6.0 <= f.t_s < 7.0]
    assert part


# --- damage -------------------------------------------------------------------------------------


@pytest.fixture
def packets_at(make_clip):
    """A clip of noise, and where its packets lie in the file."""
    path = make_clip("whole.mp4", n=40, fill=noise, rate=Fraction(60),
                     options={"bf": "0", "g": "8", "threads": "1"},
                     container_options={"movflags": "+faststart"})  # fmt: skip
    with av.open(str(path)) as container:
        return path, [(p.pos, p.size) for p in container.demux(video=0) if p.size]


def test_a_cut_file_ends_cleanly_and_says_where(packets_at):
    path, places = packets_at
    content = path.read_bytes()
    pos, size = places[25]
    cut = path.with_name("cut.mp4")
    cut.write_bytes(content[: pos + size // 2])
    reader = FrameReader(cut)
    whole = list(iter_frames(path))
    frames = list(reader)
    assert [f.index for f in frames] == list(range(25))
    for mine, theirs in zip(frames, whole, strict=False):
        np.testing.assert_array_equal(mine.luma, theirs.luma)
    assert reader.warnings == (f"cut short after frame 24 at {24 / 60:.3f} s",)


def test_damage_in_the_middle_costs_only_what_it_hit(packets_at):
    path, places = packets_at
    content = bytearray(path.read_bytes())
    pos, size = places[16]  # a keyframe; its followers up to the next one cannot be trusted
    content[pos : pos + size] = bytes(size)
    bad = path.with_name("bad.mp4")
    bad.write_bytes(content)
    reader = FrameReader(bad)
    frames = {f.index: f for f in reader}
    whole = {f.index: f for f in iter_frames(path)}
    assert 16 not in frames
    for k in [*range(16), *range(24, 40)]:
        np.testing.assert_array_equal(frames[k].luma, whole[k].luma)
        assert frames[k].t_s == whole[k].t_s
    (said,) = reader.warnings
    assert "could not be decoded, the first at 0.267 s" in said


def test_nothing_can_be_decoded(packets_at):
    path, places = packets_at
    info = probe(path)
    content = bytearray(path.read_bytes())
    for pos, size in places:
        content[pos : pos + size] = bytes(size)
    path.write_bytes(content)
    with pytest.raises(FootageError, match="holds no picture that can be decoded"):
        probe(path)
    with pytest.raises(FootageError, match=r"no picture of .* can be decoded"):
        list(iter_frames(info))


def test_the_file_is_gone(long_clip, tmp_path):
    with pytest.raises(FootageError, match="no such file"):
        FrameReader(tmp_path / "gone.mp4")


def test_the_picture_size_changes(tmp_path):
    """As when a stream switches quality; what follows is another camera for all that is known."""
    path = tmp_path / "change.ts"
    parts = []
    for size in ((96, 64), (64, 48)):
        part = tmp_path / f"{size[0]}.h264"
        with av.open(str(part), "w") as container:
            stream = container.add_stream("libx264", rate=30, options={"bf": "0"})
            stream.width, stream.height = size
            for _ in range(6):
                container.mux(stream.encode(av.VideoFrame.from_ndarray(
                    np.full((size[1], size[0], 3), 90, np.uint8))))  # fmt: skip
            container.mux(stream.encode(None))
        parts.append(part.read_bytes())
    path = tmp_path / "change.h264"
    path.write_bytes(b"".join(parts))
    reader = FrameReader(path)
    frames = list(reader)
    assert {f.luma.shape for f in frames} == {(64, 96)}
    assert len(frames) == 6
    (said,) = reader.warnings
    assert said.startswith("the picture changes to 64 x 48 after frame 5")


# --- cost ---------------------------------------------------------------------------------------


def test_memory_stays_flat(tmp_path):
    """900 pictures of 0.35 MB pass; a reader that kept them would grow by 300 MB."""
    path = tmp_path / "many.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=60)
        stream.width, stream.height = 640, 360
        picture = av.VideoFrame.from_ndarray(np.full((360, 640, 3), 70, np.uint8))
        for k in range(900):
            picture.pts = k
            picture.time_base = Fraction(1, 60)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    process = psutil.Process()
    used = []
    for frame in iter_frames(path):
        if frame.index % 100 == 99:
            used.append(process.memory_info().rss)
    assert len(used) == 9
    assert max(used[1:]) - used[0] < 20e6


def test_a_decoder_that_fails_over_what_it_still_holds_ends_the_clip_quietly():
    def packets():
        yield SimpleNamespace(
            size=1, is_corrupt=False, is_keyframe=True, pts=0, decode=lambda: ["picture"]
        )
        raise av.error.InvalidDataError(1, "cut")

    def fails(packet):
        raise av.error.InvalidDataError(1, "cut")

    container = SimpleNamespace(demux=lambda stream: packets())
    stream = SimpleNamespace(codec_context=SimpleNamespace(decode=fails))
    faults = _Faults()
    assert list(_decode(container, stream, faults, False, None)) == ["picture"]
    assert faults.cut
