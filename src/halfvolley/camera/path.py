"""From sightings of lines through a clip to the path of its camera, and what happened to it."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import scipy.linalg

from halfvolley.camera.motion import CUT_NOISE_PX, moved_camera, step_between
from halfvolley.camera.projection import rotation_vector
from halfvolley.types import Camera, ClipCamera, FloatArray, Shutter

HIDDEN_END_S = 3.0  # lines hidden to the end of the clip are believed to be still there so long
ROUGH_WITHIN_S = 0.045  # looks further apart say nothing of motion from frame to frame
SightState = Literal["seen", "hidden", "elsewhere"]


@dataclass(frozen=True, slots=True)
class PathSettings:
    """How still a camera is thought to be; pixels are those of a picture 1920 wide."""

    drift_sd_px: float = 0.03  # least wander in the square root of a second
    shift_sd_m: float = 0.0002  # the same for its place: a tripod turns, it hardly travels
    first_shift_sd_m: float = 0.001  # from the calibrated place at the start
    again_shift_sd_m: float = 0.05  # after it was lost and found again
    jump_px: float = 0.35  # a corner's motion from look to look that is no drift
    jump_shift_m: float = 0.005  # how far the place may move in a jump
    event_s: float = 1.0  # jumps nearer than this belong together
    told_px: float = 1.0  # bumps and drifts smaller than this are followed in silence
    warp_px: float = 0.35  # rms of lines about a rigid camera that means a bent picture
    knot_s: float = 0.5  # between knots while nothing happens
    most_events: int = 6  # told one by one
    rough: float = 1.2  # jumps that know nothing of each other have 1.7, a hand at most 1


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """One look at the lines."""

    t_s: float
    state: SightState
    piece: int  # a new one each time the camera had to be found again
    R: FloatArray  # (3, 3) pose around which it looked
    t_m: FloatArray  # (3,)
    off_px: FloatArray  # (n,) of the lines from where they should be; NaN not seen
    sd_px: FloatArray  # (n,)
    J: FloatArray  # (n, 6) how off_px moves with a step
    step: FloatArray  # (6,) from the pose to the lines
    corner_slopes: FloatArray  # (8, 6) how the corners move with a step


def lost_sample(t_s: float, state: SightState) -> Sample:
    """A look at which the lines were not seen."""
    none = np.zeros(0)
    return Sample(t_s, state, -1, np.eye(3), np.zeros(3), none, none, np.zeros((0, 6)),
                  np.zeros(6), np.zeros((8, 6)))  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Samples between two losses, as steps from one reference pose."""

    samples: list[Sample]
    camera: Camera  # reference of the steps
    anchor: FloatArray  # (m, 6) steps to the samples' own poses
    steps: FloatArray  # (m, 6) smoothed
    jump: FloatArray  # (m - 1,) bool
    rms_px: FloatArray  # (m,) about the rigid camera

    @property
    def t_s(self) -> FloatArray:
        return np.array([s.t_s for s in self.samples])

    def corners_px(self) -> FloatArray:
        """(m, 8) how far the corners lie from the reference."""
        return self.steps @ self.samples[0].corner_slopes.T


