"""Where a flight puts the ball in each picture: centre, streak and size, rows timed singly."""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera import pose_at, project
from halfvolley.physics import Environment, fly
from halfvolley.types import (
    Arc,
    BoolArray,
    ClipCamera,
    FloatArray,
    IntArray,
    Shutter,
)

ROUNDS = 4  # of finding the row at which the ball is seen; each shrinks the error a hundredfold


@dataclass(frozen=True, slots=True, eq=False)
class Predicted:
    """The ball of one arc in the frames that see it at mid-exposure; n may be 0."""

    frame: IntArray  # (n,) index of the frame
    t_s: FloatArray  # (n,) time at which it was seen there (mid-exposure of its row) [s]
    xyz_m: FloatArray  # (n, 3) centre, world frame [m]
    uv_px: FloatArray  # (n, 2) centre of the streak [px]
    streak_px: FloatArray  # (n, 2) from start to end of the exposure [px]
    radius_px: FloatArray  # (n,) [px]
    in_picture: BoolArray  # (n,) whether the centre is

    def __len__(self) -> int:
        return len(self.frame)


def predict_arc(
    arc: Arc,
    frame_t_s: FloatArray,
    camera: ClipCamera,
    shutter: Shutter,
    environment: Environment,
) -> Predicted:
    """Images of the ball along one arc.

    Parameters
    ----------
    arc : Arc
        A fitted flight.
    frame_t_s : (m,) float64
        Stamps of all frames of the clip, ascending [s].
    camera : ClipCamera
        Camera of the clip.
    shutter : Shutter
        Readout and exposure, as the flights showed them.
    environment : Environment
        Ball and air; drag and lift are the arc's own.

    Returns
    -------
    Predicted
        One row for each frame whose mid-exposure of the ball's row lies in [t0, t1] of the arc.

    Notes
    -----
    A ball at row v of H rows is seen at t_frame + share * exposure + readout * v / H; v follows
    from the time, so both are found in turn. The streak is that of this arc also where the
    exposure reaches over its end.
    """
    law = replace(environment, drag=arc.drag, lift=arc.lift, lift_bend=arc.lift_bend)
    late_s = shutter.exposure_s + shutter.readout_s
    first = int(np.searchsorted(frame_t_s, arc.t0_s - late_s))
    last = int(np.searchsorted(frame_t_s, arc.t1_s, side="right"))
    frame = np.arange(first, last)
    starts = frame_t_s[first:last]
    height = camera.camera.size_px[1]
    seen = []
    for share in (0.0, 0.5, 1.0):
        t = starts + share * shutter.exposure_s + 0.5 * shutter.readout_s
        for _ in range(ROUNDS):
            uv = _images(arc, t, camera, law)[0]
            row = np.clip(np.nan_to_num(uv[:, 1], nan=0.5 * height), 0.0, height)
            t = starts + share * shutter.exposure_s + shutter.readout_s * row / height
        seen.append((t, *_images(arc, t, camera, law)))
    (_, begin, _, _), (t, uv, xyz, depth), (_, end, _, _) = seen
    keep = (arc.t0_s <= t) & (t <= arc.t1_s) & np.isfinite(uv).all(axis=1)
    keep &= np.isfinite(begin).all(axis=1) & np.isfinite(end).all(axis=1)
    inside = in_picture(uv, camera.camera.size_px)
    radius = camera.camera.f_px * environment.ball.radius_m / depth
    return Predicted(
        frame[keep], t[keep], xyz[keep], uv[keep], (end - begin)[keep], radius[keep], inside[keep]
    )


def in_picture(uv_px: FloatArray, size_px: tuple[int, int]) -> BoolArray:
    """(n,) whether places (n, 2) lie within a picture, pixel centres at integers."""
    return np.all((uv_px >= -0.5) & (uv_px < np.array(size_px) - 0.5), axis=1)


def _images(
    arc: Arc, t_s: FloatArray, camera: ClipCamera, law: Environment
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels (n, 2), places (n, 3) and depths (n,) of the arc's ball at ascending times."""
    t = np.maximum.accumulate(t_s)
    xyz = fly(arc.xyz_m, arc.v_mps, arc.omega_radps, t - arc.t0_s, law).xyz_m
    R, shift = pose_at(camera, t)
    uv = np.empty((len(t), 2))
    for i in range(len(t)):
        uv[i] = project(camera.camera.at_pose(R[i], shift[i]), xyz[i : i + 1])[0]
    depth = np.einsum("ni,ni->n", R[:, 2], xyz) + shift[:, 2]
    return uv, xyz, depth
