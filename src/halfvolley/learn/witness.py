"""Flights as witnesses: which arcs are good, and where exactly they say that the ball was.

An arc's state is shared with a whole course of play, whose camera and shutter were refined for
that course alone; projected through the clip's camera it is off by a few pixels, smoothly. This
offset is read off the arc's own sightings, all of them together, so that no single sighting moves
the prediction by much.
"""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.learn.predict import Predicted, in_picture, predict_arc
from halfvolley.physics import Environment
from halfvolley.types import (
    Arc,
    BoolArray,
    ClipCamera,
    Contact,
    Flights,
    FloatArray,
    IntArray,
    Shutter,
)


@dataclass(frozen=True, slots=True)
class WitnessSettings:
    """What a good arc is, and how its offset is found."""

    sure_bounce: float = 0.85  # a course with a table contact this probable is play at this table
    least_contact: float = 0.7  # an arc between less probable contacts is doubted
    fewest_rows: int = 4  # sightings of a good arc
    least_share: float = 0.6  # of the frames it spans, those with a sighting
    most_rms: float = 2.5  # weighted residual of the fit
    most_scatter: float = 0.2  # median miss about the corrected prediction, in radii; or
    most_scatter_px: float = 1.0  # in pixels, whichever is larger
    late_sd_s: float = 0.003  # by how much exposure, readout and clock may be off in a course
    shift_sd_px: float = 1.0  # the camera of a course against the clip's
    outlier_px: float = 1.0  # a sighting this far off counts half


