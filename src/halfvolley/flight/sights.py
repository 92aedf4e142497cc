"""Detections as lines of sight: when and along which ray each was seen, and how well."""

from dataclasses import dataclass, fields

import numpy as np

from halfvolley.camera.kernels import undistort_radius
from halfvolley.camera.projection import pose_at
from halfvolley.track import good_score, vagueness
from halfvolley.types import ClipCamera, Detections, FloatArray, IntArray, Shutter, Tracks

SEEN = 0.6  # log-odds for the ball of any sighting that lies on a flight, and with it its score
LEAST_GOOD = 0.2  # score of the clip's good sightings; below it there may be no ball at all
SMOOTH_SHARE = 0.3  # of long pieces that look like the ball, at least so many are flights


@dataclass(frozen=True, slots=True, eq=False)
class Sights:
    """Detections with their time, pose and undistorted coordinates, in frame order."""

    frame: IntArray  # (n,)
    t_s: FloatArray  # (n,) time at which the ball was seen there (mid-exposure of its row) [s]
    lever: FloatArray  # (n, 2) derivative of t_s to exposure and readout
    R: FloatArray  # (n, 3, 3) camera_from_world
    t_m: FloatArray  # (n, 3) [m]
    ab: FloatArray  # (n, 2) undistorted image coordinates, x/z and y/z
    sd: FloatArray  # (n,) standard deviation of ab, mean of both directions
    uv_px: FloatArray  # (n, 2)
    white: FloatArray  # (n, 2, 2) W with W^T W the inverse covariance of uv [1/px]
    speed_px: FloatArray  # (n, 2) streak over the exposure [px]
    radius_px: FloatArray  # (n,)
    score: FloatArray  # (n,) over that of the clip's good sightings
    odds: FloatArray  # (n,) log-odds that it is the ball if it lies on a flight

    def __len__(self) -> int:
        return len(self.frame)

    def take(self, rows: IntArray) -> "Sights":
        """The chosen rows."""
        return Sights(*(getattr(self, f.name)[rows] for f in fields(self)))


def sights(
    detections: Detections,
    camera: ClipCamera,
    shutter: Shutter,
    floor_px: float,
    scale: float = 1.0,
) -> Sights:
    """Lines of sight of detections.

    Parameters
    ----------
    detections : Detections
        Rows in frame order.
    camera : ClipCamera
        Camera with pose through time.
    shutter : Shutter
        Readout and exposure used for the times.
    floor_px : float
        Least standard deviation believed of any detection [px].
    scale : float
        Factor on the claimed standard deviations, see `claims_scale`.

    Returns
    -------
    Sights
        One line of sight a detection.
    """
    c = camera.camera
    uv = detections.uv_px
    lever = np.column_stack([np.full(len(uv), 0.5), uv[:, 1] / c.size_px[1]])
    t_s = detections.t_s + lever @ np.array([shutter.exposure_s, shutter.readout_s])
    R, t_m = pose_at(camera, t_s)
    cov = scale**2 * detections.cov_uv_px2 + floor_px**2 * np.eye(2)
    white = np.linalg.inv(np.linalg.cholesky(cov)) if len(uv) else np.zeros((0, 2, 2))
    sd = np.sqrt(0.5 * np.trace(cov, axis1=1, axis2=2)) / c.f_px
    # what a ball scores differs from hall to hall: the clip's good sightings say how much
    score = np.minimum(detections.score / max(good_score(detections), LEAST_GOOD), 1.0)
    odds = SEEN + score - np.log1p(vagueness(detections) ** 2)
    return Sights(
        detections.frame, t_s, lever, R, t_m, undistorted(camera, uv), sd, uv, white,
        detections.streak_px, detections.radius_px, score, odds,
    )  # fmt: skip


def claims_scale(tracks: Tracks, shortest: int = 7) -> float:
    """By how much true errors of detections exceed the claimed ones, never less than 1.

    Third differences of a smooth path are all noise: weights (1, -3, 3, -1), variance 20 sigma^2
    for equal errors. Flights are the smoothest pieces, so a low quantile over pieces
    is theirs. What all detections share (a bias) does not show here.
    """
    d = tracks.detections
    weights = np.array([1.0, -3.0, 3.0, -1.0])
    long = [
        m
        for m in tracks.members
        if len(m) >= shortest and len(m) == d.frame[m[-1]] - d.frame[m[0]] + 1
    ]
    # the half that looks most like the ball
    likeness = [float(np.mean(d.score[m])) for m in long]
    ratios = []
    for m in [m for m, x in zip(long, likeness, strict=True) if x >= np.median(likeness)]:
        four = np.stack([m[k : len(m) - 3 + k] for k in range(4)])
        third = np.einsum("k,kni->ni", weights, d.uv_px[four])
        cov = np.einsum("k,knij->nij", weights**2, d.cov_uv_px2[four])
        squares = np.einsum("ni,nij,nj->n", third, np.linalg.inv(cov), third)
        ratios.append(float(np.median(squares)) / 1.386)
    if not ratios:
        return 1.0
    return float(np.sqrt(max(np.quantile(ratios, SMOOTH_SHARE), 1.0)))


def undistorted(camera: ClipCamera, uv_px: FloatArray) -> FloatArray:
    """(n, 2) image coordinates x/z, y/z of pixels, free of distortion."""
    c = camera.camera
    ab = (uv_px - c.c_px) / c.f_px
    d = np.hypot(ab[:, 0], ab[:, 1])
    r = np.array([undistort_radius(float(c.k[0]), float(c.k[1]), float(x)) for x in d])
    scale = np.where(d > 0, r / np.where(d > 0, d, 1.0), 1.0)
    return np.where(np.isfinite(scale), scale, 1.0)[:, None] * ab
