"""Detections that belong together in the image."""

from dataclasses import dataclass

from halfvolley.types.arrays import IntArray
from halfvolley.types.detections import Detections


@dataclass(frozen=True, slots=True, eq=False)
class Tracks:
    """Smooth pieces of image motion: each is the path of one thing between two kinks.

    Pieces may share detections: rival hypotheses are kept until physics decides.
    """

    detections: Detections
    members: tuple[IntArray, ...]  # rows of `detections`, one a frame at most, in frame order
