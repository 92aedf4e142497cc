"""Square pieces of kept pictures, as the network takes them."""
# mypy: allow-untyped-defs

import numpy as np

from halfvolley.ball.swept import exactly
from halfvolley.types.arrays import ByteImage, FloatArray, IntArray


@exactly
def corners_of(centres: FloatArray, side: int, size: tuple[int, int]) -> IntArray:
    """(n, 2) left and top of pieces inside the picture where they fit; multiples of 4."""
    out = np.empty((len(centres), 2), np.int64)
    for k in range(len(centres)):
        for i in range(2):
            start = min(max(centres[k, i] - side / 2, 0.0), max(size[i] - side, 0.0))
            out[k, i] = int(start) // 4 * 4
    return out


def cut(
    luma: ByteImage, cb: ByteImage, cr: ByteImage, slots: IntArray, corners: IntArray, side: int,
    shrink: int = 1,
) -> tuple[ByteImage, ByteImage]:  # fmt: skip
    """Luma and chroma of pieces in several frames; beyond the picture its edge goes on.

    Parameters
    ----------
    luma : (m, h / shrink, w / shrink) uint8
        Kept frames, already shrunk.
    cb, cr : (m, h / 2, w / 2) uint8
        The same in colour, not yet shrunk.
    slots : (f,) int64
        Those of the frames wanted, in their order.
    corners : (n, 2) int64
        Left and top of the pieces in the whole picture, multiples of 4 [px].
    side : int
        Of a piece, shrunk.
    shrink : int
        How often a piece is shrunk: 1, 2 or 4.

    Returns
    -------
    luma : (n, f, side, side) uint8
    chroma : (n, 2 f, side / 2, side / 2) uint8
        cb and cr of the first frame, then of the next.
    """
    n, f = len(corners), len(slots)
    y = np.empty((n, f, side, side), np.uint8)
    c = np.empty((n, 2 * f, side // 2, side // 2), np.uint8)
    _cut(luma, cb, cr, slots, corners, shrink, y, c)
    return y, c


@exactly
def _cut(luma, cb, cr, slots, corners, shrink, out_y, out_c):
    for k in range(len(corners)):
        u, v = corners[k, 0], corners[k, 1]
        for i in range(len(slots)):
            _part(luma[slots[i]], u // shrink, v // shrink, out_y[k, i])
            for plane, out in ((cb, out_c[k, 2 * i]), (cr, out_c[k, 2 * i + 1])):
                if shrink == 1:
                    _part(plane[slots[i]], u // 2, v // 2, out)
                else:
                    _shrunk_part(plane[slots[i]], u // 2, v // 2, shrink, out)


@exactly
def _part(plane, u, v, out):
    """Write a piece from column u and row v on."""
    h, w = plane.shape
    side = out.shape[1]
    inside = min(side, w - u)
    for i in range(len(out)):
        row, to = plane[min(v + i, h - 1)], out[i]
        for j in range(inside):
            to[j] = row[u + j]
        for j in range(inside, side):
            to[j] = row[w - 1]


@exactly
def _shrunk_part(plane, u, v, shrink, out):
    """The same of means of `shrink` by `shrink` pixels."""
    h, w = plane.shape
    area = shrink * shrink
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total = area // 2
            for a in range(shrink):
                row = plane[min(v + i * shrink + a, h - 1)]
                for b in range(shrink):
                    total += row[min(u + j * shrink + b, w - 1)]
            out[i, j] = total // area
