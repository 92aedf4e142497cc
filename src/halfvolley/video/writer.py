"""Writing a clip: exact stamps, colour tags, optional sound, and never half a file."""

import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import av.audio.frame
import av.error
import av.video.frame
import cv2
import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import BadInput, StorageError
from halfvolley.types.arrays import ByteImage
from halfvolley.video.colour import planes_from_rgb

_FORMATS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".mkv": "matroska"}
_AAC_FRAME = 1024  # samples in one packet of AAC
_BT709, _LIMITED, _FULL = 1, 1, 2  # codes of ISO/IEC 23091-2


@dataclass(frozen=True, slots=True)
class WriterSettings:
    """How `VideoWriter` codes a clip (H.264, 4:2:0, BT.709)."""

    rate: Fraction = Fraction(60)  # [1/s] stated in the container; the stamps rule
    time_base: Fraction = Fraction(1, 90_000)  # [s] holds 50, 60 and 60000/1001 a second exactly
    preset: str = "veryfast"  # of x264: near real time at 1080p60 on two cores
    crf: float = 20.0  # constant quality, 0 best; 20 shows no coding marks in ordinary footage
    bitrate_bps: int | None = None  # [bit/s] used instead of crf where given
    keyframe_every: int = 60  # frames; a second at 60, so that a player jumps at once
    rotation_deg: int = 0  # clockwise turn that a player is asked to apply
    full_range: bool = False  # samples span 0-255 rather than 16-235
    audio_rate_hz: int | None = None  # [Hz] of the sound; None: a clip without sound
    audio_bitrate_bps: int = 128_000  # [bit/s] keeps clicks sharp in one channel of AAC


