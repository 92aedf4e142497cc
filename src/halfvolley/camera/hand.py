"""Corners given by hand: are they possible, in which order, and how good is the camera they say."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from halfvolley.camera.find import FindSettings, pose_of_corners
from halfvolley.camera.projection import intersect_plane, project, project_jacobian
from halfvolley.camera.refine import misses
from halfvolley.camera.sightings import Tone, cuts_of, sight
from halfvolley.camera.table import CORNERS_M, NET
from halfvolley.errors import BadInput, Unknown
from halfvolley.types import ByteImage, Camera, FloatArray

ORDER = (
    "the right order is clockwise in the picture, beginning with the two corners of end A: "
    "(-,-) (-,+) (+,+) (+,-)"
)
CLICK_SD_PX = 3.0  # of a corner given by hand
REACH_PX = 25.0  # at 1920 wide: how far from its place a line is looked for
LEAST_SEEN = 0.5  # of the lines within the picture; less may be anything
OUTLIER_SDS = 4.685  # from the rest of its line, as where a camera is refined: another thing
LEAST_SPREAD_PX = 0.3


def check_corners(
    corners_px: FloatArray | Sequence[Sequence[float]], size_px: tuple[int, int]
) -> FloatArray:
    """The corners as (4, 2), if they can be a table seen from above.

    Parameters
    ----------
    corners_px : (4, 2) array_like
        At (x, y) = (-,-), (-,+), (+,+), (+,-) [px].
    size_px : tuple of int
        Width and height of the picture.

    Returns
    -------
    (4, 2) float64
        The same.

    Raises
    ------
    BadInput
        In one sentence which corners are wrong and the right order.
    """
    try:
        corners = np.asarray(corners_px, dtype=np.float64)
    except (TypeError, ValueError):
        corners = np.zeros(0)
    if corners.shape != (4, 2):
        said = corners_px if isinstance(corners_px, str) else f"an array of shape {corners.shape}"
        raise BadInput(f"corners need four pairs u,v, got {said}")
    if not np.isfinite(corners).all():
        raise BadInput(f"corner {_number(~np.isfinite(corners).all(axis=1))} is not a number")
    far = np.abs(corners - 0.5 * np.array(size_px)).max(axis=1) > 3.0 * size_px[0]
    if far.any():
        raise BadInput(
            f"corner {_number(far)} lies more than three picture widths away; give it in pixels of "
            f"the {size_px[0]} x {size_px[1]} picture"
        )
    _check_shape(corners, size_px[0])
    return corners


def _number(wrong: Any) -> int:
    return int(np.flatnonzero(wrong)[0]) + 1


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    """Twice the area of a triangle, positive where it runs clockwise in the picture."""
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _check_shape(corners: FloatArray, width: int) -> None:
    for i in range(4):
        for j in range(i):
            if np.hypot(*(corners[i] - corners[j])) < 0.004 * width:
                raise BadInput(f"corners {j + 1} and {i + 1} are the same place; {ORDER}")
    turns = np.array([_turn(corners[i - 1], corners[i], corners[(i + 1) % 4]) for i in range(4)])
    sides = np.array(
        [
            np.hypot(*(corners[i] - corners[i - 1]))
            * np.hypot(*(corners[(i + 1) % 4] - corners[i]))
            for i in range(4)
        ]
    )
    flat = np.abs(turns) < 0.01 * sides
    if flat.any():
        i = int(np.flatnonzero(flat)[0])
        three = sorted({(i - 1) % 4 + 1, i + 1, (i + 1) % 4 + 1})
        raise BadInput(
            f"corners {three[0]}, {three[1]} and {three[2]} lie on one line: no camera above the "
            "table sees it so"
        )
    clockwise = turns > 0
    if clockwise.all():
        return
    if not clockwise.any():
        raise BadInput(
            "the corners run anticlockwise in the picture; swap the first two and the last two: "
            f"{_listed(corners[[1, 0, 3, 2]])}"
        )
    if clockwise.sum() == 2:
        raise BadInput(f"the corners cross; try {_listed(_clockwise_from_first(corners))}: {ORDER}")
    inner = clockwise if clockwise.sum() == 1 else ~clockwise
    raise BadInput(
        f"corner {_number(inner)} lies inside the other three: a table shows no such shape"
    )


def _clockwise_from_first(corners: FloatArray) -> FloatArray:
    middle = corners.mean(axis=0)
    angle = np.arctan2(*(corners - middle).T[::-1])
    order = np.argsort((angle - angle[0]) % (2.0 * np.pi), kind="stable")
    return corners[order]


def _listed(corners: FloatArray) -> str:
    return " ".join(f"{u:.0f},{v:.0f}" for u, v in corners)


def check_order(turn: int, corners: FloatArray) -> None:
    """Refuse corners that begin with a long side.

    Parameters
    ----------
    turn : int
        By how many places the table's own corners are rolled to lie on the given ones.
    corners : (4, 2) float64
        As given [px].

    Raises
    ------
    BadInput
        If the first two are not the corners of one end.
    """
    if turn % 2:
        raise BadInput(
            "the first two corners are those of a long side, not of end A; give "
            f"{_listed(np.roll(corners, -1, axis=0))}, or the same "
            "begun with its third corner if A is the other end"
        )


def quad_camera(corners: FloatArray, size_px: tuple[int, int]) -> Camera | None:
    """Camera without distortion that sees the table's corners there; None where none does.

    Parameters
    ----------
    corners : (4, 2) float64
        In the order of CORNERS_M [px].
    size_px : tuple of int
        Width and height of the picture.

    Returns
    -------
    Camera or None
        With the covariance that four such points give.
    """
    fitted = pose_of_corners(
        corners, size_px, CORNERS_M, FindSettings(min_f_share=0.3, max_f_share=6.0)
    )
    if fitted is None or fitted[1] > 0.02 * size_px[0]:
        return None
    camera, miss = fitted
    return replace(camera, cov=_cov_of_corners(camera, max(CLICK_SD_PX, miss)))


def corner_miss(camera: Camera, corners: FloatArray) -> tuple[float, float]:
    """How far the worst of four given corners is from the table's, as a camera sees it.

    Parameters
    ----------
    camera : Camera
        As `camera_of_corners` gives it.
    corners : (4, 2) float64
        As given [px].

    Returns
    -------
    tuple of float
        In the picture [px], and on the table [mm].
    """
    off_px = project(camera, CORNERS_M) - corners
    off_m = (intersect_plane(camera, corners, 0.0) - CORNERS_M)[:, :2]
    return float(np.hypot(*off_px.T).max()), 1e3 * float(np.hypot(*off_m.T).max())


@dataclass(frozen=True, slots=True)
class LineMiss:
    """How far the table's lines in a picture are from those of a camera."""

    px: float  # rms across the lines [px]
    mm: float  # the same on the table [mm]
    share: float  # of the lines within the picture, that were seen