def follow(
    reference: Camera, shutter: Shutter, samples: Sequence[Sample], span_s: tuple[float, ...],
    zoomed_s: float | None, scale: float, settings: PathSettings = PathSettings(),
) -> ClipCamera:  # fmt: skip
    """The camera through a clip from looks at its lines.

    Parameters
    ----------
    reference : Camera
        As calibrated.
    shutter : Shutter
        Handed through.
    samples : sequence of Sample
        In time order; may be empty.
    span_s : tuple of float
        First and last time of the clip [s]; may be empty.
    zoomed_s : float or None
        When the table was found with another focal length.
    scale : float
        Width of the picture over 1920.
    settings : PathSettings
        How still the camera is thought to be.

    Returns
    -------
    ClipCamera
        See there.
    """
    seen = [s for s in samples if s.state == "seen"]
    groups = [[s for s in seen if s.piece == p] for p in sorted({s.piece for s in seen})]
    pieces: list[_Piece] = []
    bias = np.zeros(len(seen[0].off_px) if seen else 0)
    for k, group in enumerate(groups):
        piece = _smoothed(reference, group, bias, k == 0, scale, settings)
        if k == 0:
            bias = _line_bias(piece, scale)
            piece = _smoothed(reference, group, bias, True, scale, settings)
        pieces.append(piece)
    usable = _usable(samples, span_s)
    t_s, rvec, t_m = _knots(pieces, reference, span_s, settings)
    warnings = _happenings(pieces, samples, usable, span_s, zoomed_s, scale, settings)
    rms = np.concatenate([p.rms_px for p in pieces]) if pieces else np.zeros(0)
    residual = float(np.sqrt(np.nanmean(bias**2) + np.mean(rms**2))) if len(rms) else 0.0
    first = reference
    if pieces:
        first = moved_camera(pieces[0].camera, pieces[0].steps[0])
    return ClipCamera(
        camera=reference.at_pose(first.R, first.t_m), shutter=shutter, knot_t_s=t_s,
        knot_rvec=rvec, knot_t_m=t_m, usable_s=usable, residual_px=residual,
        residual_mm=1e3 * residual / _px_per_m(reference), warnings=tuple(warnings),
    )  # fmt: skip


def _px_per_m(camera: Camera) -> float:
    """Pixels per metre at the middle of the table, across the line of sight."""
    return float(camera.f_px / np.linalg.norm(camera.centre_m))


def _normal_matrices(
    group: list[Sample], anchor: FloatArray, bias: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, list[FloatArray]]:
    """Information (m, 6, 6) and its vector (m, 6) on each step, noise (m,), and misses."""
    m = len(group)
    info, vector = np.zeros((m, 6, 6)), np.zeros((m, 6))
    targets = []
    for i, s in enumerate(group):
        target = s.off_px.astype(np.float64) + s.J @ anchor[i] - bias
        rows = np.isfinite(target)
        weight = np.zeros(len(target))
        weight[rows] = 1.0 / (np.minimum(s.sd_px[rows], 0.3) ** 2 + CUT_NOISE_PX**2)
        info[i] = (s.J * weight[:, None]).T @ s.J
        vector[i] = (s.J[rows] * weight[rows, None]).T @ target[rows]
        targets.append(target)
    return info, vector, np.zeros(m), targets


def _smoothed(
    reference: Camera, group: list[Sample], bias: FloatArray, first: bool, scale: float,
    settings: PathSettings,
) -> _Piece:  # fmt: skip
    """A random walk of steps through the looks of one piece, free to jump where it jumps."""
    camera = reference
    if not first:
        start = group[0]
        camera = moved_camera(reference.at_pose(start.R, start.t_m), start.step)
    anchor = np.array([step_between(camera.R, camera.t_m, s.R, s.t_m) for s in group])
    info, vector, _, targets = _normal_matrices(group, anchor, bias)
    m = len(group)
    t_s = np.array([s.t_s for s in group])
    slopes = group[0].corner_slopes
    # each look alone: its place hardly moves
    alone = info + np.diag([0.0] * 3 + [0.002**-2.0] * 3) + np.diag([1e-2] * 6)
    single = np.linalg.solve(alone, vector[:, :, None])[:, :, 0] @ slopes.T
    cov = np.linalg.inv(alone)
    noise = np.sqrt(np.einsum("ij,mjk,ik->mi", slopes, cov, slopes)).max(axis=1)
    dt = np.maximum(np.diff(t_s), 1e-3)
    moves = np.abs(np.diff(single, axis=0)).max(axis=1) if m > 1 else np.zeros(0)
    both = np.hypot(noise[1:], noise[:-1])
    jump = moves > settings.jump_px * scale + 4.0 * both
    calm = moves[~jump]
    wander = settings.drift_sd_px * scale
    if len(calm) > 5:
        spare = np.median(calm**2) - np.median(both**2)
        wander = max(wander, float(np.sqrt(max(spare, 0.0) / np.median(dt))))
    turn = (wander / reference.f_px) ** 2 * dt + np.where(
        jump, (2.0 * moves / reference.f_px) ** 2, 0
    )
    shift = settings.shift_sd_m**2 * dt + np.where(jump, settings.jump_shift_m**2, 0.0)
    start_sd = settings.first_shift_sd_m if first else settings.again_shift_sd_m
    steps = _walk(info, vector, turn, shift, start_sd)
    rms = np.array(
        [
            np.sqrt(np.nanmean((target - s.J @ x) ** 2))
            for s, target, x in zip(group, targets, steps, strict=True)
        ]
    )
    return _Piece(group, camera, anchor, steps, jump, rms)


