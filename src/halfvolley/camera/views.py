"""Which pictures show the same view."""

from collections.abc import Sequence

import cv2
import numpy as np

from halfvolley.types import ByteImage, FloatArray, Frame

LOOK_WIDTH_PX = 480
SAME_SHIFT = 0.002  # of the width: more than that is another view
SAME_RESPONSE = 0.12  # of phase correlation; unlike pictures have 0.05


def look_of(luma: ByteImage) -> FloatArray:
    """What stays of a picture when light and size are taken away, to compare views by.

    Parameters
    ----------
    luma : (h, w) uint8
        Picture.

    Returns
    -------
    (h', 480) float32
        Fine structure in standard deviations.
    """
    height = round(luma.shape[0] * LOOK_WIDTH_PX / luma.shape[1])
    size = (LOOK_WIDTH_PX, height)
    fine = cv2.resize(luma, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    fine -= cv2.GaussianBlur(fine, (0, 0), 4.0)
    look: FloatArray = np.clip(fine / (fine.std() + 1e-3), -2.0, 2.0)
    return look


def shift_between(one: FloatArray, other: FloatArray) -> tuple[FloatArray, float]:
    """How a view moved and how surely.

    Parameters
    ----------
    one, other : (h', 480) float32
        Looks of two pictures.

    Returns
    -------
    shift : (2,) float64
        Of the second against the first, of the picture's width.
    response : float
        About 0.05 for unlike pictures, up to 1.
    """
    window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_32F)
    shift, response = cv2.phaseCorrelate(one, other, window)
    return np.array(shift) / LOOK_WIDTH_PX, float(response)


def same_share(one: FloatArray, other: FloatArray) -> float:
    """Share of the picture's parts, of those with structure, that look the same in both.

    Parameters
    ----------
    one, other : (h', 480) float32
        Looks of two pictures.

    Returns
    -------
    float
        0 to 1.
    """
    side = 40
    rows, columns = one.shape[0] // side, one.shape[1] // side

    def parts(look: FloatArray) -> FloatArray:
        cut = look[: rows * side, : columns * side].reshape(rows, side, columns, side)
        flat = cut.transpose(0, 2, 1, 3).reshape(rows * columns, side * side)
        return flat - flat.mean(axis=1, keepdims=True)

    a, b = parts(one), parts(other)
    power = np.sum(a * a, axis=1)
    both = np.sum(a * b, axis=1) / np.sqrt(power * np.maximum(np.sum(b * b, axis=1), 1e-6) + 1e-6)
    told = power > 0.2 * np.median(power)
    return float(np.mean(both[told] > 0.6)) if told.any() else 0.0


def views_of(pictures: Sequence[Frame]) -> list[list[Frame]]:
    """Pictures of the same view together: that of the first picture first, then by size."""
    views: list[list[Frame]] = []
    looks: list[FloatArray] = []
    for picture in pictures:
        look = look_of(picture.luma)
        for view, other in zip(views, looks, strict=True):
            shift, response = shift_between(other, look)
            if np.hypot(*shift) < SAME_SHIFT and response > SAME_RESPONSE:
                view.append(picture)
                break
        else:
            views.append([picture])
            looks.append(look)
    return [*views[:1], *sorted(views[1:], key=lambda v: -len(v))]
