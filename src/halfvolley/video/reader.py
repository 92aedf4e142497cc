"""Frames of a clip, in order of display, each with its own time."""

import contextlib
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path

import av.container
import av.error
import av.video.frame
import av.video.stream
import numpy as np

from halfvolley.errors import FootageError
from halfvolley.types.arrays import IntArray
from halfvolley.types.frames import ClipInfo, Frame
from halfvolley.video.opening import open_clip, video_stream
from halfvolley.video.planes import planes_of, turned
from halfvolley.video.probe import probe

# How far before the first wanted frame to look for a keyframe that is shown no later than it
# [s]; a container may index by time of decoding, which runs ahead. None: from the very start.
_SEEK_BACK_S = (0.0, 2.0, 15.0, None)


class FrameReader:
    """A clip's frames; iterate over it, then read `warnings`.

    Each iteration opens the file anew, so a reader may be used several times. Opening a long clip
    takes longer than finding a frame in it; who looks for many frames hands in an open container.

    Parameters
    ----------
    clip : Path, str or ClipInfo
        The clip; a path is probed first.
    start_s : float, optional
        Time on the clip's own clock from which on frames are given [s].
    stop_s : float, optional
        Time before which they end [s].
    keyframes_only : bool
        Give only pictures that are coded alone: a fast look through a long clip.
    container : av.container.InputContainer, optional
        The clip as `open_clip` gave it. It is sought in, used by one reader at a time, and left
        open.

    Raises
    ------
    FootageError
        If the file cannot be read, or no picture of it can be decoded.
    """

    def __init__(
        self,
        clip: Path | str | ClipInfo,
        *,
        start_s: float | None = None,
        stop_s: float | None = None,
        keyframes_only: bool = False,
        container: av.container.InputContainer | None = None,
    ) -> None:
        self.info = clip if isinstance(clip, ClipInfo) else probe(clip)
        pts_s = self.info.pts_s
        self._first = 0 if start_s is None else int(np.searchsorted(pts_s, start_s))
        self._end = len(pts_s) if stop_s is None else int(np.searchsorted(pts_s, stop_s))
        self._keyframes_only = keyframes_only
        self._container = container
        self.warnings: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Frame]:
        """Frames in order of display; what went wrong is in `warnings` afterwards."""
        self.warnings = ()
        if self._first >= self._end:
            return
        faults = _Faults()
        given = 0
        last = self._first - 1
        info = self.info
        for index, picture in self._pictures(faults):
            if index >= self._end:
                break
            if index < self._first:
                continue
            planes = planes_of(picture, info.full_range, info.colour_matrix)
            luma, cb, cr = (turned(plane, info.rotation_deg) for plane in planes)
            given += 1
            if index > last + 1 and faults.first_lost is None:
                faults.first_lost = last + 1
            last = index
            yield Frame(index, float(info.pts_s[index]), luma, cb, cr)
            if index + 1 == self._end < len(info.pts_s):
                break  # nothing behind it is wanted
        self._report(faults, given, last)

    def _report(self, faults: "_Faults", given: int, last: int) -> None:
        """Put into words what the whole range lacked."""
        info = self.info
        if given == 0 and not self._keyframes_only and self._end - self._first == len(info.pts_s):
            raise FootageError(
                f"no picture of {info.path} can be decoded; copy it from the camera again"
            )
        said: list[str] = []
        reached_s = float(info.pts_s[max(last, 0)])
        if faults.new_size is not None:
            width, height = faults.new_size
            said.append(
                f"the picture changes to {width} x {height} after frame {last} at "
                f"{reached_s:.3f} s; what follows was not read"
            )
        elif not self._keyframes_only and (faults.cut or last < self._end - 1):
            said.append(f"cut short after frame {last} at {reached_s:.3f} s")
        # what is missing between the first and the last frame that were given
        lost = last + 1 - self._first - given
        if faults.first_lost is not None and not self._keyframes_only:
            said.append(
                f"{lost} {'picture' if lost == 1 else 'pictures'} could not be decoded, the first "
                f"at {info.pts_s[faults.first_lost]:.3f} s; those after it may be smeared up to "
                "the next keyframe"
            )
        self.warnings = tuple(said)

    def _pictures(
        self, faults: "_Faults"
    ) -> Generator[tuple[int, av.video.frame.VideoFrame], None, None]:
        """Decoded pictures with their place, from a keyframe before the first wanted one on."""
        info = self.info
        ticks = np.rint(info.pts_s / float(info.time_base)).astype(np.int64)
        tries: tuple[float | None, ...] = (None,)
        if (self._first > 0 or self._container is not None) and not info.reconstructed:
            tries = _SEEK_BACK_S
        for back_s in tries:
            faults.clear()
            with self._opened(back_s) as container:
                stream = video_stream(container, info.path)
                if not stream.codec_context.is_open:
                    stream.thread_type = "AUTO"
                if self._keyframes_only and not info.reconstructed:
                    stream.codec_context.skip_frame = "NONKEY"
                if back_s is not None:
                    target = int(ticks[self._first]) - round(back_s / info.time_base)
                    try:
                        container.seek(target, stream=stream)
                    except (av.error.FFmpegError, OSError):
                        continue
                placed = self._placed(container, stream, ticks, faults)
                first = next(placed, None)
                if back_s is not None and (first is None or first[0] > self._first):
                    continue  # the keyframe found is shown too late
                if first is not None:
                    yield first
                    yield from placed
                return

    def _opened(
        self, back_s: float | None
    ) -> contextlib.AbstractContextManager[av.container.InputContainer]:
        """The open container that was handed in, where it is sought in; else a fresh one."""
        if self._container is not None and back_s is not None:
            return contextlib.nullcontext(self._container)
        return open_clip(self.info.path)

    def _placed(
        self,
        container: av.container.InputContainer,
        stream: av.video.stream.VideoStream,
        ticks: IntArray,
        faults: "_Faults",
    ) -> Iterator[tuple[int, av.video.frame.VideoFrame]]:
        """Pictures with their place in the order of display.

        The place is looked up by the stamp, so that a lost picture does not shift the rest; where
        stamps were rebuilt it is counted.
        """
        following = 0
        stored_px = self.info.size_px
        if self.info.rotation_deg in (90, 270):
            stored_px = stored_px[::-1]
        # counted places need every picture
        keyframes_only = self._keyframes_only and not self.info.reconstructed
        wanted = None if self.info.reconstructed else int(ticks[self._first])
        for picture in _decode(container, stream, faults, keyframes_only, wanted):
            index = following
            if picture.pts is not None and not self.info.reconstructed:
                index = max(following, int(np.searchsorted(ticks, picture.pts)))
            if index >= len(ticks):
                return
            following = index + 1
            if picture.is_corrupt:
                continue
            if (picture.width, picture.height) != stored_px:
                faults.new_size = (picture.width, picture.height)
                return
            if self._keyframes_only and not picture.key_frame:
                continue
            yield index, picture


