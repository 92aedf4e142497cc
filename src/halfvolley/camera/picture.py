"""The table's model as lines in a picture, for drawing."""

from itertools import pairwise

import numpy as np

from halfvolley.camera.projection import project
from halfvolley.camera.table import (
    CORNERS_M,
    HALF_LENGTH_M,
    HALF_WIDTH_M,
    POSTS_M,
)
from halfvolley.constants import EDGE_LINE_WIDTH_M
from halfvolley.types import Camera, FloatArray

LINE_NAMES = ("outer edge", "inner edge of the lines", "centre line", "net", "net foot")


def model_polylines(camera: Camera, step_m: float = 0.05) -> list[FloatArray]:
    """The table's model as polylines, bent by the lens as the picture is.

    Parameters
    ----------
    camera : Camera
        At one pose.
    step_m : float
        Distance between points [m].

    Returns
    -------
    list of (n, 2) float64
        In the order of `LINE_NAMES` [px]; NaN where a point is behind the camera.
    """
    w = EDGE_LINE_WIDTH_M.value
    inner = CORNERS_M - np.sign(CORNERS_M) * w
    top = np.array([[0.0, -HALF_WIDTH_M, 0.0], [0.0, HALF_WIDTH_M, 0.0]])
    foot = POSTS_M * np.array([1.0, 1.0, 0.0])
    net = np.concatenate([foot[:1], POSTS_M, foot[1:]])
    centre = np.array([[-HALF_LENGTH_M + w, 0.0, 0.0], [HALF_LENGTH_M - w, 0.0, 0.0]])
    shapes = (
        CORNERS_M[[0, 1, 2, 3, 0]],
        inner[[0, 1, 2, 3, 0]],
        centre,
        net,
        top,
    )
    return [project(camera, _dense(shape, step_m)) for shape in shapes]


def _dense(points: FloatArray, step_m: float) -> FloatArray:
    """Points along a polyline at even steps, its corners among them."""
    parts = []
    for a, b in pairwise(points):
        n = max(1, int(np.ceil(np.linalg.norm(b - a) / step_m)))
        parts.append(a + (b - a) * np.linspace(0.0, 1.0, n, endpoint=False)[:, None])
    return np.concatenate([*parts, points[-1:]])
