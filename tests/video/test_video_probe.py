"""What `probe` says of clips of every kind that can be coded here."""

import datetime
from fractions import Fraction

import av
import numpy as np
import pytest

from halfvolley.errors import FootageError
from halfvolley.video import FrameReader, probe, recorded_on

NTSC_60 = Fraction(60_000, 1001)
QUIET = {"x265-params": "log-level=none"}

KINDS = [  # name, codec, pixel format, canonical codec, options
    ("a.mp4", "libx264", "yuv420p", "h264", {}),
    ("a.mov", "libx264", "yuv420p", "h264", {}),
    ("a.mkv", "libx264", "yuv420p", "h264", {}),
    ("a.ts", "libx264", "yuv420p", "h264", {}),
    ("a.avi", "libx264", "yuv420p", "h264", {"bf": "0"}),
    ("b.mp4", "libx265", "yuv420p", "hevc", QUIET),
    ("b10.mp4", "libx265", "yuv420p10le", "hevc", QUIET),
    ("c.webm", "libvpx-vp9", "yuv420p", "vp9", {"cpu-used": "8", "deadline": "realtime"}),
    ("d.mp4", "libsvtav1", "yuv420p", "av1", {"preset": "12"}),
    ("d10.mkv", "libsvtav1", "yuv420p10le", "av1", {"preset": "12"}),
    ("e.mp4", "mpeg4", "yuv420p", "mpeg4", {}),
    ("e.avi", "mpeg4", "yuv420p", "mpeg4", {}),
    ("f.avi", "mjpeg", "yuvj420p", "mjpeg", {}),
    ("f.mov", "mjpeg", "yuvj422p", "mjpeg", {}),
    ("g.mov", "prores_ks", "yuv422p10le", "prores", {}),
    ("h.mkv", "ffv1", "yuv444p", "ffv1", {}),
    ("i.mkv", "rawvideo", "yuyv422", "rawvideo", {}),
    ("j.mpg", "mpeg2video", "yuv420p", "mpeg2video", {}),
]


@pytest.mark.parametrize(("name", "codec", "pixels", "canonical", "options"), KINDS)
def test_every_kind_is_described_and_read(
    make_clip, index_of, name, codec, pixels, canonical, options
):
    # these containers, and the coder of MPEG-4 part 2, know no 1/90000 s
    coarse = name.endswith((".avi", ".mpg")) or codec == "mpeg4"
    rate = Fraction(60) if coarse else NTSC_60
    base = Fraction(1, 60) if coarse else Fraction(1, 90_000)
    path = make_clip(
        name, codec, n=12, size=(130, 98), pixel_format=pixels, rate=rate, time_base=base,
        options=options,
    )  # fmt: skip
    info = probe(path)
    assert info.size_px == (130, 98)
    assert (info.codec, info.pixel_format) == (canonical, pixels)
    assert info.bits == (10 if "10" in pixels else 8)
    assert info.rotation_deg == 0
    assert info.nominal_fps == pytest.approx(float(rate), rel=1e-9)
    assert info.full_range == pixels.startswith("yuvj")
    assert not info.has_audio
    assert not info.reconstructed
    # steady to the tick, wherever the container's own clock starts
    assert info.pts_s - info.pts_s[0] == pytest.approx(
        np.arange(12) / float(rate), abs=1.01 * float(info.time_base)
    )
    frames = [(f.index, f.t_s, index_of(f.luma)) for f in FrameReader(info)]
    assert frames == [(k, info.pts_s[k], k) for k in range(12)]
    slow = ("pixel format yuyv422 is converted, which makes reading slower",)
    assert info.warnings == (slow if pixels == "yuyv422" else ())


def test_the_last_digit_of_ntsc_rates(make_clip):
    """60 taken for 59.94 makes every speed 0.1 % too high."""
    for name in ("a.mp4", "a.mkv"):
        assert probe(make_clip(name)).nominal_fps == 60_000 / 1001
    assert probe(make_clip("b.mkv", rate=Fraction(30_000, 1001))).nominal_fps == 30_000 / 1001
    assert probe(make_clip("c.mp4", rate=Fraction(50))).nominal_fps == 50.0


# Six frames of a variable clip; by index and rate the last would lie at 0.1668 s, not 0.2002 s.
VARIABLE_TICKS = [0, 3003, 6006, 9009, 15015, 18018]


@pytest.mark.parametrize("suffix", ["mp4", "mov"])
def test_times_are_stamps_not_index_over_rate(make_clip, suffix):
    path = make_clip(
        f"v.{suffix}", n=6, ticks=VARIABLE_TICKS, rate=Fraction(30_000, 1001), options={"bf": "0"}
    )
    info = probe(path)
    assert info.time_base == Fraction(1, 90_000)
    np.testing.assert_array_equal(info.pts_s, np.array(VARIABLE_TICKS) / 90_000)
    assert info.pts_s[-1] == pytest.approx(0.2002, abs=1e-12)
    assert info.warnings == ("1 frame is missing in 1 gap, the first after 0.100 s",)
    # the control: by index and rate the last frame would lie a thirtieth of a second too early
    assert info.pts_s[-1] - 5 / info.nominal_fps > 0.03


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv", "ts"])
def test_the_clock_is_not_shifted_to_zero(make_clip, suffix):
    start = 90_000 * 7
    ticks = [start + 1500 * k for k in range(8)]
    info = probe(make_clip(f"s.{suffix}", n=8, ticks=ticks, rate=Fraction(60)))
    assert info.pts_s[0] == pytest.approx(7.0, abs=1e-3)
    assert next(iter(FrameReader(info))).t_s == info.pts_s[0]


