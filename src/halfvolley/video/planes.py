"""A decoded picture as the three 8-bit planes of `Frame`, without copying where it can be."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import av.video.format
import av.video.frame
import cv2
import numpy as np

from halfvolley.types.arrays import ByteImage

_TURNS = {
    90: cv2.ROTATE_90_CLOCKWISE,
    180: cv2.ROTATE_180,
    270: cv2.ROTATE_90_COUNTERCLOCKWISE,
}


@dataclass(frozen=True, slots=True)
class PixelLayout:
    """How a pixel format lies in memory, as far as it matters here."""

    kind: Literal["planar", "two planes", "grey", "other"]
    bits: int  # of one sample; more than 8 lie in the low bits of 16
    first_chroma: int  # 0 where an interleaved chroma plane starts with Cb, 1 with Cr


@lru_cache(maxsize=64)
def layout_of(name: str) -> PixelLayout:
    """How the planes of a pixel format are stored.

    Parameters
    ----------
    name : str
        FFmpeg's name of the format.

    Returns
    -------
    PixelLayout
        "other" where the picture must be converted first.
    """
    if name in ("nv12", "nv21"):
        return PixelLayout("two planes", 8, int(name == "nv21"))
    video_format = av.video.format.VideoFormat(name, 16, 16)
    parts = video_format.components
    bits = parts[0].bits
    simple = (
        all(p.bits == bits for p in parts)
        and bits >= 8
        and not video_format.is_big_endian
        and not video_format.is_rgb
        and not video_format.has_palette
    )
    colour = [p for p in parts if not p.is_alpha]
    if simple and len(colour) == 1 and name.startswith("gray"):
        return PixelLayout("grey", bits, 0)
    planar = [p.plane for p in colour] == [0, 1, 2]
    if simple and planar and name.startswith("yuv") and "msb" not in name:
        return PixelLayout("planar", bits, 0)
    return PixelLayout("other", 8, 0)


def planes_of(
    picture: av.video.frame.VideoFrame, full_range: bool, matrix: str
) -> tuple[ByteImage, ByteImage, ByteImage]:
    """Luma, Cb and Cr of a picture, 8-bit, chroma at half size both ways.

    Views of the decoder's memory (read only) for 8-bit 4:2:0; the views keep the picture alive.
    Other depths and samplings are brought to it: rounding shift of the planes, mean of the chroma
    samples that fall together.

    Parameters
    ----------
    picture : av.video.frame.VideoFrame
        A decoded picture.
    full_range : bool
        Whether its samples use the whole range; decides how deeper ones scale.
    matrix : str
        Its colour matrix, kept through a conversion: "bt601", "bt709" or "bt2020".

    Returns
    -------
    tuple of ByteImage
        (h, w), (ceil(h/2), ceil(w/2)) twice; not turned yet.
    """
    layout = layout_of(picture.format.name)
    if layout.kind == "other":
        picture = _converted(picture, full_range, matrix)
        layout = layout_of(picture.format.name)
    height, width = picture.height, picture.width
    half = ((height + 1) // 2, (width + 1) // 2)
    luma = _eight_bits(_view(picture, 0, layout.bits)[:height, :width], layout.bits, full_range)
    if layout.kind == "grey":
        return luma, _neutral(half), _neutral(half)
    if layout.kind == "two planes":
        pairs = _view(picture, 1, 8)[: half[0], : 2 * half[1]].reshape(half[0], half[1], 2)
        return luma, pairs[..., layout.first_chroma], pairs[..., 1 - layout.first_chroma]
    chroma = []
    for index in (1, 2):
        plane = picture.planes[index]
        samples = _view(picture, index, layout.bits)[: plane.height, : plane.width]
        chroma.append(_eight_bits(_halved(samples, half), layout.bits, full_range))
    return luma, chroma[0], chroma[1]


def turned(plane: ByteImage, clockwise_deg: int) -> ByteImage:
    """A plane turned clockwise by a multiple of 90 degrees; itself for 0.

    Parameters
    ----------
    plane : ByteImage
        (h, w).
    clockwise_deg : int
        0, 90, 180 or 270.

    Returns
    -------
    ByteImage
        (h, w), or (w, h) for 90 and 270.
    """
    return plane if clockwise_deg == 0 else cv2.rotate(plane, _TURNS[clockwise_deg])


def _view(picture: av.video.frame.VideoFrame, index: int, bits: int) -> Any:
    """A plane's memory as rows; read only, since the decoder predicts from it."""
    plane = picture.planes[index]
    flat = np.frombuffer(plane, np.uint8 if bits == 8 else np.uint16)
    flat.flags.writeable = False
    rows = flat.reshape(plane.height, -1)
    return rows if plane.line_size > 0 else rows[::-1]  # a negative pitch stores the last row first


def _eight_bits(samples: Any, bits: int, full_range: bool) -> ByteImage:
    """Deeper samples rounded to 8 bits; 8-bit ones as they are."""
    if bits == 8:
        return samples
    scale = 255 / (2**bits - 1) if full_range else 1 / 2 ** (bits - 8)
    return cv2.convertScaleAbs(samples, alpha=scale)


def _halved(samples: Any, shape: tuple[int, int]) -> Any:
    """Chroma at the given shape; the mean of samples that fall together."""
    height, width = samples.shape
    if (height, width) == shape:
        return samples
    # an odd edge is doubled, so that each new sample is the mean of its own two or four
    pad_y = 1 if height == 2 * shape[0] - 1 and height > shape[0] else 0
    pad_x = 1 if width == 2 * shape[1] - 1 and width > shape[1] else 0
    if pad_x or pad_y:
        samples = cv2.copyMakeBorder(samples, 0, pad_y, 0, pad_x, cv2.BORDER_REPLICATE)
    return cv2.resize(samples, shape[::-1], interpolation=cv2.INTER_AREA)


@lru_cache(maxsize=4)
def _neutral(shape: tuple[int, int]) -> ByteImage:
    grey = np.full(shape, 128, np.uint8)
    grey.flags.writeable = False
    return grey


def _converted(
    picture: av.video.frame.VideoFrame, full_range: bool, matrix: str
) -> av.video.frame.VideoFrame:
    """The picture as 8-bit 4:2:0, colours kept (YCbCr) or turned into limited BT.709 (RGB)."""
    if picture.format.is_rgb or picture.format.has_palette:
        return picture.reformat(
            format="yuv420p",
            dst_colorspace="ITU709",
            src_color_range="JPEG",
            dst_color_range="MPEG",
        )
    kept_range = "JPEG" if full_range else "MPEG"
    kept_matrix = {"bt601": "ITU601", "bt709": "ITU709", "bt2020": "bt2020"}[matrix]
    return picture.reformat(
        format="yuv420p",
        src_colorspace=kept_matrix,
        dst_colorspace=kept_matrix,
        src_color_range=kept_range,
        dst_color_range=kept_range,
    )
