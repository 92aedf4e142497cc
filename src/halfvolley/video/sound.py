"""The sound of a clip, as one channel on the clip's own clock."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av.audio.resampler
import av.container
import av.error
import numpy as np
from av.stream import Discard
from numpy.typing import NDArray

from halfvolley.errors import FootageError
from halfvolley.video.opening import open_clip

_JUMP_S = 0.02  # stamps off by more than this mean that sound is missing [s]
_AVERAGED = 100  # pieces over which rounded stamps are averaged; about two seconds of AAC


@dataclass(frozen=True, slots=True, eq=False)
class SoundChunk:
    """A piece of sound."""

    t_s: float  # when its first sample is heard, on the clip's own clock [s]
    rate_hz: int
    samples: NDArray[np.float32]  # (n,) mean of all channels, full scale is 1
    follows: bool  # it continues the piece before it without a gap


def read_audio(path: Path | str) -> Iterator[SoundChunk]:
    """The sound of a clip piece by piece, in order of time.

    Where a container rounds stamps (Matroska: to 1 ms) the pieces are timed by their samples and
    the mean of the stamps, so that no rounding is left within the clip.

    Parameters
    ----------
    path : Path or str
        The clip.

    Yields
    ------
    SoundChunk
        Some 20 ms each, as the coder packed them.

    Raises
    ------
    FootageError
        If the file cannot be read, or holds no sound.
    """
    path = Path(path)
    with open_clip(path) as container:
        stream = _audio_stream(container)
        if stream is None:
            raise FootageError(f"{path} holds no sound that can be decoded; use a clip with sound")
        for other in container.streams:
            if other.index != stream.index:
                other.discard = Discard.all
        clock = _Clock()
        mono = None
        for frame in _decode(container, stream):
            if mono is None or frame.sample_rate != clock.rate_hz:
                mono = av.audio.resampler.AudioResampler("flt", "mono")
                clock = _Clock(frame.sample_rate)
            stamp_s = None if frame.pts is None else float(frame.pts * frame.time_base)
            samples = np.concatenate([f.to_ndarray()[0] for f in mono.resample(frame)])
            if len(samples):
                t_s, follows = clock.place(stamp_s, len(samples))
                yield SoundChunk(t_s, clock.rate_hz, samples, follows)


def has_sound(path: Path | str) -> bool:
    """Whether a clip has a sound track that can be decoded.

    Parameters
    ----------
    path : Path or str
        The clip.

    Returns
    -------
    bool
        True also where the track is silent.

    Raises
    ------
    FootageError
        If the file cannot be read.
    """
    with open_clip(path) as container:
        return _audio_stream(container) is not None


def _audio_stream(
    container: av.container.InputContainer,
) -> av.audio.stream.AudioStream | None:
    return next((s for s in container.streams.audio if s.codec_context is not None), None)


def _decode(
    container: av.container.InputContainer, stream: av.audio.stream.AudioStream
) -> Iterator[av.audio.frame.AudioFrame]:
    """All pieces that can be decoded; the end of a file that is cut short is an end."""
    try:
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                continue
            yield from frames
    except (av.error.FFmpegError, OSError):
        return


@dataclass(slots=True)
class _Clock:
    """Counts samples from a start that is the mean of what the stamps say."""

    rate_hz: int = 0
    start_s: float = 0.0
    counted: int = 0  # samples since the start
    pieces: int = 0

    def place(self, stamp_s: float | None, n: int) -> tuple[float, bool]:
        """When a piece of n samples begins, and whether it follows the one before."""
        follows = self.pieces > 0
        if stamp_s is not None:
            said_s = stamp_s - self.counted / self.rate_hz  # the start, by this stamp
            if not follows or abs(said_s - self.start_s) > _JUMP_S:
                follows = False
                self.start_s, self.counted, self.pieces = stamp_s, 0, 0
            else:
                self.start_s += (said_s - self.start_s) / min(self.pieces + 1, _AVERAGED)
        self.pieces += 1
        t_s = self.start_s + self.counted / self.rate_hz
        self.counted += n
        return t_s, follows