@pytest.mark.parametrize(
    ("ccw_deg", "clockwise", "corner"), [(90, 270, "sw"), (180, 180, "se"), (270, 90, "ne")]
)
def test_rotation_tag(make_clip, ccw_deg, clockwise, corner):
    """A white mark in the top left corner as stored ends where the display matrix sends it."""

    def mark(k, planes):
        planes[0][:] = 30
        planes[0][:12, :20] = 220
        planes[1][:] = planes[2][:] = 128
        planes[1][:6, :10] = 200

    info = probe(make_clip("r.mp4", n=3, size=(98, 64), ccw_deg=ccw_deg, fill=mark))
    assert info.rotation_deg == clockwise
    assert info.size_px == ((98, 64) if clockwise == 180 else (64, 98))
    (first, *_) = FrameReader(info)
    for plane, limit in ((first.luma, 150), (first.cb, 165)):
        height, width = plane.shape
        assert plane.shape == (
            (info.size_px[1], info.size_px[0])
            if plane is first.luma
            else (info.size_px[1] // 2, info.size_px[0] // 2)
        )
        y, x = (axis.mean() for axis in np.nonzero(plane > limit))
        assert ("s" if y > height / 2 else "n") + ("e" if x > width / 2 else "w") == corner


def test_a_mirrored_clip_is_left_as_filmed_and_said(make_clip):
    info = probe(make_clip("m.mp4", n=3, ccw_deg=270, mirrored=True))
    assert info.rotation_deg == 90
    assert info.warnings == ("the clip asks to be shown mirrored; it was left as filmed",)


def test_a_crooked_turn_is_said(make_clip):
    info = probe(make_clip("m.mp4", n=3, ccw_deg=20))
    assert info.rotation_deg == 0
    assert info.warnings == ("the clip asks to be turned by -20 degrees; 0 were applied",)


@pytest.mark.parametrize(
    ("size", "colorspace", "expected"),
    [
        ((96, 64), 2, "bt601"),  # untagged and small
        ((1280, 720), 2, "bt709"),  # untagged and large
        ((96, 64), 1, "bt709"),
        ((96, 64), 6, "bt601"),
        ((96, 64), 9, "bt2020"),
    ],
)
def test_colour_matrix(make_clip, size, colorspace, expected):
    path = make_clip(n=1, size=size, attributes={"colorspace": colorspace})
    info = probe(path)
    assert info.colour_matrix == expected
    assert not info.full_range


def test_full_range_tag(make_clip):
    assert probe(make_clip(n=1, pixel_format="yuvj420p")).full_range


def test_interlaced_is_said(make_clip):
    path = make_clip(
        n=4, size=(96, 64), rate=Fraction(25), options={"x264-params": "tff=1", "flags": "+ildct"}
    )
    assert probe(path).warnings == (
        "the clip is interlaced, every picture mixes two moments; film with a progressive mode",
    )


def test_pixels_that_are_not_square_are_said(make_clip):
    path = make_clip(n=2, attributes={"sample_aspect_ratio": Fraction(4, 3)})
    assert probe(path).warnings == ("its pixels are not square (4:3)",)


def test_hdr_is_said(make_clip):
    path = make_clip(n=2, pixel_format="yuv420p10le", attributes={"color_trc": 18})
    (said,) = probe(path).warnings
    assert said.startswith("the clip is HDR (HLG)")


def test_stamps_that_are_missing_are_rebuilt_and_said(make_clip, index_of):
    """A bare stream of H.264 holds no times; the rate inside it is all there is."""
    info = probe(make_clip("raw.h264", n=10, rate=Fraction(60), time_base=Fraction(1, 60)))
    assert info.reconstructed
    np.testing.assert_allclose(info.pts_s, np.arange(10) / 60, atol=1e-5)
    (said,) = info.warnings
    assert said.startswith("10 of 10 frames carry no time of display")
    assert [(f.index, index_of(f.luma)) for f in FrameReader(info)] == [(k, k) for k in range(10)]
    part = [f.index for f in FrameReader(info, start_s=info.pts_s[4], stop_s=info.pts_s[7])]
    assert part == [4, 5, 6]


def test_avi_with_reordered_frames(make_clip, index_of):
    """AVI stamps frames in order of decoding; taken at their word they would jump to and fro."""
    path = make_clip(
        "b.avi", n=12, rate=Fraction(60), time_base=Fraction(1, 60), options={"bf": "2"}
    )
    with av.open(str(path)) as container:
        shown = [f.pts for f in container.decode(video=0)]
    assert shown != sorted(shown)  # the trap is there
    info = probe(path)
    assert info.reconstructed
    frames = list(FrameReader(info))
    assert [(f.index, index_of(f.luma)) for f in frames] == [(k, k) for k in range(12)]
    assert np.diff([f.t_s for f in frames]) == pytest.approx(np.full(11, 1 / 60))


def test_sound_is_noticed(make_clip):
    quiet = np.zeros(4800, np.float32)
    assert probe(make_clip(n=6, sound=quiet)).has_audio


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "avi"])
def test_a_file_that_ends_early(make_clip, suffix):
    def noise(k, planes):  # hard to code, so that bytes follow frames evenly
        rng = np.random.default_rng(k)
        planes[0][:] = rng.integers(16, 236, planes[0].shape)
        planes[1][:] = planes[2][:] = 128

    path = make_clip(
        f"whole.{suffix}", n=60, fill=noise, rate=Fraction(60),
        time_base=Fraction(1, 60) if suffix == "avi" else Fraction(1, 90_000),
        options={"bf": "0", "g": "10"},
        container_options={"movflags": "+faststart"} if suffix == "mp4" else None,
    )  # fmt: skip
    whole = probe(path)
    assert whole.warnings == ()
    content = path.read_bytes()
    cut = path.with_name(f"cut.{suffix}")
    cut.write_bytes(content[: len(content) // 3])
    info = probe(cut)
    n = len(info.pts_s)
    assert 10 <= n <= 25
    np.testing.assert_array_equal(info.pts_s, whole.pts_s[:n])
    (said,) = info.warnings
    assert said.startswith(f"the file is cut short after frame {n - 1}")
    assert said.endswith(f"at {info.pts_s[-1]:.3f} s")
    # the reader gives the same frames and ends without a complaint that would stop the work
    reader = FrameReader(cut)
    assert [f.index for f in reader] == list(range(n))


def test_an_mp4_that_was_never_finished(make_clip, tmp_path):
    content = make_clip(n=40).read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(content[: len(content) // 2])
    with pytest.raises(FootageError, match="was never finished: its index is missing"):
        probe(cut)


def test_files_that_are_no_clips(tmp_path, make_clip):
    missing = tmp_path / "nothing.mp4"
    with pytest.raises(FootageError, match=r"^no such file: .*nothing\.mp4; check the path$"):
        probe(missing)
    with pytest.raises(FootageError, match="is a folder, not a clip"):
        probe(tmp_path)
    rng = np.random.default_rng(5)
    for name, content, words in [
        ("empty.mp4", b"", r"is empty \(0 bytes\)"),
        ("noise.mp4", rng.bytes(20_000), "is not a video that can be read"),
        ("zeros.mkv", bytes(20_000), "is not a video that can be read"),
        ("notes.txt", b"serve, return, point\n" * 99, "is not a video"),
        ("list.m3u8", b"#EXTM3U\n#EXTINF:9,\nclip.ts\n", "is not a video|cannot be read"),
    ]:
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(FootageError, match=words):
            probe(path)


def test_sound_alone_is_no_clip(tmp_path):
    path = tmp_path / "sound.m4a"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=48_000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = 48_000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(FootageError, match="holds no video"):
        probe(path)


def test_a_picture_is_no_clip(tmp_path):
    picture = av.VideoFrame.from_ndarray(np.zeros((64, 96, 3), np.uint8))
    picture.save(str(tmp_path / "one.png"))
    with pytest.raises(FootageError, match="is not a video"):
        probe(tmp_path / "one.png")


def test_a_clip_without_frames(make_clip, tmp_path):
    """A container with a video track in which nothing lies."""
    path = tmp_path / "none.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height = 96, 64
        container.start_encoding()
    with pytest.raises(FootageError, match="is not a video that can be read"):
        probe(path)


def test_a_name_that_looks_like_a_protocol(make_clip, tmp_path, monkeypatch):
    make_clip("final: A-B.mp4", n=3)
    monkeypatch.chdir(tmp_path)
    assert len(probe("final: A-B.mp4").pts_s) == 3


@pytest.mark.parametrize(
    ("said", "day"),
    [
        ({"creation_time": "2026-01-31T12:00:00.000000Z"}, datetime.date(2026, 1, 31)),
        # the time of the place goes before universal time
        ({"creation_time": "2026-01-31T12:00:00Z",
          "com.apple.quicktime.creationdate": "2026-02-01T00:30:00+1300"},
         datetime.date(2026, 2, 1)),
        ({"creation_time": "1970-01-01T00:00:00Z"}, None),  # a clock that was never set
        ({}, None),
    ],
)  # fmt: skip
def test_the_day_of_a_recording(tmp_path, said, day):
    path = tmp_path / "a.mov"
    with av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as out:
        out.metadata.update(said)
        stream = out.add_stream("mpeg4", rate=30)
        stream.width, stream.height = 64, 48
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8))
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    assert recorded_on(path) == day


def test_the_day_of_what_is_no_clip(tmp_path):
    with pytest.raises(FootageError, match="no such file"):
        recorded_on(tmp_path / "none.mp4")