def _walk(
    info: FloatArray, vector: FloatArray, turn: FloatArray, shift: FloatArray, start_sd_m: float
) -> FloatArray:
    """Most probable random walk: block tridiagonal normal equations, banded Cholesky."""
    m = len(info)
    n = 6 * m
    band = np.zeros((12, n))  # upper form: band[11 - (j - i), j] = A[i, j]
    tie = np.concatenate([np.repeat(turn[:, None], 3, 1), np.repeat(shift[:, None], 3, 1)], axis=1)
    diagonal = info.copy()
    prior = np.array([0.02**-2.0] * 3 + [start_sd_m**-2.0] * 3)
    diagonal[0] += np.diag(prior)
    for i in range(m - 1):
        strength = 1.0 / tie[i]
        diagonal[i] += np.diag(strength)
        diagonal[i + 1] += np.diag(strength)
        band[5, 6 * i + 6 + np.arange(6)] = -strength
    for a in range(6):
        for b in range(a, 6):
            band[11 - (b - a), b::6] = diagonal[:, a, b]
    size = np.sqrt(band[11])
    band = band[max(12 - n, 0) :]  # a single look has no neighbours
    for k in range(len(band)):
        gap = len(band) - 1 - k
        band[k, gap:] /= size[gap:] * size[: n - gap]
    solved = scipy.linalg.solveh_banded(band, vector.reshape(-1) / size)
    steps: FloatArray = (solved / size).reshape(m, 6)
    return steps


def _line_bias(piece: _Piece, scale: float) -> FloatArray:
    """What each place keeps off by, so that hiding some of them moves nothing.

    The calibrated camera stays the pose of the first look: it rests on more than these places.
    """
    start = np.median(piece.steps[:5], axis=0)
    if np.abs(piece.samples[0].corner_slopes @ start).max() > 0.4 * scale:
        start = np.zeros(6)
    misses = np.array(
        [
            s.off_px + s.J @ (a - x + start)
            for s, a, x in zip(piece.samples, piece.anchor, piece.steps, strict=True)
        ]
    )
    seen = np.isfinite(misses)
    filled = np.where(seen.any(axis=0), misses, 0.0)
    bias: FloatArray = np.nanmedian(filled, axis=0)
    return bias


