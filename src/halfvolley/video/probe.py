"""What a clip is: size, rotation, colour, and the time of every frame, without decoding them."""

import datetime
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import av.container
import av.error
import av.video.frame
import av.video.stream
import numpy as np

from halfvolley.errors import FootageError
from halfvolley.types.arrays import IntArray
from halfvolley.types.frames import ClipInfo
from halfvolley.video.opening import open_clip, video_stream
from halfvolley.video.planes import layout_of
from halfvolley.video.timing import seconds, standard_rate, timing_warnings

# codes of ISO/IEC 23091-2 (matrix coefficients), as FFmpeg passes them on
_MATRICES = {1: "bt709", 4: "bt601", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020"}
_HDR_TRANSFERS = {16: "PQ", 18: "HLG"}
_FULL_RANGE = 2
_FIRST_YEAR = 2000  # an earlier day is a clock that was never set


@dataclass(slots=True)
class _Packets:
    """What the packets of one stream tell, in the order in which they are stored."""

    pts: list[int | None] = field(default_factory=list)
    dts: list[int | None] = field(default_factory=list)
    first_picture: av.video.frame.VideoFrame | None = None
    broken: bool = False  # a packet is incomplete, or reading stopped with an error


def probe(path: Path | str) -> ClipInfo:
    """What a clip is, read from its container and packets.

    Only the first picture is decoded, since rotation is often told with it. Times are PTS x time
    base as stored, not shifted to zero.

    Parameters
    ----------
    path : Path or str
        The clip.

    Returns
    -------
    ClipInfo
        Its facts; `warnings` holds one plain sentence for each thing that makes it less usable.

    Raises
    ------
    FootageError
        If there is no such file, no video in it, or no picture that can be decoded.
    """
    path = Path(path)
    with open_clip(path) as container:
        stream = video_stream(container, path)
        packets = _read_packets(container, stream)
        picture = packets.first_picture
        if picture is None:
            raise FootageError(
                f"{path} holds no picture that can be decoded; copy it from the camera again"
            )
        time_base = Fraction(stream.time_base)
        rate = _nominal_rate(stream)
        ticks, how = _display_ticks(packets, time_base, rate, stamps_are_true(container, stream))
        turn, turn_warnings = _turn(picture)
        width, height = picture.width, picture.height
        matrix, full_range = _colour(picture, stream)
        return ClipInfo(
            path=path,
            size_px=(height, width) if turn in (90, 270) else (width, height),
            rotation_deg=turn,
            codec=stream.codec_context.codec.canonical_name,
            pixel_format=picture.format.name,
            bits=max(c.bits for c in picture.format.components),
            colour_matrix=matrix,
            full_range=full_range,
            time_base=time_base,
            nominal_fps=float(rate),
            pts_s=seconds(ticks, time_base),
            has_audio=len(container.streams.audio) > 0,
            warnings=(
                *timing_warnings(ticks, time_base),
                *how,
                *_cut_warnings(container, stream, packets, ticks),
                *turn_warnings,
                *_picture_warnings(picture, stream),
            ),
            reconstructed=bool(how),
        )


def recorded_on(path: Path | str) -> datetime.date | None:
    """The day on which a clip was recorded, if its container says it.

    Parameters
    ----------
    path : Path or str
        The clip.

    Returns
    -------
    datetime.date or None
        In local time. The file's own time of change is not asked: copying changes it.

    Raises
    ------
    FootageError
        If there is no such file, or it cannot be read as a clip.
    """
    with open_clip(path) as container:
        # the first is in the time of the place, the second in universal time
        for key in ("com.apple.quicktime.creationdate", "creation_time"):
            try:
                when = datetime.datetime.fromisoformat(container.metadata.get(key, ""))
            except ValueError:
                continue
            if when.year >= _FIRST_YEAR:
                return (when.astimezone() if key == "creation_time" else when).date()
    return None


def stamps_are_true(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> bool:
    """Whether a picture's own stamp is the time at which it is shown.

    Parameters
    ----------
    container : av.container.InputContainer
        The open clip.
    stream : av.video.stream.VideoStream
        Its pictures.

    Returns
    -------
    bool
        False for AVI with reordered pictures: AVI knows one clock only, that of decoding.
    """
    return not (container.format.name == "avi" and stream.codec_context.has_b_frames)


def _read_packets(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> _Packets:
    """Walk through all packets, decoding only until the first picture comes out."""
    seen = _Packets()
    pts, dts = seen.pts, seen.dts
    try:
        for packet in container.demux(stream):
            if packet.is_corrupt:
                seen.broken = True
                continue
            if seen.first_picture is None:
                seen.first_picture = _first_picture(packet)
            # an empty packet is a dropped frame (AVI) or the end; a discarded one lies outside
            # what the container's edit list shows
            if packet.size and not packet.is_discard:
                pts.append(packet.pts)
                dts.append(packet.dts)
    except (av.error.FFmpegError, OSError):
        seen.broken = True
    return seen


def _first_picture(packet: av.Packet) -> av.video.frame.VideoFrame | None:
    try:
        pictures = packet.decode()
    except av.error.FFmpegError:
        return None
    return pictures[0] if pictures else None


def _display_ticks(
    packets: _Packets, time_base: Fraction, rate: Fraction, stamps_true: bool
) -> tuple[IntArray, tuple[str, ...]]:
    """Stamps in order of display, and a sentence if they had to be rebuilt."""
    n = len(packets.pts)
    pts = [p for p in packets.pts if p is not None]
    if len(pts) == n and stamps_true:
        return np.sort(np.array(pts, np.int64)), ()
    if len(pts) == n:
        return np.sort(np.array(pts, np.int64)), (
            "the container does not say when reordered frames are shown; their times were rebuilt "
            "from its list of frames",
        )
    missing = f"{n - len(pts)} of {n} frames carry no time of display"
    dts = [d for d in packets.dts if d is not None]
    if len(dts) == n:
        return np.sort(np.array(dts, np.int64)), (
            f"{missing}; the times of all were rebuilt from the order of decoding and may be off "
            "by a constant",
        )
    start = min(pts, default=0)
    ticks = np.array([start + round(k / (rate * time_base)) for k in range(n)], np.int64)
    return ticks, (
        f"{missing}; the times of all were rebuilt from a steady {float(rate):.3f} frames a second",
    )


def _nominal_rate(stream: av.video.stream.VideoStream) -> Fraction:
    for rate in (stream.guessed_rate, stream.average_rate, stream.base_rate):
        if rate:
            return standard_rate(Fraction(rate))
    return Fraction(30)


def _cut_warnings(
    container: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    packets: _Packets,
    ticks: IntArray,
) -> tuple[str, ...]:
    """One sentence if the file ends before its content does."""
    n = len(ticks)
    entries = stream.index_entries
    beyond = False
    if len(entries):
        last = entries[len(entries) - 1]
        beyond = last.pos + last.size > container.size
    end_s = float(ticks[-1] * stream.time_base) if n else 0.0
    # Matroska states how long the clip should be; sound may outlast the picture by a little
    short = (
        "matroska" in container.format.name
        and container.duration is not None
        and container.duration / av.time_base - end_s > 0.5
    )
    if not (packets.broken or beyond or short):
        return ()
    stated = f" of {stream.frames}" if stream.frames > n else ""
    return (f"the file is cut short after frame {n - 1}{stated} at {end_s:.3f} s",)


def _colour(
    picture: av.video.frame.VideoFrame, stream: av.video.stream.VideoStream
) -> tuple[str, bool]:
    """Matrix and range by which the planes of `Frame` are to be read."""
    name = picture.format.name
    if picture.format.is_rgb or picture.format.has_palette:
        return "bt709", False  # what the reader turns such pictures into
    code = (
        picture.colorspace if picture.colorspace in _MATRICES else stream.codec_context.colorspace
    )
    # untagged: large pictures are BT.709, small ones BT.601; common practice, no source
    matrix = _MATRICES.get(code, "bt709" if min(picture.width, picture.height) >= 720 else "bt601")
    tag = picture.color_range or stream.codec_context.color_range
    untagged_full = name.startswith(("yuvj", "gray"))
    return matrix, tag == _FULL_RANGE or (tag == 0 and untagged_full)


def _turn(picture: av.video.frame.VideoFrame) -> tuple[int, tuple[str, ...]]:
    """Clockwise turn [deg] that sets the picture upright, from the display matrix."""
    data = picture.side_data.get("DISPLAYMATRIX")
    if data is None:
        return 0, ()
    matrix = np.frombuffer(bytes(data), np.int32)
    # rows (a, b), (c, d): x' = a x + c y, y' = b x + d y
    a, b, c, d = (float(matrix[k]) for k in (0, 1, 3, 4))
    said = []
    if a * d - b * c < 0:
        said.append("the clip asks to be shown mirrored; it was left as filmed")
        a = -a  # undo the mirror, which acts on x after the turn
    clockwise = float(np.degrees(np.arctan2(b, a)))
    turn = round(clockwise / 90) * 90
    if abs(clockwise - turn) > 1:
        said.append(
            f"the clip asks to be turned by {clockwise:.0f} degrees; {turn % 360} were applied"
        )
    return turn % 360, tuple(said)


def _picture_warnings(
    picture: av.video.frame.VideoFrame, stream: av.video.stream.VideoStream
) -> tuple[str, ...]:
    said = []
    if picture.interlaced_frame:
        said.append(
            "the clip is interlaced, every picture mixes two moments; film with a progressive mode"
        )
    shape = stream.sample_aspect_ratio
    if shape and shape != 1:
        said.append(f"its pixels are not square ({shape.numerator}:{shape.denominator})")
    hdr = _HDR_TRANSFERS.get(picture.color_trc)
    if hdr:
        said.append(f"the clip is HDR ({hdr}), its colours are shown paler than they were")
    if layout_of(picture.format.name).kind == "other":
        said.append(f"pixel format {picture.format.name} is converted, which makes reading slower")
    return tuple(said)
