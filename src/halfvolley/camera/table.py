"""The table as a thing to be seen: corners, white lines, net cord, in the world frame."""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import (
    CENTRE_LINE_WIDTH_M,
    EDGE_LINE_WIDTH_M,
    NET_BAND_M,
    NET_HEIGHT_M,
    NET_OVERHANG_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.types import FloatArray, IntArray

HALF_LENGTH_M = 0.5 * TABLE_LENGTH_M.value
HALF_WIDTH_M = 0.5 * TABLE_WIDTH_M.value
NET_END_M = HALF_WIDTH_M + NET_OVERHANG_M.value
TAPE_M = 0.005  # thickness of the net's tape; common practice, no source

CORNERS_M: FloatArray = np.array(
    [
        [-HALF_LENGTH_M, -HALF_WIDTH_M, 0.0],
        [-HALF_LENGTH_M, HALF_WIDTH_M, 0.0],
        [HALF_LENGTH_M, HALF_WIDTH_M, 0.0],
        [HALF_LENGTH_M, -HALF_WIDTH_M, 0.0],
    ]
)
"""Outer corners in the order of `--corners`: (-,-), (-,+), (+,+), (+,-) in (x, y)."""

POSTS_M: FloatArray = np.array(
    [[0.0, -NET_END_M, NET_HEIGHT_M.value], [0.0, NET_END_M, NET_HEIGHT_M.value]]
)
"""Tops of the net posts, -y first: the ends of the net's upper edge."""


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A straight white strip of the table.

    `start_m` to `end_m` is its middle; `section_m` are the corners of its cross-section about the
    middle. `inward` points to the inside of the table (for the net: down).
    """

    name: str
    start_m: FloatArray  # (3,)
    end_m: FloatArray  # (3,)
    inward: FloatArray  # (3,) unit
    section_m: FloatArray  # (k, 3)


def _line(
    name: str, start: tuple[float, float], end: tuple[float, float], inward: tuple[float, float],
    width_m: float,
) -> Strip:  # fmt: skip
    across = np.array([*inward, 0.0])
    half = 0.5 * width_m * across
    return Strip(
        name, np.array([*start, 0.0]), np.array([*end, 0.0]), across, np.stack([-half, half])
    )


def _strips() -> tuple[Strip, ...]:
    a, b, w = HALF_LENGTH_M, HALF_WIDTH_M, EDGE_LINE_WIDTH_M.value
    x, y = a - 0.5 * w, b - 0.5 * w
    band = NET_BAND_M.value
    z = NET_HEIGHT_M.value - 0.5 * band
    tape = np.array(
        [[sx * 0.5 * TAPE_M, 0.0, sz * 0.5 * band] for sx in (-1.0, 1.0) for sz in (-1.0, 1.0)]
    )
    return (
        _line("side -y", (-a, -y), (a, -y), (0.0, 1.0), w),
        _line("side +y", (-a, y), (a, y), (0.0, -1.0), w),
        _line("end -x", (-x, -b), (-x, b), (1.0, 0.0), w),
        _line("end +x", (x, -b), (x, b), (-1.0, 0.0), w),
        _line("centre line", (-a + w, 0.0), (a - w, 0.0), (0.0, 1.0), CENTRE_LINE_WIDTH_M.value),
        Strip(
            "net", np.array([0.0, -NET_END_M, z]), np.array([0.0, NET_END_M, z]),
            np.array([0.0, 0.0, -1.0]), tape,
        ),
    )  # fmt: skip


STRIPS: tuple[Strip, ...] = _strips()
"""The four outer lines, the centre line and the white band of the net, in this order."""

N_OUTER = 4
CENTRE = 4
NET = 5


def strip_points(strip: IntArray, along: FloatArray) -> FloatArray:
    """(n, 3) points on the middle of strips [m]; `along` is 0 at the start and 1 at the end."""
    start = np.stack([s.start_m for s in STRIPS])[strip]
    end = np.stack([s.end_m for s in STRIPS])[strip]
    return start + (end - start) * along[:, None]
