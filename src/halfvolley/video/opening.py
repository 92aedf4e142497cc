"""Opening a clip, with plain words for everything that can be wrong with it."""

from pathlib import Path

import av
import av.container
import av.error
import av.video.stream
from av.stream import Discard, Disposition

from halfvolley.errors import FootageError

# Demuxers that read text, single pictures or play lists as if they were clips.
_NOT_CLIPS = ("tty", "image2", "concat", "hls", "dash", "sdp", "rtsp", "lavfi", "libcdio")


def open_clip(path: Path | str) -> av.container.InputContainer:
    """Open a clip for reading.

    Parameters
    ----------
    path : Path or str
        A file on this machine.

    Returns
    -------
    av.container.InputContainer
        The open container; close it, or use it in a `with`.

    Raises
    ------
    FootageError
        If there is no such file, or it cannot be read as a clip.
    """
    path = Path(path)
    _check_file(path)
    try:
        # absolute: a name such as "a:b.mp4" must not be taken for a protocol; the whitelist keeps
        # a play list or a reference inside a container from reaching for the network
        container = av.open(
            str(path.absolute()), container_options={"protocol_whitelist": "file"}, timeout=None
        )
    except (av.error.InvalidDataError, av.error.EOFError):
        raise FootageError(
            f"{path} is not a video that can be read; check that it opens in a player and was "
            "copied completely"
        ) from None
    except (av.error.FFmpegError, OSError) as error:
        raise FootageError(
            f"{path} cannot be read: {error.strerror or error}; check the file and its permissions"
        ) from None
    if any(
        name in _NOT_CLIPS or name.endswith("_pipe") for name in container.format.name.split(",")
    ):
        container.close()
        raise FootageError(f"{path} is not a video; give a clip such as an mp4, mov or mkv file")
    return container


def _check_file(path: Path) -> None:
    """Refuse what need not be opened to be known as useless."""
    if path.is_dir():
        raise FootageError(f"{path} is a folder, not a clip; give the file inside it")
    if not path.exists():
        raise FootageError(f"no such file: {path}; check the path")
    if path.is_file() and path.stat().st_size == 0:
        raise FootageError(f"{path} is empty (0 bytes); copy it from the camera again")


def video_stream(container: av.container.InputContainer, path: Path) -> av.video.stream.VideoStream:
    """The moving pictures of a clip; every other stream is silenced.

    Parameters
    ----------
    container : av.container.InputContainer
        As given by `open_clip`.
    path : Path
        For the words of an error.

    Returns
    -------
    av.video.stream.VideoStream
        The largest video stream that is not a cover picture.

    Raises
    ------
    FootageError
        If there is none, or no decoder for it.
    """
    streams = [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]
    if not streams:
        if len(container.streams) == 0:
            raise FootageError(
                f"{path} was never finished: its index is missing, as when the camera lost power; "
                "repair it with the camera's own recovery, or film again"
            )
        raise FootageError(f"{path} holds no video; give a clip with moving pictures")
    if all(s.codec_context is None for s in streams):
        raise FootageError(
            f"{path} is coded in a way that cannot be decoded here; convert it to H.264"
        )
    stream = max(
        (s for s in streams if s.codec_context is not None),
        key=lambda s: s.codec_context.width * s.codec_context.height,
    )
    for other in container.streams:
        if other.index != stream.index:
            other.discard = Discard.all
    return stream
