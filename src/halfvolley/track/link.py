"""Detections to tracks: every smooth piece of image motion, rivals included."""

import itertools
from dataclasses import dataclass

import numpy as np

from halfvolley.track.clutter import faint
from halfvolley.track.kernels import link
from halfvolley.types import Detections, IntArray, Tracks


@dataclass(frozen=True, slots=True)
class TrackSettings:
    """How far a path may bend and pause; who changes one raises the stage's version.

    Lengths are shares of the picture's width, so that one setting serves every size.
    """

    max_speed_widths_ps: float = 6.0  # 35 m/s at 300 px/m in a 1920 px picture
    max_acceleration_widths_ps2: float = 14.0  # drag of a smash plus gravity, seen from 3 m
    jerk_widths_ps3: float = 40.0  # how quickly that may change: perspective, lift
    max_gap_s: float = 0.075  # longer gaps are bridged by physics, not by the picture
    gate_sd2: float = 24.0  # squared innovations beyond this end a piece: 6 in a million true ones
    min_step_px: float = 0.3  # what stands still is not a flight
    max_size_ratio: float = 2.0  # radius from one sighting to the next
    min_length: int = 3
    floor_px: float = 0.4  # no claimed error is believed below this, nor below
    floor_radii: float = 0.08  # this share of the ball's radius: shading, ragged blobs
    most_a_frame: int = 6  # best scores first; the rest may still be found along a flight
    faint_share: float = 0.35  # of the clip's good scores; vague ones below it are left out


def find_tracks(
    detections: Detections, width_px: int, settings: TrackSettings | None = None
) -> Tracks:
    """Smooth pieces of image motion in one clip.

    Parameters
    ----------
    detections : Detections
        Several a frame, in frame order.
    width_px : int
        Width of the picture [px].
    settings : TrackSettings, optional
        Limits of motion.

    Returns
    -------
    Tracks
        Pieces of at least `min_length` detections; they may share detections.

    Notes
    -----
    Each pair of detections that moves no faster than a ball can starts a piece, which a
    constant-acceleration Kalman filter extends while the next detection stays in the gate.
    A contact breaks a piece, since no ball bends that fast in flight.
    """
    s = settings or TrackSettings()
    clear = np.flatnonzero(~faint(detections, s.faint_share))
    rows = clear[_best_of_each_frame(detections.take(clear), s.most_a_frame)]
    d = detections.take(rows)
    if len(d) < s.min_length:
        return Tracks(detections, ())
    first = np.searchsorted(d.frame, np.arange(d.frame[-1] + 2))
    # at a low rate two frames without a sighting, three steps, already last longer
    max_gap_s = max(s.max_gap_s, 3.2 * _frame_interval_s(d))
    variance = 0.5 * np.trace(d.cov_uv_px2, axis1=1, axis2=2)
    variance += s.floor_px**2 + (s.floor_radii * d.radius_px) ** 2
    linked, starts = link(
        d.frame,
        d.t_s,
        d.uv_px,
        variance,
        np.maximum(d.radius_px, 0.5),
        first.astype(np.int64),
        s.min_step_px,
        s.max_speed_widths_ps * width_px,
        max_gap_s,
        s.max_acceleration_widths_ps2 * width_px,
        (s.jerk_widths_ps3 * width_px) ** 2 * max_gap_s,
        s.gate_sd2,
        s.max_size_ratio,
    )
    pieces = [rows[linked[a:b]] for a, b in itertools.pairwise(starts)]
    return Tracks(detections, tuple(_without_parts(pieces, s.min_length)))


def _frame_interval_s(detections: Detections) -> float:
    """Usual time from one frame to the next [s]; 0 where there is one frame only."""
    _, one_each = np.unique(detections.frame, return_index=True)
    steps = np.diff(detections.t_s[one_each]) / np.diff(detections.frame[one_each])
    return float(np.median(steps)) if len(steps) else 0.0


def _best_of_each_frame(detections: Detections, most: int) -> IntArray:
    """Rows of the best scores of each frame, in frame order."""
    order = np.lexsort((-detections.score, detections.frame))
    frame = detections.frame[order]
    place = np.arange(len(frame)) - np.searchsorted(frame, frame)
    return np.sort(order[place < most])


def _without_parts(pieces: list[IntArray], min_length: int) -> list[IntArray]:
    """Drop pieces that are contained in a longer one, then order by time."""
    kept: list[IntArray] = []
    owners: dict[int, list[set[int]]] = {}
    for piece in sorted(pieces, key=len, reverse=True):
        if len(piece) < min_length:
            continue
        rows = set(piece.tolist())
        if any(rows <= other for other in owners.get(int(piece[0]), [])):
            continue
        kept.append(piece)
        for row in rows:
            owners.setdefault(row, []).append(rows)
    return sorted(kept, key=lambda p: (p[0], -len(p)))