def _knots(
    pieces: list[_Piece], reference: Camera, span_s: tuple[float, ...], settings: PathSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Knots: sparse while nothing happens, each look where something does."""
    t_s, rvecs, shifts = [], [], []
    for piece in pieces:
        times = piece.t_s
        last = -np.inf
        for i, t in enumerate(times):
            near_jump = piece.jump[max(i - 2, 0) : i + 2].any()
            if t - last < settings.knot_s and not near_jump and i not in (0, len(times) - 1):
                continue
            last = t
            camera = moved_camera(piece.camera, piece.steps[i])
            t_s.append(t)
            rvecs.append(rotation_vector(camera.R))
            shifts.append(camera.t_m)
    if not t_s:
        t_s = [span_s[0] if span_s else 0.0]
        rvecs, shifts = [rotation_vector(reference.R)], [reference.t_m]
    return np.array(t_s), unwrapped(np.array(rvecs)), np.array(shifts)


def unwrapped(rvec: FloatArray) -> FloatArray:
    """The same rotations with vectors that follow each other without a jump.

    A rotation by nearly half a turn has two vectors, and interpolating from one to the other would
    pass through no turn at all.
    """
    out = rvec.copy()
    for i in range(1, len(out)):
        angle = np.linalg.norm(out[i])
        if angle > 1e-9:
            other = out[i] * (1.0 - 2.0 * np.pi / angle)
            if np.linalg.norm(other - out[i - 1]) < np.linalg.norm(out[i] - out[i - 1]):
                out[i] = other
    return out


def _usable(samples: Sequence[Sample], span_s: tuple[float, ...]) -> FloatArray:
    """(j, 2) spans in which the camera is known."""
    if not span_s:
        return np.zeros((0, 2))
    if not any(s.state == "seen" for s in samples):
        # nothing to hold on to: believed still wherever the picture is still the same
        still = [s.t_s for s in samples if s.state == "hidden"]
        whole = bool(still) and all(s.state == "hidden" for s in samples)
        return np.array([span_s]) if whole else np.zeros((0, 2))
    known = [s for s in samples if s.state != "hidden"]
    spans: list[list[float]] = []
    for one, other in pairwise(known):
        if one.state == other.state == "seen" and one.piece == other.piece:
            if spans and spans[-1][1] == one.t_s:
                spans[-1][1] = other.t_s
            else:
                spans.append([one.t_s, other.t_s])
    if known[0].state == "seen":
        spans = _begun(spans, known[0].t_s, span_s[0], 0)
    if known[-1].state == "seen":
        end_s = span_s[1] if span_s[1] - known[-1].t_s < HIDDEN_END_S else known[-1].t_s
        spans = _begun(spans, known[-1].t_s, end_s, 1)
    return np.array(spans).reshape(-1, 2)


def _begun(spans: list[list[float]], t_s: float, end_s: float, side: int) -> list[list[float]]:
    """Reach to the clip's first or last frame from the look nearest to it."""
    span = spans[-side] if spans else [t_s, t_s]
    if span[side] != t_s:
        span = [t_s, t_s]
        spans = [span, *spans] if side == 0 else [*spans, span]
    elif not spans:
        spans = [span]
    span[side] = end_s
    return spans


def _happenings(
    pieces: list[_Piece], samples: Sequence[Sample], usable: FloatArray, span_s: tuple[float, ...],
    zoomed_s: float | None, scale: float, settings: PathSettings,
) -> list[str]:  # fmt: skip
    """What happened to the camera, in words."""
    if not pieces:
        return ["the table's lines were not seen in any frame; the camera is taken to stand still"]
    rms_px = float(np.median(np.concatenate([p.rms_px for p in pieces])))
    bent = rms_px > settings.warp_px * scale
    out = [] if bent else _shakes(pieces, span_s, scale, settings)
    for one, other in pairwise(pieces):
        corners = one.samples[-1].corner_slopes
        step = step_between(one.camera.R, one.camera.t_m, other.camera.R, other.camera.t_m)
        moved = np.abs(corners @ (step + other.steps[0] - one.steps[-1])).max()
        if moved > settings.told_px * scale:
            out.append(
                f"the camera moved between {one.t_s[-1]:.2f} and {other.t_s[0]:.2f} s (the picture "
                f"by {moved:.0f} px); it was found again"
            )
    gaps = _gaps(usable, span_s)
    for a, b in gaps:
        if b - a > 0.5:
            out.append(
                f"from {a:.2f} to {b:.2f} s the table is not where it was: another view, or the "
                "camera was carried; nothing can be measured there"
            )
    if zoomed_s is not None:
        out.append(f"at {zoomed_s:.2f} s the table has another size: the lens was zoomed")
    if bent:
        out.append(
            f"the lines move by {rms_px:.1f} px as no standing camera shows them: digital "
            "stabilisation bends the picture; switch it off"
        )
    drift = (
        max(np.ptp(p.corners_px(), axis=0).max() for p in pieces if not p.jump.any())
        if any(not p.jump.any() for p in pieces)
        else 0.0
    )
    if drift > 3.0 * settings.told_px * scale:
        out.append(f"the camera drifted by {drift:.1f} px over the clip; it was followed")
    return out


def _gaps(usable: FloatArray, span_s: tuple[float, ...]) -> list[tuple[float, float]]:
    edges = [span_s[0], *usable.ravel().tolist(), span_s[1]]
    return [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2) if edges[i + 1] > edges[i]]


