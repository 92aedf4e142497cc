"""What lossy coding leaves of a few pictures: through H.264 and back, in memory."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import av
import av.video.frame
import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types.arrays import ByteImage

Planes = tuple[ByteImage, ByteImage, ByteImage]
"""Luma (h, w), cb and cr (h/2, w/2) of one picture."""


@dataclass(frozen=True, slots=True)
class CodingSettings:
    """How `recoded` codes."""

    crf: float = 23.0  # of x264: 18 leaves hardly a mark, 32 wipes out grain and small things
    b_frames: int = 0  # pictures in a row that are guessed from both sides and coded coarsely
    keyframe_every: int = 60  # a fresh picture differs from the one before by all of its grain
    preset: str = "veryfast"


def recoded(
    pictures: Sequence[Planes], settings: CodingSettings = CodingSettings()
) -> list[Planes]:
    """The same pictures, coded as a clip and decoded.

    Parameters
    ----------
    pictures : sequence of (luma, cb, cr)
        All of one size, multiples of 2.
    settings : CodingSettings
        Coding.

    Raises
    ------
    BadInput
        If a side is odd.
    """
    if not pictures:
        return []
    h, w = pictures[0][0].shape
    if h % 2 or w % 2:
        raise BadInput(f"pictures to code must have even sides, got {w} x {h}")
    coder = av.CodecContext.create("libx264", "w")
    coder.width, coder.height, coder.pix_fmt = w, h, "yuv420p"
    coder.time_base, coder.thread_count = Fraction(1, 60), 1
    coder.gop_size = settings.keyframe_every
    coder.options = {
        "preset": settings.preset, "crf": f"{settings.crf:g}", "bf": str(settings.b_frames),
    }  # fmt: skip
    packets = []
    for i, planes in enumerate(pictures):
        rows = np.concatenate([p.ravel() for p in planes]).reshape(h * 3 // 2, w)
        frame = av.video.frame.VideoFrame.from_ndarray(rows, "yuv420p")
        frame.pts = i
        packets += coder.encode(frame)
    packets += coder.encode(None)
    decoder = av.CodecContext.create("h264", "r")
    decoder.thread_count = 1
    frames = [f for packet in packets for f in decoder.decode(packet)] + decoder.decode(None)
    return [_split(f.to_ndarray(), h, w) for f in frames]


def _split(rows: ByteImage, h: int, w: int) -> Planes:
    """Planes of a picture in one array, as PyAV gives it."""
    flat, n = rows[h:].ravel(), h * w // 4
    return rows[:h], flat[:n].reshape(h // 2, w // 2), flat[n:].reshape(h // 2, w // 2)
