"""The camera through a clip: the table's lines are looked at again and again as frames pass by."""

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera import edge_kernels
from halfvolley.camera.find import FindSettings, find_tables, small_picture
from halfvolley.camera.motion import (
    TURN_SD_RAD,
    about_camera,
    moved_camera,
    pose_slopes,
    solve_step,
    step_between,
)
from halfvolley.camera.path import PathSettings, Sample, follow, lost_sample
from halfvolley.camera.projection import project, project_jacobian
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
from halfvolley.camera.views import SAME_RESPONSE, look_of, same_share, shift_between
from halfvolley.errors import BadInput
from halfvolley.types import Camera, ClipCamera, FloatArray, Frame, IntArray, Shutter


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
    agreeing_share: float = 0.5  # of the places seen: where fewer agree, it is not the table
    same_piece_px: float = 30.0  # at 1920 wide: a picture that moved further was moved on purpose
    max_travel_m: float = 0.05  # a camera on a tripod goes no further; a zoom looks like that
    still_share: float = 0.15  # of the picture unchanged: somebody stands before the camera
    max_miss_px: float = 1.0  # at 1920 wide: rms about a rigid camera
    find_pause_s: float = 2.0  # between searches for the table in the whole picture
    most_finds: int = 15  # such searches a clip
    same_focal_share: float = 0.03  # a table found again with another focal length: a zoom


