"""One look at the table's lines: where are they, seen from where they were last."""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera import edge_kernels
from halfvolley.camera.motion import (
    TURN_SD_RAD,
    about_camera,
    moved_camera,
    pose_slopes,
    solve_step,
    step_between,
)
from halfvolley.camera.path import Sample
from halfvolley.camera.projection import project_jacobian
from halfvolley.camera.sightings import (
    Cuts,
    SightSettings,
    Tone,
    cuts_at,
    cuts_of,
    light_table,
)
from halfvolley.camera.table import CENTRE, CORNERS_M, NET
from halfvolley.types import ByteImage, Camera, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """How often lines are looked at, and when the camera is thought lost."""

    interval_s: float = 0.1  # between looks while nothing happens
    dense_s: float = 1.0  # every frame is looked at for so long after the picture moved
    most_passed: int = 12  # frames kept to look back at; at 1080p they hold 37 MB
    dense_px: float = 0.4  # at 1920 wide: a corner that moves so far from look to look
    cuts: int = 90  # places looked at; twice as many would cost more than they tell
    search_px: float = 3.0  # at 1920 wide: motion between two looks
    wide_search_px: float = 9.0  # after the lines were lost
    min_share: float = 0.3  # of the places seen at best: fewer, and the lines are lost
    calm_px: float = 0.5  # at 1920 wide: motion between looks while nothing happens
    moved_sd_px: float = 0.5  # at 1920 wide: a motion of a corner must be shown as well as this
    vanished_share: float = 0.25  # of a line's places: fewer than at the last look is an event
    agreeing_share: float = 0.5  # of the places seen: where fewer agree, it is not the table
    same_piece_px: float = 30.0  # at 1920 wide: a picture that moved further was moved on purpose
    max_travel_m: float = 0.05  # a camera on a tripod goes no further; a zoom looks like that
    still_share: float = 0.15  # of the picture unchanged: somebody stands before the camera
    max_miss_px: float = 1.0  # at 1920 wide: rms about a rigid camera
    find_pause_s: float = 2.0  # between searches for the table in the whole picture
    most_finds: int = 15  # such searches a clip
    same_focal_share: float = 0.03  # a table found again with another focal length: a zoom


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """A pose around which lines are looked for, with all that depends on it alone."""

    camera: Camera
    cuts: Cuts
    slopes: FloatArray  # (n, 6) how sightings move with a step
    corner_slopes: FloatArray  # (8, 6) how the table's corners do


@dataclass(frozen=True, slots=True, eq=False)
class Tracking:
    """What is known when the next frame comes."""

    anchor: Anchor
    piece: int  # a new one each time the camera had to be found again
    piece_centre_m: FloatArray  # (3,) where the camera stood when the piece began
    best_used: int  # most places seen at once
    counts: IntArray  # (5,) places seen on each line at the last look


