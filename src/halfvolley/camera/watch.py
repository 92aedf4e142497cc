"""The camera through a clip: the table's lines are looked at again and again as frames pass by."""

from collections import deque
from dataclasses import replace

import numpy as np

from halfvolley.camera.find import FindSettings, find_tables, small_picture
from halfvolley.camera.looking import Looker, Tracking, WatchSettings
from halfvolley.camera.motion import moved_camera
from halfvolley.camera.path import PathSettings, Sample, follow, lost_sample
from halfvolley.camera.projection import project
from halfvolley.camera.sightings import Tone, measure_tone
from halfvolley.camera.table import CORNERS_M
from halfvolley.camera.views import SAME_RESPONSE, look_of, same_share, shift_between
from halfvolley.errors import BadInput
from halfvolley.types import Camera, ClipCamera, FloatArray, Frame, Shutter

_PATH = PathSettings()
_WATCH = WatchSettings()
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
    Most frames are passed over: a look every 0.1 s costs a millisecond or two. When the picture
    moved, the frames passed over are looked at after all, and every frame until it rests.
    """

    def __init__(
        self,
        camera: Camera,
        settings: WatchSettings = _WATCH,
        path: PathSettings = _PATH,
        tone: Tone | None = None,
    ) -> None:
        self._reference = camera
        self._settings = settings
        self._path = path
        self._tone = tone
        self._scale = max(camera.size_px[0] / 1920.0, 0.5)
        self._looker: Looker | None = None
        self._now: Tracking | None = None
        self._samples: list[Sample] = []
        self._last_seen: Sample | None = None
        self._passed: deque[Frame] = deque(maxlen=settings.most_passed)
        self._span_s: list[float] = []
        self._due_s = -np.inf
        self._dense_until_s = -np.inf
        self._look: FloatArray | None = None  # of the view, and the camera that saw it
        self._look_camera = camera
        self._finds = 0
        self._next_find_s = -np.inf
        self._zoomed_s: float | None = None

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
        if self._looker is None:
            tone = self._tone or measure_tone(frame.luma, self._reference, spacing_px=40.0)
            self._looker = Looker(self._reference, self._settings, tone)
            self._now = self._looker.start(self._reference)
        self._step(frame)
        self._passed.clear()

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

    def _step(self, frame: Frame) -> None:
        """Take in a frame; if something happened, those passed over before it too."""
        assert self._looker is not None and self._now is not None
        before = self._now
        sample, now = self._follow(frame, before)
        happened = (
            sample.state == "elsewhere"
            or now.piece != before.piece
            or self._looker.jumped(self._last_seen, sample)
        )
        if happened:
            self._dense_until_s = frame.t_s + self._settings.dense_s
            if self._passed and self._samples and self._samples[-1].state == "seen":
                now = before
                for passed in self._passed:
                    earlier, now = self._follow(passed, now)
                    self._take(passed, earlier, now)
                sample, now = self._follow(frame, now)
        self._take(frame, sample, now)

    def _take(self, frame: Frame, sample: Sample, now: Tracking) -> None:
        """Keep what a look gave."""
        assert self._now is not None
        new_piece = now.piece != self._now.piece
        self._samples.append(sample)
        self._now = now
        if sample.state == "seen":
            self._last_seen = sample
            if self._look is None or new_piece:
                self._look = look_of(frame.luma)
                self._look_camera = moved_camera(
                    self._reference.at_pose(sample.R, sample.t_m), sample.step
                )

    def _follow(self, frame: Frame, now: Tracking) -> tuple[Sample, Tracking]:
        """Look at a frame, and search if the lines are not where they were."""
        assert self._looker is not None
        settings = self._settings
        seen = self._looker.look(frame.luma, frame.t_s, now, settings.search_px)
        if seen is not None:
            return seen
        look = look_of(frame.luma)
        if self._look is None:
            self._look = look
        shift, response = shift_between(self._look, look)
        off_px = shift * self._reference.size_px[0]
        if response > 0.5 * SAME_RESPONSE:
            # a turn that moves the whole picture so
            turn = np.array([-off_px[1], off_px[0], 0.0, 0.0, 0.0, 0.0]) / self._reference.f_px
            guess = moved_camera(self._look_camera, turn)
            moved = project(guess, CORNERS_M) - project(now.anchor.camera, CORNERS_M)
            far = not np.abs(moved).max() < settings.same_piece_px * self._scale
            seen = self._try_from(frame, now, guess, new_piece=far)
            if seen is not None:
                return seen
        if same_share(self._look, look) > settings.still_share:
            # somebody stands before the lines; what is left of them still counts
            seen = self._looker.look(frame.luma, frame.t_s, now, settings.search_px, partly=True)
            return seen if seen is not None else (lost_sample(frame.t_s, "hidden"), now)
        if frame.t_s >= self._next_find_s and self._finds < settings.most_finds:
            self._finds += 1
            self._next_find_s = frame.t_s + settings.find_pause_s
            seen = self._find_again(frame, now)
            if seen is not None:
                return seen
        return lost_sample(frame.t_s, "elsewhere"), now

    def _try_from(
        self, frame: Frame, now: Tracking, camera: Camera, new_piece: bool
    ) -> tuple[Sample, Tracking] | None:
        """Go on from a guess, if the lines are there."""
        assert self._looker is not None
        if new_piece:
            trial = self._looker.start(camera, now.piece + 1)
        else:
            trial = replace(now, anchor=self._looker.anchor(camera), best_used=0)
        seen = None
        reaches = (self._settings.wide_search_px, self._settings.search_px)
        for reach in (*reaches, reaches[1]):  # again from nearer: far off, slopes are not exact
            seen = self._looker.look(
                frame.luma, frame.t_s, trial, reach, lost=True, partly=reach is reaches[0]
            )
            if seen is None:
                return None
            trial = seen[1]
        assert seen is not None
        sample, after = seen
        if np.isfinite(sample.off_px).sum() < 0.4 * now.best_used:
            return None
        if new_piece:
            after = replace(after, piece_centre_m=after.anchor.camera.centre_m)
        return sample, replace(after, best_used=max(now.best_used, after.best_used))

    def _find_again(self, frame: Frame, now: Tracking) -> tuple[Sample, Tracking] | None:
        """Search the whole picture for the table."""
        for table in find_tables(small_picture([frame]), _FIND):
            ratio = table.camera.f_px / self._reference.f_px
            if abs(ratio - 1.0) > self._settings.same_focal_share:
                # from another place it is another view, whatever its lens
                turn = turn_between(table.camera.R, now.anchor.camera.R)
                if self._zoomed_s is None and turn < ZOOM_TURN:
                    self._zoomed_s = frame.t_s
                continue
            for half_turn in (np.ones(3), HALF_TURN):
                R = table.camera.R * half_turn
                if np.trace(R @ now.anchor.camera.R.T) < 1.0:  # more than a quarter turn away
                    continue
                t_m = table.camera.t_m * np.array([1.0, 1.0, 1.0 / ratio])
                guess = replace(self._reference, R=R, t_m=t_m)
                seen = self._try_from(frame, now, guess, new_piece=True)
                if seen is not None:
                    return seen
        return None


def turn_between(R: FloatArray, other: FloatArray) -> float:
    """Angle between two views of a table, whose ends look alike [rad]."""
    cosines = [0.5 * (np.trace((R * flip) @ other.T) - 1.0) for flip in (np.ones(3), HALF_TURN)]
    return float(np.arccos(np.clip(max(cosines), -1.0, 1.0)))
