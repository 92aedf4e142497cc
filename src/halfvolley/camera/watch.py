"""The camera through a clip: the table's lines are looked at again and again as frames pass by."""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera import edge_kernels
from halfvolley.camera.find import FindSettings, find_tables, small_picture
from halfvolley.camera.motion import (
    about_camera,
    moved_camera,
    pose_slopes,
    solve_step,
    step_between,
)
from halfvolley.camera.path import PathSettings, Sample, follow, lost_sample
from halfvolley.camera.projection import project_jacobian
from halfvolley.camera.sightings import (
    Cuts,
    SightSettings,
    Tone,
    cuts_at,
    cuts_of,
    light_table,
    measure_tone,
)
from halfvolley.camera.table import CENTRE, CORNERS_M, NET
from halfvolley.camera.views import look_of, shift_between
from halfvolley.errors import BadInput
from halfvolley.types import ByteImage, Camera, ClipCamera, FloatArray, Frame, Shutter


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """How often lines are looked at, and when the camera is thought lost."""

    interval_s: float = 0.1  # between looks while nothing happens
    dense_s: float = 1.0  # every frame is looked at for so long after the picture moved
    dense_px: float = 0.4  # at 1920 wide: a corner that moves so far from look to look
    cuts: int = 90  # places looked at; twice as many would cost more than they tell
    search_px: float = 3.0  # at 1920 wide: motion between two looks
    wide_search_px: float = 9.0  # after the lines were lost
    min_share: float = 0.3  # of the places seen at best: fewer, and the lines are lost
    max_miss_px: float = 1.0  # at 1920 wide: rms about a rigid camera
    find_pause_s: float = 2.0  # between searches for the table in the whole picture
    most_finds: int = 15  # such searches a clip
    same_focal_share: float = 0.03  # a table found again with another focal length: a zoom


_PATH = PathSettings()