def iter_frames(
    clip: Path | str | ClipInfo,
    *,
    start_s: float | None = None,
    stop_s: float | None = None,
    keyframes_only: bool = False,
) -> Iterator[Frame]:
    """Frames of a clip in order of display, upright, with start_s <= t_s < stop_s.

    Parameters
    ----------
    clip : Path, str or ClipInfo
        The clip; a path is probed first.
    start_s : float, optional
        Time on the clip's own clock from which on frames are given [s].
    stop_s : float, optional
        Time before which they end [s].
    keyframes_only : bool
        Give only pictures that are coded alone: a fast look through a long clip.

    Returns
    -------
    iterator of Frame
        Luma (h, w) and chroma at half size; views of the decoder's memory where the clip is 8-bit
        4:2:0 and not turned. They stay valid while the frame is held.

    Raises
    ------
    FootageError
        If the file cannot be read, or no picture of it can be decoded.
    """
    return iter(FrameReader(clip, start_s=start_s, stop_s=stop_s, keyframes_only=keyframes_only))


@dataclass(slots=True)
class _Faults:
    """What went wrong while decoding."""

    first_lost: int | None = None  # place of the first frame that is missing before a later one
    cut: bool = False  # the last packet is incomplete, or reading stopped with an error
    new_size: tuple[int, int] | None = None

    def clear(self) -> None:
        self.first_lost, self.cut, self.new_size = None, False, None


def _decode(
    container: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    faults: _Faults,
    keyframes_only: bool,
    wanted: int | None,
) -> Iterator[av.video.frame.VideoFrame]:
    """All pictures that can be decoded; a bad packet costs its own picture, not the rest.

    Those shown before the stamp `wanted` are left out where no other picture is built on them.
    Packets are chosen here and not by the demuxer's own `discard`: that of MP4 then gives wrong
    stamps where frames are reordered.
    """
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets, None)
        except (av.error.FFmpegError, OSError):
            faults.cut = True
            with contextlib.suppress(av.error.FFmpegError):  # what the decoder still holds
                yield from stream.codec_context.decode(None)
            return
        if packet is None:
            return
        if packet.size:  # the empty one at the end asks the decoder for what it still holds
            faults.cut = packet.is_corrupt
        if packet.is_corrupt:  # only a part of it is there; what it would show is half grey
            continue
        if keyframes_only and packet.size and not packet.is_keyframe:
            continue
        if not keyframes_only and wanted is not None and packet.pts is not None:
            stream.codec_context.skip_frame = "NONREF" if packet.pts < wanted else "DEFAULT"
        try:
            pictures = packet.decode()
        except av.error.FFmpegError:
            continue
        yield from pictures
