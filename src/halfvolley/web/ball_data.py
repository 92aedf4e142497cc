"""Why each candidate was taken or refused as the ball, arranged from what the stages kept."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from halfvolley.session.pipeline import kept_result
from halfvolley.session.schema import Session, read_session
from halfvolley.track import TrackSettings, faint
from halfvolley.types import BoolArray, Detections, Flights, FloatArray, IntArray, Tracks

Json = dict[str, Any]
STILL_RADII = 1.0  # a trace that stays within this many radii of a ball stands still
STILL_FRAMES = 6
TAKEN, STILL, ODD, FAINT, ALONE = range(5)
"""What became of a candidate: the ball; in a trace that stands still; in one that no ball can fly;
unlike a ball; in no trace at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """All candidates of one clip and what became of each."""

    detections: Detections
    fate: IntArray  # (n,) one of the above
    n_frames: int
    known: bool = True  # False: nothing is known as session.toml stands

    def of_frame(self, frame: int) -> list[Json]:
        """The candidates of one frame, the ball first, then those most like one."""
        d = self.detections
        first, end = np.searchsorted(d.frame, [frame, frame + 1])
        rows = np.arange(first, end)
        order = np.lexsort((-d.score[rows], self.fate[rows]))
        return [
            {
                "uv": np.round(d.uv_px[i], 2).tolist(), "r": round(float(d.radius_px[i]), 2),
                "score": round(float(d.score[i]), 3), "fate": int(self.fate[i]),
            }
            for i in rows[order]
        ]  # fmt: skip

    def frames(self) -> list[int]:
        """For each frame 2 where the ball was found, 1 where only others were, 0 where nothing."""
        out = np.zeros(self.n_frames, np.int64)
        out[self.detections.frame] = 1
        out[self.detections.frame[self.fate == TAKEN]] = 2
        return out.tolist()

    def within(self, regions: list[FloatArray]) -> tuple[int, int]:
        """How many sightings of the ball, and of other things, lie in some regions."""
        inside = np.zeros(len(self.detections), bool)
        for region in regions:
            inside |= _inside(region, self.detections.uv_px)
        taken = self.fate == TAKEN
        return int(np.sum(inside & taken)), int(np.sum(inside & ~taken))


def read_candidates(folder: Path, clip: str, n_frames: int) -> Candidates:
    """The candidates of a clip of so many frames; none where it must be measured first."""
    session: Session = read_session(folder)
    tracks, flights = (kept_result(session, clip, stage) for stage in ("track", "flight"))
    if tracks is None or flights is None:
        return Candidates(Detections.empty(), np.zeros(0, np.int64), n_frames, known=False)
    d = flights.detections
    return Candidates(d, _fates(d, tracks, flights), n_frames)


def _fates(d: Detections, tracks: Tracks, flights: Flights) -> IntArray:
    fate = np.full(len(d), ALONE, np.int64)
    fate[faint(d, TrackSettings().faint_share)] = FAINT
    for rows in tracks.members:
        own = rows[rows < len(d)]
        fate[own] = STILL if _stands_still(d, own) else ODD
    for arc in flights.arcs:
        fate[arc.rows] = TAKEN
    return fate


def _stands_still(d: Detections, rows: IntArray) -> bool:
    if len(rows) < STILL_FRAMES:
        return False
    reach = np.ptp(d.uv_px[rows], axis=0).max()
    return bool(reach < STILL_RADII * float(np.median(d.radius_px[rows])))


def _inside(region: FloatArray, uv_px: FloatArray) -> BoolArray:
    """Which points lie in a region, to a pixel."""
    if not len(uv_px):
        return np.zeros(0, bool)
    pixel = np.maximum(np.rint(uv_px), 0).astype(np.int64)
    width, height = pixel.max(axis=0) + 1
    drawn = np.zeros((height, width), np.uint8)
    cv2.fillPoly(drawn, [np.rint(region).astype(np.int32)], 1)
    return drawn[pixel[:, 1], pixel[:, 0]] > 0
