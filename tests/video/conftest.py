"""Tiny clips of any kind, written with PyAV alone, so that the writer is not tested by itself."""

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

NTSC_60 = Fraction(60_000, 1001)


def grey_level(index: int) -> int:
    """Luma by which a test knows a frame again; steps of 6 survive any coder."""
    return 40 + 6 * (index % 32)


def index_of(luma: NDArray[np.uint8]) -> int:
    """The frame, modulo 32, that a luma plane shows."""
    return round((float(luma.mean()) - 40) / 6)


def write_clip(
    path: Path,
    codec: str = "libx264",
    *,
    n: int = 12,
    size: tuple[int, int] = (96, 64),
    pixel_format: str = "yuv420p",
    rate: Fraction = NTSC_60,
    time_base: Fraction = Fraction(1, 90_000),
    ticks: Sequence[int] | None = None,
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    ccw_deg: int | None = None,
    mirrored: bool = False,
    fill: Callable[[int, list[NDArray[np.generic]]], None] | None = None,
    sound: NDArray[np.float32] | None = None,
    sound_codec: str = "aac",
    sound_start: int = 0,
    sound_rate_hz: int = 48_000,
    attributes: dict[str, object] | None = None,
) -> Path:
    """A clip of flat grey frames, or of what `fill(index, planes)` puts into the planes."""
    with av.open(str(path), "w", container_options=container_options or {}) as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.width, stream.height = size
        stream.pix_fmt = pixel_format
        stream.time_base = stream.codec_context.time_base = time_base
        for name, value in (attributes or {}).items():
            setattr(stream.codec_context, name, value)
        if ccw_deg is not None or mirrored:
            stream.set_display_rotation(ccw_deg or 0, hflip=mirrored)
        audio = None
        if sound is not None:
            audio = container.add_stream(sound_codec, rate=sound_rate_hz, layout="mono")
            audio.time_base = Fraction(1, sound_rate_hz)
        for k in range(n):
            picture = av.VideoFrame(*size, pixel_format)
            planes = plane_arrays(picture)
            if fill is None:
                flat(k, planes, picture)
            else:
                fill(k, planes)
            picture.pts = ticks[k] if ticks is not None else round(k / (rate * time_base))
            picture.time_base = time_base
            container.mux(stream.encode(picture))
        if audio is not None:
            for start in range(0, len(sound), 1024):
                piece = np.ascontiguousarray(sound[None, start : start + 1024])
                kind = "fltp" if sound_codec in ("aac", "libmp3lame") else "s16"
                if kind == "s16":
                    piece = np.rint(32767 * piece).astype(np.int16)
                frame = av.AudioFrame.from_ndarray(piece, kind, "mono")
                frame.sample_rate, frame.time_base = sound_rate_hz, Fraction(1, sound_rate_hz)
                frame.pts = sound_start + start
                container.mux(audio.encode(frame))
            container.mux(audio.encode(None))
        container.mux(stream.encode(None))
    return path


def plane_arrays(picture: av.VideoFrame) -> list[NDArray[np.generic]]:
    """Writable views of all planes, whole rows included."""
    deep = any(c.bits > 8 for c in picture.format.components)
    views = []
    for plane in picture.planes:
        rows = np.frombuffer(plane, np.uint16 if deep else np.uint8).reshape(plane.height, -1)
        rows[:] = 0
        views.append(rows)
    return views


def flat(k: int, planes: list[NDArray[np.generic]], picture: av.VideoFrame) -> None:
    """Frame k as one grey, in any pixel format."""
    bits = picture.format.components[0].bits
    if picture.format.is_rgb:
        # limited-range luma back to 0-255
        for plane in planes:
            plane[:] = round((grey_level(k) - 16) * 255 / 219)
        return
    if picture.format.name == "yuyv422":  # one plane of Y0 Cb Y1 Cr
        planes[0][:, 0::2] = grey_level(k)
        planes[0][:, 1::2] = 128
        return
    planes[0][:] = grey_level(k) << (bits - 8)
    for plane in planes[1:3]:
        plane[:] = 128 << (bits - 8)


@pytest.fixture(name="index_of")
def index_of_fixture() -> Callable[[NDArray[np.uint8]], int]:
    """The number, modulo 32, of the flat frame that a luma plane shows."""
    return index_of


@pytest.fixture
def make_clip(tmp_path: Path) -> Callable[..., Path]:
    """Write a clip under a name in this test's own folder."""

    def make(name: str = "clip.mp4", codec: str = "libx264", **given: object) -> Path:
        return write_clip(tmp_path / name, codec, **given)  # type: ignore[arg-type]

    return make