_PATH = PathSettings()
_FIND = FindSettings(tries=8)
HALF_TURN: FloatArray = np.array([-1.0, -1.0, 1.0])  # of the table: its ends look alike
ZOOM_TURN = 0.07  # a lens that is zoomed goes on looking the same way [rad]


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
        self._passed: deque[Frame] = deque(maxlen=settings.most_passed)
        self._span_s: list[float] = []
        self._due_s = -np.inf
        self._dense_until_s = -np.inf
        self._best_used = 0
        self._piece = 0
        self._look: FloatArray | None = None
        self._look_camera = camera
        self._piece_centre_m = camera.centre_m
        self._finds = 0
        self._next_find_s = -np.inf
        self._zoomed_s: float | None = None
        self._strip, self._along = self._places(camera)
        self._anchor = _anchor_at(camera, self._strip, self._along)

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
            self._passed.append(frame)
            return
        self._due_s = frame.t_s + self._settings.interval_s - 1e-4
        if self._tone is None:
            self._tone = measure_tone(frame.luma, self._anchor.camera, spacing_px=40.0)
        before = self._anchor
        sample = self._sight(frame, self._settings.search_px * self._scale)
        event = sample is None or self._jumped(sample)
        if event and self._passed and self._samples and self._samples[-1].state == "seen":
            # something happened since the last look: look at what was passed over too
            self._anchor, sample = before, None
            for passed in self._passed:
                self._samples.append(self._follow(passed))
        if event:
            self._dense_until_s = frame.t_s + self._settings.dense_s
        self._passed.clear()
        self._samples.append(sample if sample is not None else self._follow(frame))

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

    def _places(self, camera: Camera) -> tuple[IntArray, FloatArray]:
        """Even places along the lines, so many that looking stays cheap."""
        dense = cuts_of(camera, SightSettings(spacing_px=8.0), range(NET))
        chosen = []
        for k in range(NET):
            rows = np.flatnonzero(dense.strip == k)
            n = min(len(rows), self._settings.cuts // (CENTRE + 1))
            chosen.append(rows[np.linspace(0, len(rows) - 1, n).round().astype(np.int64)])
        rows = np.concatenate(chosen)
        return dense.strip[rows], dense.along[rows]

    def _follow(self, frame: Frame) -> Sample:
        """Look at a frame, and search if the lines are not where they were."""
        sample = self._sight(frame, self._settings.search_px * self._scale)
        return sample if sample is not None else self._recover(frame)

    def _sight(self, frame: Frame, search_px: float, lost: bool = False) -> Sample | None:
        """Pose at a frame, near the last one; None where the lines are not there."""
        assert self._tone is not None
        settings, anchor = self._settings, self._anchor
        found = edge_kernels.measure_cuts(
            frame.luma, light_table(self._tone), anchor.cuts.uv_px, anchor.cuts.normal,
            anchor.cuts.width_px, False, 3.0, search_px, self._tone.sigma_px,
        )  # fmt: skip
        off, sd, share, b, c = found[:, 0], found[:, 1], found[:, 2], found[:, 4], found[:, 5]
        with np.errstate(invalid="ignore"):
            off = np.where((share > 0.85) & (c > 0.3) & (b > -0.2 * c), off, np.nan)
        # what the lines do not show is thought not to have moved, unless the camera was lost
        turn_sd = settings.calm_px * self._scale / anchor.camera.f_px
        found_step = solve_step(off, sd, anchor.slopes, TURN_SD_RAD if lost else turn_sd)
        step, inlier = found_step.step, found_step.inlier
        used = int(inlier.sum())
        strips = np.bincount(self._strip[inlier], minlength=NET)
        enough = max(12.0, settings.min_share * self._best_used)
        if used < max(enough, settings.agreeing_share * np.isfinite(off).sum()):
            return None
        if np.sum(strips >= 3) < 3 or found_step.rms_px > settings.max_miss_px * self._scale:
            return None
        moved_px = np.abs(anchor.corner_slopes @ step).max()
        if lost or moved_px > settings.dense_px * self._scale:
            # it moved: then the lines must show how, in every direction
            if found_step.sd_px(anchor.corner_slopes) > settings.moved_sd_px * self._scale:
                return None
        after = moved_camera(anchor.camera, step)
        travelled = np.linalg.norm(after.centre_m - self._piece_centre_m)
        if travelled > settings.max_travel_m:
            return None  # a zoom looks like this, and a camera in the hand
        self._best_used = max(self._best_used, used)
        sample = Sample(
            t_s=frame.t_s, state="seen", piece=self._piece, R=anchor.camera.R,
            t_m=anchor.camera.t_m, off_px=np.where(inlier, off, np.nan), sd_px=sd,
            J=anchor.slopes, step=step, corner_slopes=anchor.corner_slopes,
        )  # fmt: skip
        if moved_px > 0.3 * self._scale:
            self._anchor = _anchor_at(after, self._strip, self._along)
        if self._look is None:
            self._look, self._look_camera = look_of(frame.luma), after
        return sample

    def _jumped(self, sample: Sample) -> bool:
        """Whether the picture moved since the last look by more than a drift."""
        last = next((s for s in reversed(self._samples) if s.state == "seen"), None)
        if last is None:
            return False
        between = step_between(last.R, last.t_m, sample.R, sample.t_m)
        moved = sample.corner_slopes @ (between + sample.step - last.step)
        return bool(np.abs(moved).max() > self._settings.dense_px * self._scale)

    def _recover(self, frame: Frame) -> Sample:
        """The lines were not where they should be: hidden, moved, or another view."""
        settings, before = self._settings, self._anchor
        look = look_of(frame.luma)
        if self._look is None:
            self._look, self._look_camera = look, before.camera
        shift, response = shift_between(self._look, look)
        off_px = shift * self._reference.size_px[0]
        if response > 0.5 * SAME_RESPONSE:
            # a turn that moves the whole picture so
            turn = np.array([-off_px[1], off_px[0], 0.0, 0.0, 0.0, 0.0]) / before.camera.f_px
            guess = moved_camera(self._look_camera, turn)
            moved = project(guess, CORNERS_M) - project(before.camera, CORNERS_M)
            far = not np.abs(moved).max() < settings.same_piece_px * self._scale
            sample = self._try_from(frame, guess, far)
            if sample is not None:
                return sample
        if same_share(self._look, look) > settings.still_share:
            return lost_sample(frame.t_s, "hidden")
        if frame.t_s >= self._next_find_s and self._finds < settings.most_finds:
            self._finds += 1
            self._next_find_s = frame.t_s + settings.find_pause_s
            sample = self._find_again(frame, before.camera)
            if sample is not None:
                return sample
        return lost_sample(frame.t_s, "elsewhere")

    def _try_from(self, frame: Frame, camera: Camera, new_piece: bool) -> Sample | None:
        """Go on from a guess, if the lines are there."""
        kept = self._anchor, self._best_used, self._piece, self._piece_centre_m
        self._anchor = _anchor_at(camera, self._strip, self._along)
        if new_piece:
            self._best_used, self._piece = 0, self._piece + 1
            self._piece_centre_m = camera.centre_m
        sample = self._sight(frame, self._settings.wide_search_px * self._scale, lost=True)
        for _ in range(2):  # again from nearer: far off, the slopes are not exact
            if sample is not None:
                sample = self._sight(frame, self._settings.search_px * self._scale, lost=True)
        if sample is None or np.isfinite(sample.off_px).sum() < 0.4 * kept[1]:
            self._anchor, self._best_used, self._piece, self._piece_centre_m = kept
            return None
        self._best_used = max(kept[1], self._best_used)
        if new_piece:
            self._look, self._look_camera = look_of(frame.luma), self._anchor.camera
            self._piece_centre_m = self._anchor.camera.centre_m
        self._dense_until_s = frame.t_s + self._settings.dense_s
        return sample

    def _find_again(self, frame: Frame, before: Camera) -> Sample | None:
        """Search the whole picture for the table."""
        for table in find_tables(small_picture([frame]), _FIND):
            ratio = table.camera.f_px / self._reference.f_px
            if abs(ratio - 1.0) > self._settings.same_focal_share:
                # from another place it is another view, whatever its lens
                if self._zoomed_s is None and turn_between(table.camera.R, before.R) < ZOOM_TURN:
                    self._zoomed_s = frame.t_s
                continue
            for half_turn in (np.ones(3), HALF_TURN):
                R = table.camera.R * half_turn
                if np.trace(R @ before.R.T) < 1.0:  # more than a quarter turn away
                    continue
                t_m = table.camera.t_m * np.array([1.0, 1.0, 1.0 / ratio])
                sample = self._try_from(frame, replace(self._reference, R=R, t_m=t_m), True)
                if sample is not None:
                    return sample
        return None


def turn_between(R: FloatArray, other: FloatArray) -> float:
    """Angle between two views of a table, whose ends look alike [rad]."""
    cosines = [0.5 * (np.trace((R * flip) @ other.T) - 1.0) for flip in (np.ones(3), HALF_TURN)]
    return float(np.arccos(np.clip(max(cosines), -1.0, 1.0)))


@dataclass(frozen=True, slots=True, eq=False)
class _Anchor:
    """A pose around which lines are looked for, with all that depends on it alone."""

    camera: Camera
    cuts: Cuts
    slopes: FloatArray  # (n, 6) how sightings move with a step
    corner_slopes: FloatArray  # (8, 6) how the table's corners do


def _anchor_at(camera: Camera, strip: IntArray, along: FloatArray) -> _Anchor:
    cuts = cuts_at(camera, strip, along)
    corners = project_jacobian(camera, CORNERS_M)[2]
    return _Anchor(
        camera, cuts, pose_slopes(camera, strip, along, cuts.normal),
        about_camera(corners[:, :, 5:], camera.t_m).reshape(8, 6),
    )  # fmt: skip
