"""Telling detections that know where they are from those that would fit any path."""

import numpy as np

from halfvolley.types import BoolArray, Detections, FloatArray

VAGUE_RADII = 0.3  # of a ball's radius: sharp balls are known five times better across their motion
VAGUE_TIMES = 3.0  # as badly as the good detections of the clip; where all are bad, this decides
GOOD_SHARE = 0.7  # of the best scores of the clip


def good_score(detections: Detections) -> float:
    """Score that the best of every tenth frame exceeds; 0 without detections."""
    if not len(detections):
        return 0.0
    first = np.flatnonzero(np.diff(detections.frame, prepend=detections.frame[0] - 1))
    return float(np.quantile(np.maximum.reduceat(detections.score, first), 0.9))


def vagueness(detections: Detections) -> FloatArray:
    """(n,) how badly a detection knows its place across its motion; above 1 it tells little.

    A ball is sharp across its motion, however long its streak is along it. A blob of something
    else is not, and what is known to several pixels only lies on any path.
    """
    d = detections
    if not len(d):
        return np.zeros(0)
    radii = np.sqrt(np.linalg.eigvalsh(d.cov_uv_px2)[:, 0]) / np.maximum(d.radius_px, 0.5)
    good = radii[d.score >= GOOD_SHARE * good_score(d)]
    return np.asarray(radii / max(VAGUE_RADII, VAGUE_TIMES * float(np.median(good))))


def faint(detections: Detections, share: float) -> BoolArray:
    """(n,) what is vague and also looks much less like a ball than the good ones of the clip."""
    d = detections
    return np.asarray((vagueness(d) > 1.0) & (d.score < share * good_score(d)))
