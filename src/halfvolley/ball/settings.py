"""What the classical finder may be told."""

from dataclasses import dataclass

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types.arrays import FloatArray, check_shapes


@dataclass(frozen=True, slots=True)
class FinderSettings:
    """Limits of `BallFinder`; who changes one raises the stage's version."""

    max_candidates: int = 12  # kept per frame, best first; physics decides between them later
    max_looks: int = 14  # blobs looked at per frame at every second pixel; bounds the time
    max_fits: int = 6  # of these, measured with every pixel
    known_looks: int = 12  # the same once the ball's colour is known and ranks them well
    known_fits: int = 3
    lag_frames: int = 6  # frames seen ahead of the one being judged; background on both sides
    min_radius_px: float = 2.0  # smallest ball image looked for; below it noise is as round
    max_radius_share: float = 1 / 50  # largest ball image, as a share of the picture's height
    max_streak_share: float = 1 / 12  # longest streak, as a share of the picture's width
    min_change: float = 9.0  # least change that counts, in 8-bit steps; coding noise stays below
    min_score: float = 0.05  # below it a blob is not reported

    def __post_init__(self) -> None:
        if min(self.max_candidates, self.lag_frames, self.known_fits, self.known_looks) < 1:
            raise BadInput(
                "max_candidates, lag_frames, and the numbers of looks and fits must be at least 1"
            )
        if not 1.0 <= self.min_radius_px <= 50.0:
            raise BadInput(f"min_radius_px is {self.min_radius_px}, it must be from 1 to 50")


@dataclass(frozen=True, slots=True, eq=False)
class RadiusMap:
    """How large the ball can look at each place of the picture, on a coarse grid.

    NaN in a cell says that the ball cannot be in play there.
    """

    cell_px: int  # side of a cell [px]
    r_min_px: FloatArray  # (rows, columns) smallest plausible radius [px]
    r_max_px: FloatArray  # (rows, columns) largest plausible radius [px]

    def __post_init__(self) -> None:
        if self.cell_px < 1:
            raise BadInput(f"RadiusMap.cell_px is {self.cell_px}, it must be at least 1")
        if self.r_min_px.ndim != 2:
            raise BadInput("RadiusMap.r_min_px must have rows and columns")
        check_shapes(self, r_max_px=self.r_min_px.shape)
        with np.errstate(invalid="ignore"):
            if np.any(self.r_min_px > self.r_max_px):
                raise BadInput("RadiusMap: r_min_px exceeds r_max_px in a cell; swap them")

    def at(self, uv_px: FloatArray) -> FloatArray:
        """Smallest and largest radius at image places.

        Parameters
        ----------
        uv_px : (n, 2) float64
            Image places [px]; places outside the picture take the nearest cell.

        Returns
        -------
        (n, 2) float64
            r_min, r_max [px]; NaN where the ball cannot be.
        """
        rows, columns = self.r_min_px.shape
        j = np.clip((uv_px[:, 0] + 0.5) // self.cell_px, 0, columns - 1).astype(np.int64)
        i = np.clip((uv_px[:, 1] + 0.5) // self.cell_px, 0, rows - 1).astype(np.int64)
        return np.stack([self.r_min_px[i, j], self.r_max_px[i, j]], axis=1)