@dataclass(frozen=True, slots=True, eq=False)
class Witness:
    """One arc in the pictures, corrected. n frames."""

    arc: Arc
    predicted: Predicted
    uv_px: FloatArray  # (n, 2) corrected centre [px]
    row: IntArray  # (n,) row of Flights.detections that the arc claims there; -1: none
    miss_px: FloatArray  # (n,) distance of that sighting; NaN: none [px]
    scatter_px: float  # median of these
    near_contact: BoolArray  # (n,) the frame that shows a touch, or one beside it
    loose: BoolArray  # (n,) first or last sighting where no contact is known: one may lie before it
    doubts: tuple[str, ...]  # why it is no good witness; empty: it is one

    @property
    def good(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.doubts

    def seen_within(self, frames: int) -> BoolArray:
        """(n,) Whether the arc has a sighting at most so many frames before and after each."""
        n = len(self.row)
        at = np.flatnonzero(self.row >= 0)
        if not len(at):
            return np.zeros(n, bool)
        i = np.arange(n)
        before = np.searchsorted(at, i, side="right") - 1
        after = np.searchsorted(at, i)
        has = (before >= 0) & (after < len(at))
        gap_before = i - at[np.maximum(before, 0)]
        gap_after = at[np.minimum(after, len(at) - 1)] - i
        return has & (gap_before <= frames) & (gap_after <= frames)


def witnesses(
    flights: Flights,
    frame_t_s: FloatArray,
    camera: ClipCamera,
    environment: Environment,
    settings: WitnessSettings | None = None,
) -> tuple[Witness, ...]:
    """Every arc of a clip as a witness.

    Parameters
    ----------
    flights : Flights
        Of the clip.
    frame_t_s : (m,) float64
        Stamps of all its frames [s].
    camera : ClipCamera
        Of the clip.
    environment : Environment
        Ball and air.
    settings : WitnessSettings, optional
        Limits.

    Returns
    -------
    tuple of Witness
        In the order of the arcs; those that are doubted say why.
    """
    s = settings or WitnessSettings()
    frame_s = float(np.median(np.diff(frame_t_s))) if len(frame_t_s) > 1 else 1.0 / 60.0
    contacts = {contact.contact_id: contact for contact in flights.contacts}
    sure = {
        c.chain for c in flights.contacts if c.kind == "table" and c.probability >= s.sure_bounce
    }
    out = []
    for arc in flights.arcs:
        predicted = predict_arc(arc, frame_t_s, camera, flights.shutter, environment)
        ends = [contacts[i] for i in (arc.contact_in, arc.contact_out) if i in contacts]
        out.append(_witness(arc, predicted, flights, ends, sure, camera.camera.size_px, frame_s, s))
    return tuple(out)


def _witness(
    arc: Arc, predicted: Predicted, flights: Flights, ends: list[Contact], sure: set[int],
    size_px: tuple[int, int], frame_s: float, s: WitnessSettings,
) -> Witness:  # fmt: skip
    d = flights.detections
    known = {contact.contact_id for contact in ends}
    row = np.full(len(predicted), -1, np.int64)
    place = {int(frame): i for i, frame in enumerate(predicted.frame)}
    for r in arc.rows:
        i = place.get(int(d.frame[r]))
        if i is not None:
            row[i] = r
    has = row >= 0
    offset = _offset(predicted, d.uv_px[row[has]], has, flights.shutter, s)
    uv = predicted.uv_px + offset
    predicted = replace(predicted, in_picture=predicted.in_picture & in_picture(uv, size_px))
    miss = np.full(len(predicted), np.nan)
    miss[has] = np.hypot(*(d.uv_px[row[has]] - uv[has]).T)
    scatter = float(np.median(miss[has])) if has.any() else np.inf
    near = np.zeros(len(predicted), bool)
    for contact in ends:
        near |= np.abs(predicted.t_s - contact.t_s) < frame_s + 2.0 * contact.t_sd_s
    loose = np.zeros(len(predicted), bool)
    if has.any():
        if arc.contact_in not in known:
            loose[np.flatnonzero(has)[0]] = True
        if arc.contact_out not in known:
            loose[np.flatnonzero(has)[-1]] = True
    doubts = _doubts(arc, predicted, has, scatter, ends, sure, s)
    return Witness(arc, predicted, uv, row, miss, scatter, near, loose, doubts)


def _doubts(
    arc: Arc, predicted: Predicted, has: BoolArray, scatter_px: float, ends: list[Contact],
    sure: set[int], s: WitnessSettings,
) -> tuple[str, ...]:  # fmt: skip
    """In words, what speaks against an arc."""
    out = []  # short: it stands under small pictures
    if not ends or not any(contact.chain in sure for contact in ends):
        out.append("no sure bounce on the table")
    if ends and min(contact.probability for contact in ends) < s.least_contact:
        out.append("an unsure touch at an end")
    if has.sum() < s.fewest_rows or has.sum() < s.least_share * _span(has):
        out.append("seen in few frames")
    if arc.residual_rms > s.most_rms:
        out.append("fits badly")
    radius = float(np.median(predicted.radius_px)) if len(predicted) else 0.0
    if scatter_px > max(s.most_scatter_px, s.most_scatter * radius):
        out.append("sightings scatter")
    return tuple(out)


def _span(has: BoolArray) -> int:
    at = np.flatnonzero(has)
    return int(at[-1] - at[0] + 1) if len(at) else 0


def _offset(
    predicted: Predicted, seen_px: FloatArray, has: BoolArray, shutter: Shutter, s: WitnessSettings
) -> FloatArray:
    """(n, 2) by how much the arc's projection is off, smooth along the arc [px].

    Six numbers: a delay, a delay that grows with the row, a shift and its drift over the arc; all
    with priors, by least squares with Cauchy's weights.
    """
    n = len(predicted)
    if not has.any():
        return np.zeros((n, 2))
    velocity = predicted.streak_px / shutter.exposure_s
    along = np.linspace(-1.0, 1.0, n) if n > 1 else np.zeros(1)
    v = predicted.uv_px[:, 1]
    row = (v - np.median(v)) / max(float(np.ptp(v)), 50.0)
    A = np.zeros((n, 2, 6))
    A[:, :, 0] = velocity * s.late_sd_s
    A[:, :, 1] = velocity * row[:, None] * s.late_sd_s
    for axis in (0, 1):
        A[:, axis, 2 + axis] = s.shift_sd_px
        A[:, axis, 4 + axis] = s.shift_sd_px * along
    B, off = A[has], seen_px - predicted.uv_px[has]
    weight = np.ones(len(off))
    x = np.zeros(6)
    for _ in range(10):
        normal = np.einsum("nij,nik,n->jk", B, B, weight) + s.outlier_px**2 * np.eye(6)
        x = np.linalg.solve(normal, np.einsum("nij,ni,n->j", B, off, weight))
        miss = np.hypot(*(off - B @ x).T)
        weight = 1.0 / (1.0 + (miss / s.outlier_px) ** 2)
    return np.asarray(A @ x)
