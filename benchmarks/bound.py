"""How well each bounce could be known: the Bayesian bound of the joint refinement.

The truth is put in place of what was found: the true camera, contacts, flights and sights of the
ball (every frame that shows it), with the errors that the detections of this clip really had, along
and across the streak. The inverse of the information there, with the unknowns and priors of the
estimator itself, is what no estimator can beat on average (van Trees' inequality): `bound_m`.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scoring import SEEN_CONTRAST, SEEN_SHARE, Floats, Truth

from halfvolley.flight.outcome import arcs_and_contacts
from halfvolley.flight.refine import Course, refine, setting
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import sights
from halfvolley.types import Camera, ClipCamera, Detections, Flights, Shutter

REV = 2.0 * np.pi
FEWEST = 20  # sights from which the errors of detections can be told
KINDS = {"table": "table", "racket": "racket", "net": "net", "floor": "floor", "edge": "other"}


@dataclass(frozen=True, slots=True)
class Noise:
    """Errors of the detections on flights, robust standard deviations [px]."""

    along_px: float
    across_px: float
    n: int


def noise_of(truth: Truth, flights: Flights) -> Noise | None:
    """What detections on flights are off by; None where there are too few."""
    d = flights.detections
    balls = {f["i"]: f["ball"] for f in truth.document["frames"] if f["ball"]}
    rows = [np.asarray(arc.rows) for arc in flights.arcs]
    off = []
    for row in np.unique(np.concatenate(rows)) if rows else ():
        ball = balls.get(int(d.frame[row]))
        if ball is None or "uv_end" not in ball:
            continue
        turn = directions(np.array([ball["uv_end"]]) - np.array([ball["uv_start"]]))[0]
        error = turn @ (d.uv_px[row] - [ball["u"], ball["v"]])
        if np.hypot(*error) < 5.0 + ball["blur_px"]:  # else it was no sight of the ball
            off.append(error)
    if len(off) < FEWEST:
        return None
    along, across = 1.4826 * np.median(np.abs(np.array(off)), axis=0)
    return Noise(float(along), float(across), len(off))


def directions(streak_px: Floats) -> Floats:
    """(n, 2, 2) rotations whose rows point along and across streaks (n, 2)."""
    length = np.hypot(*streak_px.T)
    unit = np.where(length[:, None] > 1e-6, streak_px, [1.0, 0.0])
    unit = unit / np.hypot(*unit.T)[:, None]
    return np.stack([unit, np.column_stack([-unit[:, 1], unit[:, 0]])], axis=1)


def bound_m(
    truth: Truth, noise: Noise, camera: Camera, prior: Shutter, settings: FlightSettings
) -> Floats:
    """(n,) root of the summed variances of each bounce that must be found; NaN where not known.

    Parameters
    ----------
    truth : Truth
        The clip as it was.
    noise : Noise
        Errors of its detections.
    camera : Camera
        The camera as it was found, for the covariance that the estimator started from.
    prior : Shutter
        For the standard deviations that the estimator started from.
    settings : FlightSettings
        Priors of air and ball.
    """
    at = clip_camera(truth, camera, prior)
    out = np.full(len(truth.must_t_s), np.nan)
    for rally in truth.document["rallies"]:
        for t_s, sd_m in bounces_of(truth, rally["id"], noise, at, settings):
            same = np.abs(truth.must_t_s - t_s) < 1e-6
            out[same] = sd_m
    return out


def clip_camera(truth: Truth, camera: Camera, prior: Shutter) -> ClipCamera:
    """The true camera through the clip, with the covariance that was claimed."""
    frames = truth.document["frames"]
    lens = truth.lens
    true = Camera(
        camera.size_px, float(lens.K[0, 0]), lens.K[:2, 2], lens.k, lens.R, lens.t, camera.cov
    )
    shutter = replace(prior, readout_s=truth.readout_s, exposure_s=truth.exposure_s)
    pts = np.array([f["pts"] for f in frames], float)
    return ClipCamera(
        true,
        shutter,
        pts,
        np.array([f["rvec"] for f in frames], float),
        np.array([f["tvec"] for f in frames], float),
        np.array([[pts[0], pts[-1]]]),
        0.0,
        0.0,
        (),
    )


def bounces_of(
    truth: Truth, rally: int, noise: Noise, camera: ClipCamera, settings: FlightSettings
) -> list[tuple[float, float]]:
    """(time, root of the summed variances) of the bounces of one rally."""
    document = truth.document
    touches = [
        e
        for e in document["events"]
        if e.get("rally") == rally and e["in_clip"] and e["type"] in KINDS
    ]
    first = next((i for i, e in enumerate(touches) if e["type"] == "racket"), None)
    if first is None:
        return []
    end = next(r["t_end"] for r in document["rallies"] if r["id"] == rally)
    # one touch more than the rally has: the flight after the last bounce tells of it
    n_in = sum(e["t"] <= end + 1e-3 for e in touches)
    serve, touches = touches[first], touches[first + 1 : n_in + 1]
    if not touches:
        return []
    last_s = touches[-1]["pts_t"] if n_in < len(touches) + first + 1 else np.inf
    frames = [
        f
        for f in document["frames"]
        if shown(f["ball"]) and serve["pts_t"] < f["ball"]["pts_t"] < last_s
    ]
    if len(frames) < 2:
        return []
    return refined_at_truth(frames, touches, noise, camera, settings)


def shown(ball: dict[str, Any] | None) -> bool:
    """Whether the frame shows the ball in flight."""
    return (
        ball is not None
        and ball["state"] in ("flight", "dead")
        and ball["visible"] > SEEN_SHARE
        and ball.get("contrast", 0) >= SEEN_CONTRAST
    )


def refined_at_truth(
    frames: list[dict[str, Any]],
    touches: list[dict[str, Any]],
    noise: Noise,
    camera: ClipCamera,
    settings: FlightSettings,
) -> list[tuple[float, float]]:
    """The estimator's covariance where everything is as it was."""
    balls = [f["ball"] for f in frames]
    touches = [e for e in touches if balls[0]["pts_t"] < e["pts_t"] < balls[-1]["pts_t"]]
    seen = sights(true_detections(frames, noise), camera, camera.shutter, 0.0)
    steps = np.diff([f["pts"] for f in frames])
    fixed = setting(seen, camera, camera.shutter, float(np.median(steps)), settings)
    start = balls[0]
    states = [state(start["xyz"], start["vel"], start["spin"])]
    states += [state(e["centre"], e["v_after"], e["spin_after"]) for e in touches]
    course = Course(
        np.arange(len(frames)),
        tuple(KINDS[e["type"]] for e in touches),
        (1.0,) * len(touches),
        np.array(states),
        np.array([start["pts_t"], *(e["pts_t"] for e in touches)]),
        np.zeros((len(states), 2)),
        fixed.prior_mean.copy(),
    )
    # a few steps, as the true coefficients of air and table are not those of the prior
    course = refine(course, fixed, rounds=8)
    _, contacts = arcs_and_contacts(course, fixed, 0, 0, 0)
    return [
        (e["pts_t"], float(np.sqrt(np.trace(c.cov_xyz_m2[:2, :2]))))
        for e, c in zip(touches, contacts, strict=True)
        if e["type"] == "table"
    ]


def state(xyz: list[float], v: list[float], spin: list[float]) -> Floats:
    """(9,) as the refinement has it; spin comes in rev/s."""
    return np.concatenate([xyz, v, REV * np.array(spin)])


def true_detections(frames: list[dict[str, Any]], noise: Noise) -> Detections:
    """The ball where it was, as exact as detections were."""
    balls = [f["ball"] for f in frames]
    n = len(frames)
    streak = np.array([b["uv_end"] for b in balls], float) - [b["uv_start"] for b in balls]
    turn = directions(streak)
    variance = np.diag([noise.along_px**2, noise.across_px**2])
    return Detections(
        np.array([f["i"] for f in frames]),
        np.array([f["pts"] for f in frames], float),
        np.array([[b["u"], b["v"]] for b in balls], float),
        turn.transpose(0, 2, 1) @ variance @ turn,
        np.array([b["radius_px"] for b in balls], float),
        streak,
        np.ones(n),
        np.zeros(n, np.int64),
    )