class VideoWriter:
    """A clip being written; use it in a `with`.

    The file appears under its name only when everything is in it; after a failure nothing is left.

    Parameters
    ----------
    path : Path or str
        Where to; .mp4, .mov or .mkv. Matroska rounds times to whole milliseconds.
    size_px : tuple of int
        Width and height of the pictures. Odd ones get a doubled last column or row, which the
        coder needs.
    settings : WriterSettings
        Coding.

    Raises
    ------
    BadInput
        If the suffix, the size or a setting cannot be used.
    StorageError
        If the file cannot be written.
    """

    def __init__(
        self,
        path: Path | str,
        size_px: tuple[int, int],
        settings: WriterSettings = WriterSettings(),
    ) -> None:
        self.path = Path(path)
        self.size_px = size_px
        self.settings = settings
        if self.path.suffix.lower() not in _FORMATS:
            raise BadInput(
                f"cannot write {self.path.name}: end the name with {', '.join(_FORMATS)}"
            )
        if min(size_px) < 2:
            raise BadInput(f"pictures must be at least 2 x 2 pixels, got {size_px}")
        if settings.rotation_deg not in (0, 90, 180, 270):
            raise BadInput(f"rotation must be 0, 90, 180 or 270, got {settings.rotation_deg}")
        self._coded_px = (size_px[0] + size_px[0] % 2, size_px[1] + size_px[1] % 2)
        self._part = self.path.with_name(f".{self.path.name}.{os.getpid()}.part")
        self._last_tick = -1
        self._sound_position: int | None = None
        self._sound_waiting: NDArray[np.float32] = np.zeros(0, np.float32)
        self._container: Any = None
        try:
            self._open()
        except (av.error.FFmpegError, OSError) as error:
            self._discard()
            raise self._storage_error(error) from None

    def _open(self) -> None:
        s = self.settings
        # exclusive creation: also tells at once whether the folder can be written to
        self._part.open("xb").close()
        options = {}
        if _FORMATS[self.path.suffix.lower()] != "matroska":
            # start times of tracks are kept in this unit; the usual 1/1000 s would round them
            options["movie_timescale"] = "90000"
        self._container = av.open(
            str(self._part),
            "w",
            format=_FORMATS[self.path.suffix.lower()],
            container_options=options,
        )
        quality = {} if s.bitrate_bps is not None else {"crf": f"{s.crf:g}"}
        video = self._container.add_stream(
            "libx264", rate=s.rate, options={"preset": s.preset, **quality}
        )
        video.width, video.height = self._coded_px
        video.pix_fmt = "yuvj420p" if s.full_range else "yuv420p"
        video.time_base = video.codec_context.time_base = s.time_base
        video.codec_context.gop_size = s.keyframe_every
        if s.bitrate_bps is not None:
            video.bit_rate = s.bitrate_bps
        context = video.codec_context
        context.colorspace = context.color_primaries = context.color_trc = _BT709
        context.color_range = _FULL if s.full_range else _LIMITED
        if s.rotation_deg:
            video.set_display_rotation(-s.rotation_deg)
        self._video = video
        self._audio = None
        if s.audio_rate_hz is not None:
            self._audio = self._container.add_stream(
                "aac", rate=s.audio_rate_hz, layout="mono", bit_rate=s.audio_bitrate_bps
            )
            self._audio.time_base = Fraction(1, s.audio_rate_hz)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            self._discard()
            return
        self.close()

    def write(self, rgb: ByteImage, t_s: float) -> None:
        """Add a colour picture.

        Parameters
        ----------
        rgb : ByteImage
            (h, w, 3) red, green, blue, 0-255.
        t_s : float
            When it is shown [s]; later than the one before, not negative.

        Raises
        ------
        BadInput
            If the picture has another shape, or the time does not follow.
        StorageError
            If the file cannot be written.
        """
        self.write_planes(*planes_from_rgb(rgb, "bt709", self.settings.full_range), t_s)

    def write_planes(self, luma: ByteImage, cb: ByteImage, cr: ByteImage, t_s: float) -> None:
        """Add a picture as planes.

        Parameters
        ----------
        luma : ByteImage
            (h, w), in the range that the settings state.
        cb, cr : ByteImage
            (ceil(h/2), ceil(w/2)), centred on 128.
        t_s : float
            When it is shown [s]; later than the one before, not negative.

        Raises
        ------
        BadInput
            If a plane has another shape, or the time does not follow.
        StorageError
            If the file cannot be written.
        """
        width, height = self.size_px
        half = ((height + 1) // 2, (width + 1) // 2)
        if luma.shape != (height, width) or cb.shape != half or cr.shape != half:
            raise BadInput(
                f"planes must be {(height, width)}, {half}, {half}, got "
                f"{luma.shape}, {cb.shape}, {cr.shape}"
            )
        tick = self._next_tick(t_s)
        picture = av.video.frame.VideoFrame(*self._coded_px, self._video.pix_fmt)
        for plane, samples in zip(picture.planes, (luma, cb, cr), strict=True):
            _fill(plane, samples)
        picture.pts, picture.time_base = tick, self.settings.time_base
        # kept by the coder in its stream of bits, beside the container's own tags
        picture.colorspace = _BT709
        picture.color_range = _FULL if self.settings.full_range else _LIMITED
        self._mux(self._video, picture)
        self._last_tick = tick

    def write_sound(self, samples: NDArray[np.float32], t_s: float | None = None) -> None:
        """Add sound; pieces follow each other without a gap.

        Parameters
        ----------
        samples : ndarray
            (n,) one channel, -1 to 1.
        t_s : float, optional
            When the first sample of the first piece is heard [s]; ignored later. 0 if not given.

        Raises
        ------
        BadInput
            If the settings state no sound, or samples is not one channel.
        StorageError
            If the file cannot be written.
        """
        rate_hz = self.settings.audio_rate_hz
        if rate_hz is None:
            raise BadInput("set audio_rate_hz in WriterSettings before writing sound")
        if samples.ndim != 1:
            raise BadInput(f"sound must be one channel (n,), got shape {samples.shape}")
        if self._sound_position is None:
            start_s = t_s or 0.0
            if start_s < 0:
                raise BadInput(f"sound cannot start before 0, got {start_s} s")
            self._sound_position = round(start_s * rate_hz)
        self._sound_waiting = np.concatenate([self._sound_waiting, samples.astype(np.float32)])
        whole = len(self._sound_waiting) // _AAC_FRAME * _AAC_FRAME
        self._send_sound(whole)

    def close(self) -> None:
        """Finish the file and give it its name.

        Raises
        ------
        BadInput
            If no picture was written.
        StorageError
            If the file cannot be written.
        """
        if self._container is None:
            return
        if self._last_tick < 0:
            self._discard()
            raise BadInput(f"no picture was written to {self.path}; write at least one")
        try:
            self._send_sound(len(self._sound_waiting))
            for stream in (self._video, self._audio):
                if stream is not None:
                    self._container.mux(stream.encode(None))
            self._container.close()
            self._container = None
            with self._part.open("rb") as written:
                os.fsync(written.fileno())
            self._part.replace(self.path)
        except (av.error.FFmpegError, OSError) as error:
            self._discard()
            raise self._storage_error(error) from None

    def _next_tick(self, t_s: float) -> int:
        if not np.isfinite(t_s) or t_s < 0:
            raise BadInput(f"the time of a picture must be 0 or later, got {t_s} s")
        tick = round(t_s / self.settings.time_base)
        if tick <= self._last_tick:
            before_s = float(self._last_tick * self.settings.time_base)
            raise BadInput(
                f"pictures must follow in time: {t_s} s does not come after {before_s} s"
            )
        return tick

    def _send_sound(self, n: int) -> None:
        """Code the first n waiting samples, a packet's worth at a time."""
        for start in range(0, n, _AAC_FRAME):
            piece = self._sound_waiting[start : min(start + _AAC_FRAME, n)]
            sound = av.audio.frame.AudioFrame.from_ndarray(
                np.ascontiguousarray(piece[None]), "fltp", "mono"
            )
            sound.sample_rate = self.settings.audio_rate_hz
            sound.time_base = Fraction(1, sound.sample_rate)
            sound.pts = self._sound_position
            self._sound_position = (self._sound_position or 0) + len(piece)
            self._mux(self._audio, sound)
        self._sound_waiting = self._sound_waiting[n:]

    def _mux(self, stream: Any, content: Any) -> None:
        if self._container is None:
            raise BadInput(f"{self.path} is closed; open a new writer")
        try:
            self._container.mux(stream.encode(content))
        except (av.error.FFmpegError, OSError) as error:
            self._discard()
            raise self._storage_error(error) from None

    def _discard(self) -> None:
        """Leave nothing behind."""
        container, self._container = self._container, None
        if container is not None:
            try:
                container.close()
            except (av.error.FFmpegError, OSError):
                pass  # the file is given up; why was told by the first error
        self._part.unlink(missing_ok=True)

    def _storage_error(self, error: Exception) -> StorageError:
        reason = getattr(error, "strerror", None) or str(error)
        return StorageError(
            f"could not write {self.path}: {reason}; free some space or choose another folder"
        )


def _fill(plane: Any, samples: ByteImage) -> None:
    """Copy samples into a plane; a column or row that the coder adds repeats the last one."""
    rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    below, right = plane.height - samples.shape[0], plane.width - samples.shape[1]
    if below or right:
        samples = cv2.copyMakeBorder(samples, 0, below, 0, right, cv2.BORDER_REPLICATE)
    rows[:, : plane.width] = samples
