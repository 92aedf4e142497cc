"""Drawing on frames: smooth lines at sub-pixel places, and text in a proper face."""

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from halfvolley.types import ByteImage, FloatArray

_SHIFT = 4  # cv2 takes places in 1/16 px
Colour = tuple[int, int, int]


def polyline(
    picture: ByteImage,
    uv_px: FloatArray,
    colour: Colour,
    width_px: int = 1,
    *,
    closed: bool = False,
) -> None:
    """Draw a line through points in place; parts through points that are not finite are left out.

    Parameters
    ----------
    picture : (h, w, 3) uint8
        Drawn on.
    uv_px : (n, 2) float64
        Points [px].
    colour : tuple of int
        Red, green, blue.
    width_px : int
        Line width [px].
    closed : bool
        Whether the last point is joined to the first.
    """
    # far outside points would overflow cv2's integers
    limit = 20 * max(picture.shape)
    good = np.all(np.isfinite(uv_px), axis=1) & np.all(np.abs(uv_px) < limit, axis=1)
    if closed and np.all(good):
        uv_px, good = np.concatenate([uv_px, uv_px[:1]]), np.append(good, good[:1])
    for run in np.split(np.arange(len(good)), np.flatnonzero(~good)):
        places = uv_px[run[good[run]]]
        if len(places) > 1:
            fixed = np.round(places * 2**_SHIFT).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(picture, [fixed], False, colour, width_px, cv2.LINE_AA, _SHIFT)


def disc(
    picture: ByteImage, uv_px: FloatArray, radius_px: float, colour: Colour, width_px: int = -1
) -> None:
    """Draw a disc (or a ring of some width) in place at a sub-pixel place; NaN draws nothing."""
    if not np.all(np.isfinite(uv_px)) or np.any(np.abs(uv_px) > 20 * max(picture.shape)):
        return
    u, v = (round(float(x) * 2**_SHIFT) for x in uv_px)
    radius = max(1, round(radius_px * 2**_SHIFT))
    cv2.circle(picture, (u, v), radius, colour, width_px, cv2.LINE_AA, _SHIFT)


def blend(picture: ByteImage, drawn: ByteImage, opacity: float) -> None:
    """Mix a drawn-on copy into the picture in place."""
    cv2.addWeighted(drawn, opacity, picture, 1.0 - opacity, 0.0, dst=picture)


def text(
    picture: ByteImage,
    words: str,
    place_px: tuple[float, float],
    size_px: int,
    colour: Colour,
    *,
    bold: bool = False,
) -> None:
    """Write words in place; `place_px` is their left top. What falls outside is cut off."""
    mask = _letters(words, size_px, bold)
    x, y = round(place_px[0]), round(place_px[1])
    x0, y0 = max(x, 0), max(y, 0)
    x1 = min(x + mask.shape[1], picture.shape[1])
    y1 = min(y + mask.shape[0], picture.shape[0])
    if x1 <= x0 or y1 <= y0:
        return
    part = picture[y0:y1, x0:x1].astype(np.float32)
    cover = mask[y0 - y : y1 - y, x0 - x : x1 - x, None].astype(np.float32) / 255.0
    picture[y0:y1, x0:x1] = np.round(part + cover * (np.array(colour, np.float32) - part))


def text_size(words: str, size_px: int, *, bold: bool = False) -> tuple[int, int]:
    """Width and height that words take [px]."""
    height, width = _letters(words, size_px, bold).shape
    return width, height


@cache
def _letters(words: str, size_px: int, bold: bool) -> ByteImage:
    """Coverage of words, 0-255; a video writes the same few words again and again."""
    from PIL import Image, ImageDraw

    font = _font(size_px, bold)
    left, top, right, bottom = font.getbbox(words)
    del left, top
    image = Image.new("L", (int(right) + 2, int(bottom) + 2), 0)
    ImageDraw.Draw(image).text((1, 1), words, fill=255, font=font)
    return np.array(image, np.uint8)


@cache
def _font(size_px: int, bold: bool):  # type: ignore[no-untyped-def]
    """The face that Matplotlib brings along, so that every machine has it."""
    import matplotlib
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
    return ImageFont.truetype(str(path), size_px)
