"""Exposure from the length of streaks, readout from the flights themselves."""

from dataclasses import replace

import numpy as np

from halfvolley.flight.chains import Chain
from halfvolley.flight.refine import Course, Setting
from halfvolley.flight.shared import N_GLOBALS, SHUTTER
from halfvolley.types import Detections, Shutter

FAST_PX = 12.0  # travel from frame to frame of a sighting whose streak is worth reading
FEWEST_STREAKS = 10
STREAK_BIAS = 0.1  # share by which all streaks may be misread: shading, threshold


def with_streaks(
    chains: list[Chain], detections: Detections, shutter: Shutter, frame_s: float
) -> Shutter:
    """The shutter with its exposure read off the streaks of balls in flight, unless given.

    A streak is as long as the image speed times the exposure. Speed is the difference between
    neighbours in a piece; the median over all fast sightings is robust against bad streaks.
    """
    if shutter.source == "given":
        return shutter
    d = detections
    ratios = [np.zeros(0)]
    for piece in (p for chain in chains for p in chain.pieces if len(p.rows) >= 4):
        m = piece.rows
        velocity = (d.uv_px[m[2:]] - d.uv_px[m[:-2]]) / (d.t_s[m[2:]] - d.t_s[m[:-2]])[:, None]
        speed = np.hypot(*velocity.T)
        length = np.hypot(*d.streak_px[m[1:-1]].T)
        fast = (speed * frame_s > FAST_PX) & np.isfinite(length)
        ratios.append(length[fast] / speed[fast])
    every = np.concatenate(ratios)
    if len(every) < FEWEST_STREAKS:
        return shutter
    exposure = float(np.median(every))
    spread = 1.4826 * float(np.median(np.abs(every - exposure)))
    sd = float(np.hypot(1.25 * spread / np.sqrt(len(every)), STREAK_BIAS * exposure + 2e-4))
    return replace(shutter, exposure_s=min(exposure, frame_s), exposure_sd_s=sd, source="estimated")


def combine(courses: list[Course], s: Setting, shutter: Shutter) -> Shutter:
    """Readout as all courses together show it; each holds the prior, which must count once."""
    if shutter.source == "given" or not courses:
        return shutter
    at = slice(SHUTTER.start - N_GLOBALS, SHUTTER.stop - N_GLOBALS)  # counted from the end
    prior = s.prior_info[SHUTTER, SHUTTER]
    info, y = prior.copy(), prior @ s.prior_mean[SHUTTER]
    for c in courses:
        own = np.linalg.inv(c.cov[at, at])
        info += own - prior
        y += own @ c.globals[SHUTTER] - prior @ s.prior_mean[SHUTTER]
    mean = np.linalg.solve(info, y)
    sd = np.sqrt(np.maximum(np.diag(np.linalg.inv(info)), 0.0))
    return Shutter(float(mean[1]), float(sd[1]), float(mean[0]), float(sd[0]), "estimated")
