"""Possible images of the ball."""

from dataclasses import dataclass, fields

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types.arrays import FloatArray, IntArray, check_shapes


@dataclass(frozen=True, slots=True, eq=False)
class Detections:
    """Possible ball images of one clip, in frame order; n may be 0; several a frame are usual.

    `t_s` is the frame's own stamp (PTS). The time at which the ball was seen also depends on its
    row, t = t_s + exposure/2 + readout v/H, and is added by whoever knows the shutter.
    """

    frame: IntArray  # (n,) index of the frame
    t_s: FloatArray  # (n,) stamp of the frame, on the clip's own clock [s]
    uv_px: FloatArray  # (n, 2) centre of the streak (mid-exposure); (0, 0) centre of first pixel
    cov_uv_px2: FloatArray  # (n, 2, 2) covariance of uv_px [px^2]
    radius_px: FloatArray  # (n,) half the width across the streak [px]
    streak_px: FloatArray  # (n, 2) travel of the centre during exposure, sign unknown [px]
    score: FloatArray  # (n,) 0-1, how much it looks like the ball
    source: IntArray  # (n,) 0 classical finder, 1 network, 2 recovered along a flight

    def __post_init__(self) -> None:
        n = len(self.frame)
        check_shapes(
            self, frame=(n,), t_s=(n,), uv_px=(n, 2), cov_uv_px2=(n, 2, 2), radius_px=(n,),
            streak_px=(n, 2), score=(n,), source=(n,),
        )  # fmt: skip
        if np.any(np.diff(self.frame) < 0):
            raise BadInput("Detections must be in frame order; sort them by frame first")

    def __len__(self) -> int:
        return len(self.frame)

    def take(self, rows: IntArray) -> "Detections":
        """The chosen rows; they must keep frame order."""
        return Detections(*(getattr(self, f.name)[rows] for f in fields(self)))

    @staticmethod
    def empty() -> "Detections":
        """No detection at all."""
        return Detections(
            np.zeros(0, np.int64), np.zeros(0), np.zeros((0, 2)), np.zeros((0, 2, 2)),
            np.zeros(0), np.zeros((0, 2)), np.zeros(0), np.zeros(0, np.int64),
        )  # fmt: skip


def concatenate(parts: "list[Detections]") -> Detections:
    """One table of all parts, which must follow each other in frame order."""
    if not parts:
        return Detections.empty()
    return Detections(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Detections))
    )
