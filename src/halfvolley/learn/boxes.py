"""Labels as boxes in pictures: the noun of the exchange formats, and the way there and back.

Boxes are in continuous picture coordinates: the picture reaches from 0 to its width, so the centre
of the first pixel is at 0.5 (docs/conventions.md counts pixel centres at integers).
"""

import math
from dataclasses import dataclass, field

from halfvolley.ball import RadiusMap
from halfvolley.learn.harvest import RallyTimes
from halfvolley.types import FloatArray, Label

BALL = "ball"  # the only class that is written
SAME_PX = 0.01  # what is nearer than this was rounded by a file
Edges = tuple[float, float, float, float]  # left, top, right, bottom [px]


@dataclass(frozen=True, slots=True)
class Box:
    """One marked thing in a picture."""

    name: str  # of its class
    edges_px: Edges
    confidence: float | None = None  # 0-1; None where the file says nothing
    cut: bool = False  # the thing reaches beyond the picture


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a data set with its boxes; no box says that there is no ball."""

    file: str  # name within the folder of pictures
    size_px: tuple[int, int]
    boxes: tuple[Box, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ClipFacts:
    """What labels must agree with."""

    name: str
    size_px: tuple[int, int]
    frame_t_s: FloatArray  # (n,) stamps of all frames [s]
    radius: RadiusMap | None = field(default=None)  # None: the clip is not measured
    rallies: RallyTimes | None = field(default=None)

    def radius_at(self, u: float, v: float) -> tuple[float, float] | None:
        """Smallest and largest radius of a ball in play at a place [px]; None: not known."""
        if self.radius is None:
            return None
        import numpy as np

        low, high = self.radius.at(np.array([[u, v]]))[0]
        return (float(low), float(high)) if math.isfinite(low) else None


def picture_name(clip: str, frame: int, suffix: str) -> str:
    """File name of a frame's picture."""
    return f"{clip}_{frame:06d}{suffix}"


def frame_of_name(file: str) -> tuple[str, int] | None:
    """Clip and frame of a picture named by `picture_name`; None for any other name."""
    stem = file.rsplit(".", 1)[0]
    clip, mark, number = stem.rpartition("_")
    if not mark or not clip or not (number.isascii() and number.isdigit()) or len(number) > 9:
        return None
    return clip, int(number)


def box_of(label: Label, size_px: tuple[int, int]) -> Box | None:
    """A label's box within the picture; None for a label without a place or outside of it."""
    edges = label.box_px
    if edges is None:
        return None
    width, height = size_px
    left, top = max(edges[0], 0.0), max(edges[1], 0.0)
    right, bottom = min(edges[2], float(width)), min(edges[3], float(height))
    if right <= left or bottom <= top:
        return None
    inside = (left, top, right, bottom)
    return Box(BALL, inside, label.confidence, cut=inside != edges)


def same_box(a: Edges, b: Edges) -> bool:
    """Whether two boxes differ by rounding only."""
    return all(abs(x - y) < SAME_PX for x, y in zip(a, b, strict=True))


def shape_of(edges: Edges, limits_px: tuple[float, float] | None) -> tuple[
    tuple[float, float], float, tuple[float, float] | None
]:  # fmt: skip
    """Centre, radius and streak that a box made elsewhere stands for.

    Parameters
    ----------
    edges : tuple of float
        Left, top, right, bottom [px].
    limits_px : tuple of float or None
        Smallest and largest radius of the ball there, where the camera is known.

    Returns
    -------
    uv_px : tuple of float
        Centre, pixel centres at integers.
    radius_px : float
        Half the shorter side; less where no ball is so large there, as with a slanted streak.
    streak_px : tuple of float or None
        What is left of both sides; which way a slanted streak leans, a box cannot tell. None for a
        square: no streak, or none that shows.
    """
    left, top, right, bottom = edges
    width, height = right - left, bottom - top
    radius = 0.5 * min(width, height)
    if limits_px is not None and radius > limits_px[1]:
        radius = 0.5 * (limits_px[0] + limits_px[1])
    streak = (width - 2.0 * radius, height - 2.0 * radius)
    centre = (0.5 * (left + right) - 0.5, 0.5 * (top + bottom) - 0.5)
    return centre, radius, None if streak == (0.0, 0.0) else streak
