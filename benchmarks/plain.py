"""The plain method, as the rival of this project: what one builds in an afternoon with OpenCV.

1. A range of colours and the difference to the previous frame: what moves and has the ball's
   colour. The largest such blob of a plausible size and shape near the table is the ball.
2. Where its motion down the picture turns into motion up, it bounced; that frame's centre goes
   through the homography of the four corners of the table, and stays if it lies on the table.

It is meant to do well: the colour is chosen by itself, sizes and steps follow from the size of the
table in the picture, arms and shirts are kept out by a window and by shape, short gaps are bridged,
small turns are left out, and the lowest point of the blob is mapped, where the ball touches, which
errs by about half of what the centre does. Where several limits were tried, that which favoured it
was kept. What it cannot do is its nature: it knows no flight, so it is bound to frames, and its
plane is that of the table.

`plain_bounces` runs it on a clip. `nearest_frame_bounces` runs step 2 alone, on detections of any
finder, so that the two steps can be blamed apart.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from halfvolley.constants import BALL_RADIUS_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.types import BoolArray, ByteImage, Detections, FloatArray, Frame, Tracks
from halfvolley.video import iter_frames

Colour = Literal["orange", "white"]


@dataclass(frozen=True, slots=True)
class PlainSettings:
    """What a person would set with sliders, once for all clips."""

    difference: float = 25.0  # change of luma that counts as motion; the usual value ...
    above_noise: float = 3.0  # ... and so many times the median change more in one that is not
    orange_cb_max: int = 112  # orange lacks blue ...
    orange_cr_min: int = 148  # ... and is redder than skin in most light
    white_luma_min: int = 145  # a lamp-lit white ball is 150-235
    white_chroma_max: int = 10  # distance of cb and cr from grey
    min_size: float = 0.2  # smallest blob, in areas of the ball's disc; far balls are smaller
    max_size: float = 3.0  # largest blob; near and blurred balls are larger
    max_width: float = 2.0  # across, in diameters; near balls and coding blocks
    window_m: tuple[float, float] = (0.2, 0.6)  # looked at: so far beside and above the table
    max_gap: int = 2  # frames without a blob that are bridged
    max_step_m: float = (
        0.9  # fastest ball a frame, on the scale of the table: 27 m/s at 30 frames/s
    )
    min_turn_px: float = 1.5  # fall before and rise after a bounce, summed over two steps
    margin_m: float = 0.05  # a bounce mapped so far off the table still counts
    point: Literal["centre", "lowest"] = "lowest"  # what of the blob is mapped; lowest errs less


@dataclass(frozen=True, slots=True, eq=False)
class PlainBounces:
    """Bounces without error bars, in time order."""

    t_s: FloatArray  # (n,) stamp of the frame [s]
    xy_m: FloatArray  # (n, 2) on the table, world frame [m]
    frame: FloatArray  # (n,) index of the frame


@dataclass(frozen=True, slots=True, eq=False)
class Path2D:
    """One ball image a frame, in time order; frames without one are left out."""

    frame: FloatArray  # (n,)
    t_s: FloatArray  # (n,) [s]
    uv_px: FloatArray  # (n, 2) what is mapped
    middle_px: FloatArray  # (n, 2) centre, which is followed


def plain_bounces(
    clip: Path | str,
    corners_uv: FloatArray,
    ball_colour: Colour | Literal["auto"] = "auto",
    settings: PlainSettings | None = None,
) -> PlainBounces:
    """Bounces of a clip by the plain method.

    Parameters
    ----------
    clip : Path or str
        The clip.
    corners_uv : array, (4, 2)
        Table corners in the picture, (x, y) = (-, -), (-, +), (+, +), (+, -) [px].
    ball_colour : {'auto', 'orange', 'white'}
        Colour of the ball; 'auto' takes the one whose blob moves smoothly in more frames.
    settings : PlainSettings, optional
        Limits.

    Returns
    -------
    PlainBounces
        What it takes for bounces.
    """
    s = settings or PlainSettings()
    colours: tuple[Colour, ...] = ("orange", "white") if ball_colour == "auto" else (ball_colour,)
    paths = blob_paths(iter_frames(clip), colours, np.asarray(corners_uv, float), s)
    best = max(paths, key=lambda p: smooth_steps(p, np.asarray(corners_uv, float), s))
    return turns(best, np.asarray(corners_uv, float), s)


def nearest_frame_bounces(
    seen: Detections | Tracks, corners_uv: FloatArray, settings: PlainSettings | None = None
) -> PlainBounces:
    """Bounces from detections: frame nearest the bounce and the homography of four corners.

    Parameters
    ----------
    seen : Detections or Tracks
        Of detections the best scored a frame is followed; of tracks, in each frame the one that
        belongs to the longest piece.
    corners_uv : array, (4, 2)
        Table corners in the picture, (x, y) = (-, -), (-, +), (+, +), (+, -) [px].
    settings : PlainSettings, optional
        Limits.

    Returns
    -------
    PlainBounces
        What it takes for bounces.
    """
    s = settings or PlainSettings()
    if isinstance(seen, Tracks):
        d = seen.detections
        weight = np.zeros(len(d))
        for member in seen.members:
            weight[member] = np.maximum(weight[member], len(member))
        rows = np.flatnonzero(weight > 0)
    else:
        d, weight, rows = seen, seen.score, np.arange(len(seen))
    # best of each frame: sort by frame, then by falling weight, and take the first
    rows = rows[np.lexsort((-weight[rows], d.frame[rows]))]
    rows = rows[np.unique(d.frame[rows], return_index=True)[1]]
    uv = d.uv_px[rows]
    lowest = uv + np.column_stack([np.zeros(len(rows)), d.radius_px[rows]])
    path = Path2D(
        d.frame[rows].astype(float), d.t_s[rows], lowest if s.point == "lowest" else uv, uv
    )
    return turns(path, np.asarray(corners_uv, float), s)


# --- the table's scale ---------------------------------------------------------------------------
def table_from_image(corners_uv: FloatArray) -> FloatArray:
    """(3, 3) homography from pixels to metres on the table."""
    half = np.array([TABLE_LENGTH_M.value, TABLE_WIDTH_M.value]) / 2
    corners = half * np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])
    h = cv2.getPerspectiveTransform(corners_uv.astype(np.float32), corners.astype(np.float32))
    return np.asarray(h, float)


def mapped(h: FloatArray, uv_px: FloatArray) -> FloatArray:
    """(n, 2) points through a homography."""
    p = np.column_stack([uv_px, np.ones(len(uv_px))]) @ h.T
    return p[:, :2] / p[:, 2:]


def pixels_per_metre(corners_uv: FloatArray) -> float:
    """Scale of the picture at the table: of its longer sides, which perspective shortens least."""
    sides = np.linalg.norm(corners_uv - np.roll(corners_uv, 1, axis=0), axis=1)
    real = [TABLE_LENGTH_M.value, TABLE_WIDTH_M.value] * 2
    return float(np.max(sides / real))


# --- 1. the blob ---------------------------------------------------------------------------------
def blob_paths(
    frames: Iterable[Frame], colours: tuple[Colour, ...], corners_uv: FloatArray, s: PlainSettings
) -> list[Path2D]:
    """The largest moving blob of each colour, through all frames (decoded once)."""
    scale = pixels_per_metre(corners_uv)
    found: list[list[tuple[float, ...]]] = [[] for _ in colours]
    before: ByteImage | None = None
    for frame in frames:
        frame, origin = cropped(frame, corners_uv, s)
        luma = frame.luma.copy()  # the planes live no longer than the frame
        if before is not None:
            moving = cv2.threshold(cv2.absdiff(luma, before), s.difference, 255, cv2.THRESH_BINARY)[
                1
            ]
            for rows, colour in zip(found, colours, strict=True):
                mask = cv2.bitwise_and(moving, colour_mask(frame, colour, s))
                blob = largest_blob(mask, 2 * BALL_RADIUS_M.value * scale, s)
                if blob is not None:
                    u, v, lowest = blob
                    place = u + origin[0], v + origin[1], lowest + origin[1]
                    rows.append((frame.index, frame.t_s, *place))
        before = luma
    return [path_of(rows, s) for rows in found]


def cropped(
    frame: Frame, corners_uv: FloatArray, s: PlainSettings
) -> tuple[Frame, tuple[int, int]]:
    """The window about the table that a person would draw, and its first pixel."""
    scale = pixels_per_metre(corners_uv)
    beside, above = (m * scale for m in s.window_m)
    low = np.maximum(corners_uv.min(axis=0) - (beside, above), 0).astype(int) // 2 * 2
    high = (corners_uv.max(axis=0) + beside).astype(int) // 2 * 2
    full = slice(low[1], high[1]), slice(low[0], high[0])
    half = slice(low[1] // 2, high[1] // 2), slice(low[0] // 2, high[0] // 2)
    part = replace(frame, luma=frame.luma[full], cb=frame.cb[half], cr=frame.cr[half])
    return part, (int(low[0]), int(low[1]))


def colour_mask(frame: Frame, colour: Colour, s: PlainSettings) -> ByteImage:
    """255 where a pixel has the colour, at the size of luma."""
    if colour == "orange":
        chroma = (frame.cb <= s.orange_cb_max) & (frame.cr >= s.orange_cr_min)
    else:
        grey = 128 - s.white_chroma_max, 128 + s.white_chroma_max
        chroma = (frame.cb > grey[0]) & (frame.cb < grey[1])
        chroma &= (frame.cr > grey[0]) & (frame.cr < grey[1])
    height, width = frame.luma.shape
    mask: ByteImage = cv2.resize(
        chroma.astype(np.uint8) * 255, (width, height), interpolation=cv2.INTER_NEAREST
    )
    if colour == "white":
        mask &= cv2.compare(frame.luma, s.white_luma_min, cv2.CMP_GE)
    return mask


def largest_blob(
    mask: ByteImage, diameter_px: float, s: PlainSettings
) -> tuple[float, float, float] | None:
    """Centre (u, v) and lowest row of the largest blob that may be a ball."""
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    _, labels, stats, centres = cv2.connectedComponentsWithStats(mask)
    disc_px2 = np.pi / 4 * diameter_px**2
    area = stats[:, cv2.CC_STAT_AREA].copy()
    area[0] = 0  # the background
    fits = np.flatnonzero((area >= s.min_size * disc_px2) & (area <= s.max_size * disc_px2))
    for k in fits[np.argsort(-area[fits])]:
        left, top, width, height = stats[k, :4]
        rows, columns = np.nonzero(labels[top : top + height, left : left + width] == k)
        _, sides, _ = cv2.minAreaRect(np.column_stack([columns, rows]).astype(np.float32))
        # a disc or a swept disc fills its rectangle by pi / 4 or more
        full = area[k] >= 0.6 * (sides[0] + 1) * (sides[1] + 1)
        if full and min(sides) + 1 <= s.max_width * diameter_px:
            return float(centres[k, 0]), float(centres[k, 1]), float(top + height - 1)
    return None


def path_of(rows: list[tuple[float, ...]], s: PlainSettings) -> Path2D:
    """Rows of (frame, t, u, v, lowest v) as a path."""
    a = np.array(rows, float).reshape(-1, 5)
    middle = a[:, 2:4]
    return Path2D(a[:, 0], a[:, 1], a[:, [2, 4]] if s.point == "lowest" else middle, middle)


# --- 2. the turn of the vertical motion ----------------------------------------------------------
def follows(path: Path2D, corners_uv: FloatArray, s: PlainSettings) -> BoolArray:
    """(n - 1,) whether each image can be the next of the one before it."""
    gap = np.diff(path.frame)
    step_px = np.linalg.norm(np.diff(path.middle_px, axis=0), axis=1)
    reach_px = gap * s.max_step_m * pixels_per_metre(corners_uv)
    ok: BoolArray = (gap <= s.max_gap + 1) & (step_px <= reach_px)
    return ok


def smooth_steps(path: Path2D, corners_uv: FloatArray, s: PlainSettings) -> int:
    """How many images move on about as they moved before: a measure of being a ball."""
    if len(path.frame) < 3:
        return 0
    ok = follows(path, corners_uv, s)
    velocity = np.diff(path.middle_px, axis=0) / np.diff(path.frame)[:, None]
    change = np.linalg.norm(np.diff(velocity, axis=0), axis=1)
    fast = np.linalg.norm(velocity[1:], axis=1)
    return int(np.sum(ok[1:] & ok[:-1] & (fast > 2.0) & (change < 0.5 * fast)))


def turns(path: Path2D, corners_uv: FloatArray, s: PlainSettings) -> PlainBounces:
    """Frames in which the image turns from going down to going up, and lies on the table."""
    n = len(path.frame)
    v = path.middle_px[:, 1]
    ok = follows(path, corners_uv, s) if n > 1 else np.zeros(0, bool)
    h = table_from_image(corners_uv)
    half = np.array([TABLE_LENGTH_M.value, TABLE_WIDTH_M.value]) / 2 + s.margin_m
    kept: list[int] = []
    for i in range(1, n - 1):
        if not (ok[i - 1] and ok[i] and v[i] >= v[i - 1] and v[i] > v[i + 1]):
            continue
        first = i - 2 if i >= 2 and ok[i - 2] else i - 1
        last = i + 2 if i + 2 < n and ok[i + 1] else i + 1
        if min(v[i] - v[first], v[i] - v[last]) < s.min_turn_px:
            continue
        if np.all(np.abs(mapped(h, path.uv_px[i : i + 1])[0]) <= half):
            kept.append(i)
    k = np.array(kept, int)
    return PlainBounces(path.t_s[k], mapped(h, path.uv_px[k]), path.frame[k])
