"""One frame with the table's model drawn over it: a person sees at once whether it fits."""

from pathlib import Path

import cv2
import numpy as np

from halfvolley.camera import model_polylines
from halfvolley.errors import FootageError
from halfvolley.report.draw import disc, polyline, text, text_size
from halfvolley.report.look import rgb
from halfvolley.session.files import write_atomic
from halfvolley.session.recording import Recording
from halfvolley.session.schema import ClipEntry, Session
from halfvolley.session.veil import make_veil
from halfvolley.types import ByteImage, Camera, FloatArray
from halfvolley.video import iter_frames, to_rgb

MODEL = rgb("#00c2d1")  # stands out on blue, green and grey tables alike
CORNER = rgb("#ffd23f")


def first_picture(
    session: Session, entry: ClipEntry, recording: Recording, camera: Camera
) -> ByteImage:
    """The first frame of a clip as (h, w, 3) red, green, blue, blurred where that was asked for.

    Raises
    ------
    FootageError
        If it holds none.
    """
    for frame in iter_frames(recording.info):
        picture = to_rgb(frame, recording.info)
        veil = make_veil(session, entry, recording, camera)
        if veil is not None:
            veil.over(picture)
        return picture
    raise FootageError(f"{recording.info.path} holds no picture that can be decoded")


def draw_model(picture: ByteImage, camera: Camera, words: str = "") -> ByteImage:
    """A picture with the table's model over it.

    Parameters
    ----------
    picture : (h, w, 3) uint8
        A frame; it is not changed.
    camera : Camera
        At the moment of the frame.
    words : str
        A line written at the bottom.

    Returns
    -------
    (h, w, 3) uint8
        The picture with lines, net and corners with their coordinates.
    """
    out = picture.copy()
    height = picture.shape[0]
    width_px = max(1, round(height / 720))
    for line in model_polylines(camera):
        polyline(out, line, MODEL, width_px)
    size_px = max(12, height // 54)
    for corner in _corners(camera):
        disc(out, corner.uv_px, size_px / 3, CORNER, width_px)
        place = (corner.uv_px[0] + 0.5 * size_px, corner.uv_px[1] + 0.3 * size_px)
        if np.all(np.isfinite(place)):
            _words_on_dark(out, corner.words, place, size_px)
    if words:
        _words_on_dark(out, words, (size_px, height - 2.2 * size_px), size_px)
    return out


def write_picture(path: Path, picture: ByteImage) -> None:
    """Write a picture as PNG.

    Raises
    ------
    StorageError
        If it could not be written.
    """
    done, data = cv2.imencode(".png", picture[:, :, ::-1])
    assert done
    write_atomic(path, data.tobytes())


def encode_jpeg(picture: ByteImage, width_px: int) -> bytes:
    """A picture as JPEG, made smaller where it is wider than `width_px`."""
    height, width = picture.shape[:2]
    if width > width_px:
        size = (width_px, max(1, round(height * width_px / width)))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    done, data = cv2.imencode(".jpg", picture[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 86])
    assert done
    return data.tobytes()


class _Corner:
    def __init__(self, uv_px: FloatArray, words: str) -> None:
        self.uv_px, self.words = uv_px, words


def _corners(camera: Camera) -> list[_Corner]:
    from halfvolley.camera import project
    from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M

    a, b = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
    ends = [(-1, -1), (-1, 1), (1, 1), (1, -1)]
    xyz = np.array([[x * a, y * b, 0.0] for x, y in ends])
    places = project(camera, xyz)
    names = [f"{'A' if x < 0 else 'B'} ({'+' if x > 0 else '−'}, {'+' if y > 0 else '−'})"
             for x, y in ends]  # fmt: skip
    return [_Corner(uv, name) for uv, name in zip(places, names, strict=True)]


def _words_on_dark(
    picture: ByteImage, words: str, place: tuple[float, float], size_px: int
) -> None:
    width, height = text_size(words, size_px)
    x, y = (round(p) for p in place)
    x = min(max(x, 0), picture.shape[1] - width)  # keep the words in the picture
    box = picture[max(y, 0) : y + height, x : x + width]
    box[:] = box // 3
    text(picture, words, (x, y), size_px, (255, 255, 255))
