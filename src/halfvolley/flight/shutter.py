"""Exposure from the length of streaks, readout from the flights themselves."""

from dataclasses import replace

import numpy as np

from halfvolley.flight.refine import Course, Setting
from halfvolley.types import Shutter, Tracks


def with_streaks(tracks: Tracks, shutter: Shutter, frame_s: float) -> Shutter:
    """The shutter with its exposure read off the streaks, unless it was given.

    A streak is as long as the image speed times the exposure. Speed is the difference between
    neighbours in a piece; the median over all fast sightings is robust against wrong pieces.
    """
    if shutter.source == "given":
        return shutter
    d = tracks.detections
    ratios = []
    for m in tracks.members:
        if len(m) < 6:
            continue
        velocity = (d.uv_px[m[2:]] - d.uv_px[m[:-2]]) / (d.t_s[m[2:]] - d.t_s[m[:-2]])[:, None]
        speed = np.hypot(*velocity.T)
        length = np.hypot(*d.streak_px[m[1:-1]].T)
        fast = (speed * frame_s > 10.0) & (length > 3.0) & np.isfinite(length)
        ratios.append(length[fast] / speed[fast])
    every = np.concatenate(ratios) if ratios else np.zeros(0)
    if len(every) < 20:
        return shutter
    exposure = float(np.median(every))
    spread = 1.4826 * float(np.median(np.abs(every - exposure)))
    sd = max(1.25 * spread / np.sqrt(len(every)), 0.1 * exposure)
    return replace(shutter, exposure_s=min(exposure, frame_s), exposure_sd_s=sd, source="estimated")


def combine(courses: list[Course], s: Setting, shutter: Shutter) -> Shutter:
    """Readout as all courses together show it; each holds the prior, which must count once."""
    if shutter.source == "given" or not courses:
        return shutter
    at = slice(-7, -5)  # exposure, readout of GLOBALS, counted from the end
    prior = s.prior_info[14:16, 14:16]
    info, y = prior.copy(), prior @ s.prior_mean[14:16]
    for c in courses:
        own = np.linalg.inv(c.cov[at, at])
        info += own - prior
        y += own @ c.globals[14:16] - prior @ s.prior_mean[14:16]
    mean = np.linalg.solve(info, y)
    sd = np.sqrt(np.maximum(np.diag(np.linalg.inv(info)), 0.0))
    return Shutter(float(mean[1]), float(sd[1]), float(mean[0]), float(sd[0]), "estimated")
