"""Cameras that see three sides of a table: the fourth is hidden or outside the picture."""

import numpy as np

from halfvolley.camera import three_kernels
from halfvolley.camera.table import CENTRE, NET, STRIPS
from halfvolley.constants import EDGE_LINE_WIDTH_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.types import BoolArray, ByteImage, Camera, FloatArray, IntArray

PLACES = 16  # on each line, looked at when cameras are compared
FOCALS = 28  # tried, evenly spread in their logarithm


def _places() -> tuple[FloatArray, FloatArray, IntArray]:
    """(n, 3) places on the lines, (n, 3) beside them towards the inside, (n,) which line."""
    along = np.linspace(0.04, 0.96, PLACES)[:, None]
    on, beside = [], []
    for k, strip in enumerate(STRIPS):
        # the centre line is crossed by the net, and both are looked at away from each other
        points = strip.start_m + (strip.end_m - strip.start_m) * along
        on.append(points)
        beside.append(points + (0.06 if k != NET else 0.05) * strip.inward)
    strips = np.repeat(np.arange(len(STRIPS)), PLACES)
    clear = (strips != CENTRE) | (np.abs(np.concatenate(on)[:, 0]) > 0.15)
    return np.concatenate(on)[clear], np.concatenate(beside)[clear], strips[clear]


ON_M, BESIDE_M, STRIP_OF = _places()


def _inside() -> FloatArray:
    """(40, 3) places on the table away from its lines and from the net."""
    x = np.array([-1.25, -1.0, -0.75, -0.5, -0.25, 0.25, 0.5, 0.75, 1.0, 1.25])
    y = np.array([-0.6, -0.25, 0.25, 0.6])
    xx, yy = np.meshgrid(x, y, indexing="ij")
    return np.stack([xx.ravel(), yy.ravel(), np.zeros(xx.size)], axis=1)


INSIDE_M = _inside()


def cameras_of_three(
    planes: ByteImage, abc: FloatArray, running: FloatArray, zero: float, dark: FloatArray,
    alike: BoolArray, focals_px: tuple[float, float], most: int,
) -> list[tuple[float, Camera]]:  # fmt: skip
    """Cameras without distortion that see three of the table's lines, best first.

    Parameters
    ----------
    planes : (3, h, w) uint8
        Luma, cb, cr.
    abc : (n, 3) float64
        Directed lines.
    running : (n, cells + 1) float64
        Their support.
    zero : float
        Coordinate of the first cell is -zero.
    dark : (n, 3) float64
        Luma, cb - 128 and cr - 128 on their dark side.
    alike : (n, n) bool
        Which lines can border one surface.
    focals_px : tuple of float
        Shortest and longest focal length [px].
    most : int
        Sets of three lines that are looked at.

    Returns
    -------
    list of (float, Camera)
        With what `glances` says of them.
    """
    height, width = planes.shape[1:]
    if len(abc) < 3:
        return []
    members, facts = three_kernels.three_sides(
        abc, running, zero, alike, (width, height), 0.03 * width, 50_000
    )
    best = np.argsort(-(facts[:, 0] + 0.5 * facts[:, 1]), kind="stable")[:most]
    members, facts = members[best], facts[best]
    w = 2.0 * EDGE_LINE_WIDTH_M.value
    score, rows = three_kernels.best_focal(
        planes, abc, dark, members, np.ascontiguousarray(facts[:, 2:]),
        np.geomspace(*focals_px, FOCALS), TABLE_LENGTH_M.value - w, TABLE_WIDTH_M.value - w, ON_M,
        BESIDE_M, STRIP_OF, INSIDE_M,
    )  # fmt: skip
    centre = np.array([0.5 * (width - 1), 0.5 * (height - 1)])
    out = []
    for i, j in np.argwhere(score > 0.0):
        row = rows[i, j]
        camera = Camera(
            size_px=(width, height), f_px=float(row[0]), c_px=centre, k=np.zeros(2),
            R=row[1:10].reshape(3, 3), t_m=row[10:], cov=np.zeros((11, 11)),
        )  # fmt: skip
        out.append((float(score[i, j]), camera))
    return sorted(out, key=lambda pair: -pair[0])


def glances(planes: ByteImage, cameras: list[Camera], surfaces: FloatArray) -> FloatArray:
    """(n,) how much of a table cameras without distortion explain, roughly.

    Parameters
    ----------
    planes : (3, h, w) uint8
        Luma, cb, cr.
    cameras : list of Camera
        Where the table may be.
    surfaces : (n, 3) float64
        Luma, cb - 128 and cr - 128 that its surface would have.

    Returns
    -------
    (n,) float64
        Up to 9: see `three_kernels.glance`.
    """
    rows = np.array([[c.f_px, *c.c_px, *c.R.ravel(), *c.t_m] for c in cameras]).reshape(-1, 15)
    return three_kernels.glances(planes, rows, surfaces, ON_M, BESIDE_M, STRIP_OF, INSIDE_M)