def line_miss(luma: ByteImage, camera: Camera, tone: Tone | None = None) -> LineMiss | Unknown:
    """How well a camera fits the table's lines in a picture, nothing being fitted.

    Parameters
    ----------
    luma : (h, w) uint8
        Picture as coded.
    camera : Camera
        As `camera_of_corners` gives it.
    tone : Tone, optional
        Tone curve and sharpness of the picture, where they are known.

    Returns
    -------
    LineMiss or Unknown
        Unknown where too little of the lines is seen near their places.
    """
    reach_px = REACH_PX * max(camera.size_px[0] / 1920.0, 0.6)
    cuts = cuts_of(camera)
    cuts = cuts.take(cuts.strip != NET)
    seen = sight(luma, cuts, tone or Tone(), reach_px)
    if len(seen) < max(1.0, LEAST_SEEN * len(cuts)):
        return Unknown(f"no lines of a table are seen within {reach_px:.0f} px of these")
    off_px, off_mm = misses(camera, seen)
    own = np.ones(len(seen), bool)
    for strip in np.unique(seen.strip):
        rows = seen.strip == strip
        apart = np.abs(off_px[rows] - np.median(off_px[rows]))
        own[rows] = apart <= OUTLIER_SDS * max(1.4826 * float(np.median(apart)), LEAST_SPREAD_PX)
    px, mm = (float(np.sqrt(np.mean(off[own] ** 2))) for off in (off_px, off_mm))
    return LineMiss(px, mm, float(np.sum(own)) / len(cuts))


def camera_of_corners(corners: FloatArray, size_px: tuple[int, int]) -> Camera:
    """As `quad_camera`, but corners that no camera sees are refused.

    Raises
    ------
    BadInput
        If no camera above the table sees it so.
    """
    camera = quad_camera(corners, size_px)
    if camera is None:
        if quad_camera(np.roll(corners, -1, axis=0), size_px) is not None:
            check_order(1, corners)
        raise BadInput(f"no camera sees a table with corners at {_listed(corners)}; {ORDER}")
    return camera


def _cov_of_corners(camera: Camera, sd_px: float) -> FloatArray:
    """Covariance of a camera that rests on four points, with the usual beliefs."""
    _, _, d = project_jacobian(camera, CORNERS_M)
    J = d.reshape(8, 11) / sd_px
    width = camera.size_px[0]
    prior = np.zeros(11)
    prior[0] = (0.7 * camera.f_px) ** -2.0
    prior[1:3] = (0.01 * width) ** -2.0
    prior[3:5] = np.array([0.15, 0.05]) ** -2.0
    A = J.T @ J + np.diag(prior)
    size = np.sqrt(np.diag(A))
    cov: FloatArray = np.linalg.inv(A / np.outer(size, size)) / np.outer(size, size)
    return cov