class LineWatcher:
    """Collects sightings of the table's lines from the frames of one clip, in order.

    Parameters
    ----------
    camera : Camera
        As calibrated, at one of the clip's pictures.
    settings : WatchSettings
        How often lines are looked at.
    path : PathSettings
        How the sightings become a path.
    tone : Tone, optional
        Tone curve and sharpness of the pictures; measured on the first frame if not given.

    Notes
    -----
    Most frames are passed over: a look every 0.1 s costs a millisecond or two. Every frame is
    looked at after the picture moved, until it rests.
    """

    def __init__(
        self,
        camera: Camera,
        settings: WatchSettings = WatchSettings(),
        path: PathSettings = _PATH,
        tone: Tone | None = None,
    ) -> None:
        self._reference = camera
        self._settings = settings
        self._path = path
        self._tone = tone
        self._scale = max(camera.size_px[0] / 1920.0, 0.5)
        self._samples: list[Sample] = []
        self._span_s: list[float] = []
        self._due_s = -np.inf
        self._dense_until_s = -np.inf
        self._best_used = 0
        self._piece = 0
        self._look: FloatArray | None = None
        self._finds = 0
        self._next_find_s = -np.inf
        self._zoomed_s: float | None = None
        self._choose_places(camera)

    def feed(self, frame: Frame) -> None:
        """Look at a frame, or pass it over.

        Parameters
        ----------
        frame : Frame
            The next frame of the clip.

        Raises
        ------
        BadInput
            If its size is not the camera's.
        """
        if frame.luma.shape[::-1] != self._reference.size_px:
            raise BadInput(
                f"frame {frame.index} is {frame.luma.shape[1]} x {frame.luma.shape[0]} px, the "
                f"camera {self._reference.size_px[0]} x {self._reference.size_px[1]} px"
            )
        self._span_s = [self._span_s[0] if self._span_s else frame.t_s, frame.t_s]
        if frame.t_s < self._due_s and frame.t_s > self._dense_until_s:
            return
        self._due_s = frame.t_s + self._settings.interval_s - 1e-4
        if self._tone is None:
            self._tone = measure_tone(frame.luma, self._camera)
        sample = self._sight(frame, self._settings.search_px * self._scale)
        if sample is None:
            sample = self._recover(frame)
        self._samples.append(sample)

    def finish(self, shutter: Shutter) -> ClipCamera:
        """The camera through the clip.

        Parameters
        ----------
        shutter : Shutter
            Handed through.

        Returns
        -------
        ClipCamera
            With knots where lines were seen, the spans in which the camera is known, and what
            happened to it in words.
        """
        return follow(
            self._reference, shutter, self._samples, tuple(self._span_s), self._zoomed_s,
            self._scale, self._path,
        )  # fmt: skip

    def _choose_places(self, camera: Camera) -> None:
        """Even places along the lines, so many that looking stays cheap."""
        dense = cuts_of(camera, SightSettings(spacing_px=8.0), range(NET))
        chosen = []
        for k in range(NET):
            rows = np.flatnonzero(dense.strip == k)
            n = min(len(rows), self._settings.cuts // (CENTRE + 1))
            chosen.append(rows[np.linspace(0, len(rows) - 1, n).round().astype(np.int64)])
        rows = np.concatenate(chosen)
        self._strip, self._along = dense.strip[rows], dense.along[rows]
        self._anchor(camera)

    def _anchor(self, camera: Camera) -> None:
        """Look around this camera from now on."""
        self._camera = camera
        self._cuts: Cuts = cuts_at(camera, self._strip, self._along)
        self._J = pose_slopes(camera, self._strip, self._along, self._cuts.normal)
        corners = project_jacobian(camera, CORNERS_M)[2]
        self._corner_slopes = about_camera(corners[:, :, 5:], camera.t_m).reshape(8, 6)

    def _measure(self, luma: ByteImage, search_px: float) -> tuple[FloatArray, FloatArray]:
        assert self._tone is not None
        found = edge_kernels.measure_cuts(
            luma, light_table(self._tone), self._cuts.uv_px, self._cuts.normal,
            self._cuts.width_px, False, 3.0, search_px, self._tone.sigma_px,
        )  # fmt: skip
        with np.errstate(invalid="ignore"):
            bad = ~(found[:, 2] > 0.85) | ~(found[:, 5] > 0.3) | (found[:, 4] < -0.2 * found[:, 5])
        off, sd = found[:, 0].copy(), found[:, 1].copy()
        off[bad] = np.nan
        return off, sd

    def _sight(self, frame: Frame, search_px: float) -> Sample | None:
        """Pose at a frame, near the last one; None where the lines are not there."""
        settings = self._settings
        off, sd = self._measure(frame.luma, search_px)
        step, inlier, rms = solve_step(off, sd, self._J)
        used = int(inlier.sum())
        strips = np.bincount(self._strip[inlier], minlength=NET)
        enough = max(12, settings.min_share * self._best_used)
        if (
            used < enough
            or np.sum(strips[:NET] >= 3) < 3
            or rms > settings.max_miss_px * self._scale
        ):
            return None
        self._best_used = max(self._best_used, used)
        off[~inlier] = np.nan
        sample = Sample(
            t_s=frame.t_s, state="seen", piece=self._piece, R=self._camera.R, t_m=self._camera.t_m,
            off_px=off, sd_px=sd, J=self._J, step=step,
            corner_slopes=self._corner_slopes,
        )  # fmt: skip
        moved = float(np.abs(self._corner_slopes @ step).max())
        last = next((s for s in reversed(self._samples) if s.state == "seen"), None)
        if last is not None and last.piece == self._piece:
            between = step_between(last.R, last.t_m, self._camera.R, self._camera.t_m)
            jump = between + step - last.step
            if np.abs(self._corner_slopes @ jump).max() > settings.dense_px * self._scale:
                self._dense_until_s = frame.t_s + settings.dense_s
        if moved > 0.3 * self._scale:
            self._anchor(moved_camera(self._camera, step))
        if self._look is None:
            self._look = look_of(frame.luma)
        return sample

    def _recover(self, frame: Frame) -> Sample:
        """The lines were not where they should be: hidden, moved, or another view."""
        settings = self._settings
        look = look_of(frame.luma)
        if self._look is None:
            self._look = look
        shift, response = shift_between(self._look, look)
        off_px = shift * self._reference.size_px[0]
        still = float(np.hypot(*off_px)) < 4.0 * self._scale and response > 0.12
        before = self._camera
        if response > 0.06:
            turn = np.array([-off_px[1], off_px[0], 0.0, 0.0, 0.0, 0.0]) / before.f_px
            sample = self._try_from(frame, moved_camera(before, turn))
            if sample is not None:
                return sample
        if not still and frame.t_s >= self._next_find_s and self._finds < settings.most_finds:
            self._finds += 1
            self._next_find_s = frame.t_s + settings.find_pause_s
            sample = self._find_again(frame)
            if sample is not None:
                return sample
        if self._camera is not before:
            self._anchor(before)
        return lost_sample(frame.t_s, "hidden" if still else "elsewhere")

    def _try_from(self, frame: Frame, camera: Camera) -> Sample | None:
        """Begin a new piece of the path at a guess, if the lines are there."""
        self._anchor(camera)
        best, self._best_used = self._best_used, 0
        piece, self._piece = self._piece, self._piece + 1
        sample = self._sight(frame, self._settings.wide_search_px * self._scale)
        for _ in range(2):  # again from nearer, and so that the step is small
            if sample is not None:
                sample = self._sight(frame, self._settings.search_px * self._scale)
        if sample is None or np.isfinite(sample.off_px).sum() < 0.4 * best:
            self._best_used, self._piece = best, piece
            return None
        self._best_used = max(best, self._best_used)
        self._look = look_of(frame.luma)
        self._dense_until_s = frame.t_s + self._settings.dense_s
        return sample

    def _find_again(self, frame: Frame) -> Sample | None:
        """Search the whole picture for the table."""
        planes = small_picture([frame])
        for table in find_tables(planes, FindSettings(tries=8)):
            ratio = table.camera.f_px / self._reference.f_px
            for R in (table.camera.R, table.camera.R * np.array([-1.0, -1.0, 1.0])):
                if np.trace(R @ self._camera.R.T) < 1.0:  # more than a quarter turn away
                    continue
                t_m = table.camera.t_m * np.array([1.0, 1.0, 1.0 / ratio])
                sample = self._try_from(frame, replace(self._reference, R=R, t_m=t_m))
                if sample is not None:
                    return sample
                if abs(ratio - 1.0) > self._settings.same_focal_share and self._zoomed_s is None:
                    self._zoomed_s = frame.t_s
        return None
