"""Between the planes of a frame and red, green, blue; for pictures and overlays only."""

import cv2
import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types.arrays import ByteImage, FloatArray
from halfvolley.types.frames import ClipInfo, Frame

_WEIGHTS = {  # of red and blue in luma; green has the rest
    "bt601": (0.299, 0.114),
    "bt709": (0.2126, 0.0722),
    "bt2020": (0.2627, 0.0593),
}


def rgb_from_ycc(matrix: str, full_range: bool) -> FloatArray:
    """The affine map from coded (Y, Cb, Cr) to (R, G, B), both 0-255.

    Parameters
    ----------
    matrix : str
        "bt601", "bt709" or "bt2020".
    full_range : bool
        Whether Y spans 0-255 rather than 16-235, and Cb, Cr accordingly.

    Returns
    -------
    FloatArray
        (3, 4): a 3 x 3 matrix and, last, what is added.

    Raises
    ------
    BadInput
        If the matrix has another name.

    References
    ----------
    Rec. ITU-R BT.601-7 section 2.5, BT.709-6 section 3, BT.2020-2 table 4.
    """
    if matrix not in _WEIGHTS:
        raise BadInput(f"colour matrix must be one of {', '.join(_WEIGHTS)}, got {matrix!r}")
    kr, kb = _WEIGHTS[matrix]
    kg = 1.0 - kr - kb
    colour = np.array(
        [
            [1.0, 0.0, 2.0 * (1.0 - kr)],
            [1.0, -2.0 * (1.0 - kb) * kb / kg, -2.0 * (1.0 - kr) * kr / kg],
            [1.0, 2.0 * (1.0 - kb), 0.0],
        ]
    )
    zero = np.array([0.0 if full_range else 16.0, 128.0, 128.0])
    scale = np.ones(3) if full_range else np.array([255 / 219, 255 / 224, 255 / 224])
    colour *= scale
    return np.column_stack([colour, -colour @ zero])


def to_rgb(frame: Frame, info: ClipInfo) -> ByteImage:
    """A frame as a colour picture, by the clip's own matrix and range.

    Parameters
    ----------
    frame : Frame
        Planes as read.
    info : ClipInfo
        The clip they come from.

    Returns
    -------
    ByteImage
        (h, w, 3) red, green, blue, 0-255; gamma as recorded.

    Raises
    ------
    BadInput
        If the clip names a colour matrix that is not known.
    """
    height, width = frame.luma.shape
    doubled = (2 * frame.cb.shape[1], 2 * frame.cb.shape[0])
    cb, cr = (
        cv2.resize(plane, doubled, interpolation=cv2.INTER_LINEAR)[:height, :width]
        for plane in (frame.cb, frame.cr)
    )
    return _affine(
        cv2.merge([frame.luma, cb, cr]), rgb_from_ycc(info.colour_matrix, info.full_range)
    )


def planes_from_rgb(
    rgb: ByteImage, matrix: str = "bt709", full_range: bool = False
) -> tuple[ByteImage, ByteImage, ByteImage]:
    """Luma, Cb and Cr of a colour picture, chroma averaged to half size both ways.

    Parameters
    ----------
    rgb : ByteImage
        (h, w, 3) red, green, blue, 0-255.
    matrix : str
        "bt601", "bt709" or "bt2020".
    full_range : bool
        Whether luma spans 0-255 rather than 16-235.

    Returns
    -------
    tuple of ByteImage
        (h, w), (ceil(h/2), ceil(w/2)) twice.

    Raises
    ------
    BadInput
        If rgb is no 8-bit colour picture, or the matrix has another name.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise BadInput(f"a picture must be (h, w, 3) uint8, got {rgb.shape} {rgb.dtype}")
    inverse = np.vstack([rgb_from_ycc(matrix, full_range), [0.0, 0.0, 0.0, 1.0]])
    luma, cb, cr = cv2.split(_affine(rgb, np.linalg.inv(inverse)[:3]))
    height, width = luma.shape
    odd = (0, height % 2, 0, width % 2)
    half = ((width + 1) // 2, (height + 1) // 2)
    cb, cr = (
        cv2.resize(
            cv2.copyMakeBorder(plane, *odd, cv2.BORDER_REPLICATE) if any(odd) else plane,
            half,
            interpolation=cv2.INTER_AREA,
        )
        for plane in (cb, cr)
    )
    return luma, cb, cr


def _affine(picture: ByteImage, map_: FloatArray) -> ByteImage:
    """Each pixel through a (3, 4) map, held within 0-255; at most one level off (3 % of pixels).

    In single precision OpenCV runs this in 10-bit fixed point, four times as fast as in double.
    """
    return cv2.transform(picture, map_.astype(np.float32))