class Looker:
    """Looks for the lines at fixed places along them.

    Parameters
    ----------
    camera : Camera
        As calibrated.
    settings : WatchSettings
        Limits.
    tone : Tone
        Tone curve and sharpness of the pictures.
    """

    def __init__(self, camera: Camera, settings: WatchSettings, tone: Tone) -> None:
        self._settings = settings
        self._tone = tone
        self._light = light_table(tone)
        self.scale = max(camera.size_px[0] / 1920.0, 0.5)
        dense = cuts_of(camera, SightSettings(spacing_px=8.0), range(NET))
        chosen = []
        for k in range(NET):
            rows = np.flatnonzero(dense.strip == k)
            n = min(len(rows), settings.cuts // (CENTRE + 1))
            chosen.append(rows[np.linspace(0, len(rows) - 1, n).round().astype(np.int64)])
        rows = np.concatenate(chosen)
        self._strip, self._along = dense.strip[rows], dense.along[rows]

    def start(self, camera: Camera, piece: int = 0, best_used: int = 0) -> Tracking:
        """Tracking that begins at a camera."""
        counts = np.zeros(NET, dtype=np.int64)
        return Tracking(self.anchor(camera), piece, camera.centre_m, best_used, counts)

    def anchor(self, camera: Camera) -> Anchor:
        """All that depends on a camera alone."""
        cuts = cuts_at(camera, self._strip, self._along)
        corners = project_jacobian(camera, CORNERS_M)[2]
        return Anchor(
            camera, cuts, pose_slopes(camera, self._strip, self._along, cuts.normal),
            about_camera(corners[:, :, 5:], camera.t_m).reshape(8, 6),
        )  # fmt: skip

    def look(
        self, luma: ByteImage, t_s: float, now: Tracking, search_px: float, lost: bool = False,
        partly: bool = False,
    ) -> tuple[Sample, Tracking] | None:  # fmt: skip
        """Pose at a frame, near the last one.

        Parameters
        ----------
        luma : (h, w) uint8
            Picture.
        t_s : float
            Its time [s].
        now : Tracking
            Where the lines were last.
        search_px : float
            How far they may have moved, at 1920 wide [px].
        lost : bool
            Whether nothing is believed about how it moved.
        partly : bool
            Whether lines may have vanished since.

        Returns
        -------
        tuple of Sample and Tracking, or None
            None where the lines are not there.
        """
        settings, anchor = self._settings, now.anchor
        found = edge_kernels.measure_cuts(
            luma, self._light, anchor.cuts.uv_px, anchor.cuts.normal, anchor.cuts.width_px, False,
            3.0, search_px * self.scale, self._tone.sigma_px,
        )  # fmt: skip
        off, sd, share, b, c = found[:, 0], found[:, 1], found[:, 2], found[:, 4], found[:, 5]
        with np.errstate(invalid="ignore"):
            off = np.where((share > 0.85) & (c > 0.3) & (b > -0.2 * c), off, np.nan)
        # what the lines do not show is thought not to have moved, unless the camera was lost
        calm_rad = settings.calm_px * self.scale / anchor.camera.f_px
        step = solve_step(off, sd, anchor.slopes, TURN_SD_RAD if lost else calm_rad)
        counts = np.bincount(self._strip[step.inlier], minlength=NET)
        used = int(step.inlier.sum())
        enough = max(12.0, settings.min_share * now.best_used)
        if used < max(enough, settings.agreeing_share * np.isfinite(off).sum()):
            return None
        if np.sum(counts >= 3) < 3 or step.rms_px > settings.max_miss_px * self.scale:
            return None
        vanished = (now.counts >= 4) & (counts < settings.vanished_share * now.counts)
        if vanished.any() and not partly:
            return None  # hidden, or moved out of reach along the other lines
        moved_px = float(np.abs(anchor.corner_slopes @ step.step).max())
        if lost or moved_px > settings.dense_px * self.scale:
            # it moved: then the lines must show how, in every direction
            if step.sd_px(anchor.corner_slopes) > settings.moved_sd_px * self.scale:
                return None
        after = moved_camera(anchor.camera, step.step)
        if np.linalg.norm(after.centre_m - now.piece_centre_m) > settings.max_travel_m:
            return None  # a zoom looks like this, and a camera in the hand
        sample = Sample(
            t_s=t_s, state="seen", piece=now.piece, R=anchor.camera.R, t_m=anchor.camera.t_m,
            off_px=np.where(step.inlier, off, np.nan), sd_px=sd, J=anchor.slopes, step=step.step,
            corner_slopes=anchor.corner_slopes,
        )  # fmt: skip
        following = replace(now, best_used=max(now.best_used, used), counts=counts)
        if moved_px > 0.3 * self.scale:
            following = replace(following, anchor=self.anchor(after))
        return sample, following

    def jumped(self, last: Sample | None, sample: Sample) -> bool:
        """Whether the picture moved between two looks by more than a drift."""
        if last is None or sample.state != "seen":
            return False
        between = step_between(last.R, last.t_m, sample.R, sample.t_m)
        moved = sample.corner_slopes @ (between + sample.step - last.step)
        return bool(np.abs(moved).max() > self._settings.dense_px * self.scale)