def _shakes(
    pieces: list[_Piece], span_s: tuple[float, ...], scale: float, settings: PathSettings
) -> list[str]:
    """Bumps one by one, or that the camera shakes all along."""
    shaken_s = sum(float(np.diff(p.t_s)[p.jump].sum()) for p in pieces)
    way, net = 0.0, 0.0
    for p in pieces:
        moves = np.abs(np.diff(p.corners_px(), axis=0)).max(axis=1)
        way += float(moves[p.jump].sum())
        net += float(np.ptp(p.corners_px(), axis=0).max())
    n = sum(int(p.jump.sum()) for p in pieces)
    if shaken_s > 0.25 * (span_s[1] - span_s[0]) and n > 10 and way > 4.0 * net:
        if _roughness(pieces) > settings.rough:
            return [
                f"the picture jumps by {way / n:.1f} px from frame to frame, as no stand and no "
                "hand moves it: digital stabilisation; switch it off"
            ]
        return [
            f"the camera shakes all the time, by {way / n:.1f} px from look to look; put it on a "
            "tripod that stands on firm floor"
        ]
    events = [event for p in pieces for event in _events(p, settings)]
    told = [e for e in events if max(e.net_px, e.most_px) > settings.told_px * scale]
    if len(told) > settings.most_events:
        return [f"the camera was bumped {len(told)} times; each time it was followed"]
    return [_told(e, settings.told_px * scale) for e in told]


def _roughness(pieces: list[_Piece]) -> float:
    """Second differences of the picture's motion over first ones, from frame to frame.

    A hand and a stand sway at a few hertz, smooth at the rate of frames: well below 1. Jumps that
    know nothing of each other give the square root of 3.
    """
    first, second = [np.zeros(0)], [np.zeros(0)]
    for p in pieces:
        steps = np.diff(p.corners_px(), axis=0)
        dense = np.diff(p.t_s) < ROUGH_WITHIN_S
        both = dense[1:] & dense[:-1]
        first.append(steps[1:][both].ravel())
        second.append(np.diff(steps, axis=0)[both].ravel())
    one, two = np.concatenate(first), np.concatenate(second)
    return float(np.sqrt(np.mean(two**2) / np.mean(one**2))) if len(one) > 40 else 0.0


@dataclass(frozen=True, slots=True)
class _Event:
    """Jumps near each other."""

    from_s: float
    to_s: float
    net_px: float  # lasting motion of a corner
    most_px: float  # largest motion of a corner


def _told(event: _Event, least_px: float) -> str:
    if event.net_px < least_px:
        return (
            f"the camera shook at {event.from_s:.2f} s, by {event.most_px:.1f} px, and came back; "
            "followed"
        )
    if event.net_px > 10.0 * least_px and event.to_s - event.from_s > 0.4:
        return (
            f"the camera was moved from {event.from_s:.2f} to {event.to_s:.2f} s, the picture by "
            f"{event.net_px:.0f} px; it was followed"
        )
    return (
        f"the camera was bumped at {event.from_s:.2f} s: the picture moved by {event.net_px:.1f} "
        "px; solved again"
    )


def _events(piece: _Piece, settings: PathSettings) -> list[_Event]:
    """Jumps near each other as one."""
    times, corners = piece.t_s, piece.corners_px()
    runs: list[list[int]] = []
    for i in np.flatnonzero(piece.jump).tolist():
        if runs and times[i] - times[runs[-1][1]] <= settings.event_s:
            runs[-1][1] = i + 1
        else:
            runs.append([i, i + 1])
    events = []
    for start, end in runs:
        before = np.median(corners[max(start - 4, 0) : start + 1], axis=0)
        after = np.median(corners[end : end + 5], axis=0)
        most = np.abs(corners[start : end + 1] - before).max()
        net = float(np.abs(after - before).max())
        events.append(_Event(float(times[start]), float(times[end]), net, float(most)))
    return events
