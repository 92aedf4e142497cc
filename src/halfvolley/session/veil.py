"""Faces of players blurred in pictures and videos that are handed on: reports and labels alike.

A face is not recognised: what moves where players' heads can be, from above the table's height
upward behind its ends, is made coarse, and so is every region that a person draws. A head that
keeps still for most of the clip, and whoever stands elsewhere, is blurred by a drawn region only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from halfvolley.camera import project
from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.errors import BadInput
from halfvolley.session.pipeline import kept_result
from halfvolley.session.recording import Recording, frames_near
from halfvolley.session.schema import ClipEntry, Session
from halfvolley.types import BoolArray, ByteImage, Camera, FloatArray, Label
from halfvolley.video import to_rgb

LOW_M, HIGH_M = 0.25, 1.5  # heads above the table's surface, crouching or reaching up
INNER_M, OUTER_M, BESIDE_M = TABLE_LENGTH_M.value / 2 - 0.4, 5.0, 2.2  # where players move
GRAIN_M = 0.12  # side of one patch of colour: a face is two of them wide
AROUND_M = 0.15  # blurred around what moves
DIFFERENT = 16  # of 255, from the hall without players
BALL_RADII = 1.5  # around a labelled ball all stays as it is: it is what the picture is for
SMALL_PX = 480  # width at which motion is looked for
PICTURES = 15  # from which the hall without players is put together


@dataclass(frozen=True, slots=True, eq=False)
class Veil:
    """What is blurred in the pictures of one clip."""

    regions: tuple[FloatArray, ...]  # polygons, (n, 2) px: always
    zone: BoolArray | None  # (h, w) where heads can be; None: heads are left as they are
    hall: ByteImage | None  # (h', w', 3) without players, small
    grain_px: int
    around_px: int

    def over(self, picture: ByteImage, labels: Sequence[Label] = ()) -> None:
        """Blur in place.

        Parameters
        ----------
        picture : (h, w, 3) uint8
            A frame as it is, before anything is drawn on it.
        labels : sequence of Label
            Of this frame; balls among them stay as they are.
        """
        height, width = picture.shape[:2]
        hidden = np.zeros((height, width), np.uint8)
        for region in self.regions:
            cv2.fillPoly(hidden, [np.rint(region).astype(np.int32)], 1)
        if self.zone is not None and self.hall is not None:
            hidden[self.zone & self._moving(picture)] = 1
        for label in labels:
            _leave_ball(hidden, label)
        if not hidden.any():
            return
        cells = (max(1, width // self.grain_px), max(1, height // self.grain_px))
        coarse = cv2.resize(picture, cells, interpolation=cv2.INTER_AREA)
        coarse = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_NEAREST)
        np.copyto(picture, coarse, where=hidden[:, :, None].astype(bool))

    def _moving(self, picture: ByteImage) -> BoolArray:
        """What differs from the hall without players, holes filled and widened."""
        assert self.hall is not None
        height, width = picture.shape[:2]
        small = self.hall.shape[1], self.hall.shape[0]
        now = cv2.resize(picture, small, interpolation=cv2.INTER_AREA)
        mask = (cv2.absdiff(now, self.hall).max(axis=2) > DIFFERENT).astype(np.uint8)
        mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        size = max(3, 2 * round(self.around_px * small[0] / width) + 1)
        wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        mask = cv2.dilate(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, wide), wide)
        return np.asarray(
            cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST).astype(bool)
        )


def make_veil(
    session: Session, entry: ClipEntry, recording: Recording, camera: Camera
) -> Veil | None:
    """What is to be blurred in a clip; None where nothing is.

    Parameters
    ----------
    session : Session
        What a person said.
    entry : ClipEntry
        Which clip.
    recording : Recording
        Of its files.
    camera : Camera
        At any moment of it.

    Raises
    ------
    FootageError
        If the clip cannot be read.
    """
    regions = tuple(np.array(region, np.float64) for region in entry.blur_px)
    heads = session.report.blur == "heads"
    if not (heads or regions):
        return None
    scale_px = _pixels_per_metre(camera)
    grain, around = max(4, round(GRAIN_M * scale_px)), max(2, round(AROUND_M * scale_px))
    if not heads:
        return Veil(regions, None, None, grain, around)
    return Veil(regions, _zone(camera), _hall(recording), grain, around)


def handed_on(session: Session, entry: ClipEntry, recording: Recording) -> Veil | None:
    """As `make_veil`, with the camera that was measured.

    Raises
    ------
    BadInput
        If something is to be blurred and no camera tells where.
    FootageError
        If the clip cannot be read.
    """
    if session.report.blur != "heads" and not entry.blur_px:
        return None
    found = kept_result(session, entry.name, "camera")
    if found is None:
        raise BadInput(
            f"players of {entry.name} are to be blurred, which needs its camera; run: halfvolley "
            f"calibrate {session.folder}"
        )
    return make_veil(session, entry, recording, found.camera)


def _leave_ball(hidden: ByteImage, label: Label) -> None:
    """Blur nothing at a ball and along its streak."""
    if not label.is_ball or label.uv_px is None or label.radius_px is None:
        return
    half = 0.5 * np.array(label.streak_px or (0.0, 0.0))
    ends = (np.rint(np.array(label.uv_px) + side * half).astype(int) for side in (-1, 1))
    first, last = ((int(u), int(v)) for u, v in ends)
    cv2.line(hidden, first, last, (0,), max(1, round(2 * BALL_RADII * label.radius_px)))


def _pixels_per_metre(camera: Camera) -> float:
    """At the middle of the table."""
    return camera.f_px / max(float(camera.t_m[2]), 0.1)


def _zone(camera: Camera) -> BoolArray:
    """Where heads of players can be in the picture: two boxes in space, as they are seen."""
    width, height = camera.size_px
    mask = np.zeros((height, width), np.uint8)
    for end in (-1.0, 1.0):
        corners = np.array(
            [
                (end * x, y, z)
                for x in (INNER_M, OUTER_M) for y in (-BESIDE_M, BESIDE_M) for z in (LOW_M, HIGH_M)
            ]
        )  # fmt: skip
        seen = project(camera, _before(camera, corners))
        seen = np.clip(seen[np.isfinite(seen).all(axis=1)], -4 * width, 5 * width)
        if len(seen) > 2:
            hull = cv2.convexHull(np.rint(seen).astype(np.int32))
            cv2.fillConvexPoly(mask, hull, 1)
    return mask.astype(bool)


def _before(camera: Camera, xyz_m: Sequence[Sequence[float]] | FloatArray) -> FloatArray:
    """Corners of a box, those behind the camera drawn forward to where they would leave its view.

    Each is moved towards the table's middle, which lies before the camera.
    """
    points = np.array(xyz_m, np.float64)
    depth = points @ camera.R[2] + camera.t_m[2]
    nearest, middle = 0.5, float(camera.t_m[2])
    share = np.where(depth < nearest, (middle - nearest) / np.maximum(middle - depth, 1e-9), 1.0)
    return np.asarray(points * share[:, None])


def _hall(recording: Recording) -> ByteImage:
    """The median of pictures spread over the clip, small: the hall without what moves."""
    frames = frames_near(recording, PICTURES, keyframes_only=True)
    if len(frames) < PICTURES // 2:
        frames = frames_near(recording, PICTURES, keyframes_only=False)
    width, height = recording.info.size_px
    size = (SMALL_PX, max(1, round(SMALL_PX * height / width)))
    small = [
        cv2.resize(to_rgb(f, recording.info), size, interpolation=cv2.INTER_AREA) for f in frames
    ]
    return np.median(np.stack(small), axis=0).astype(np.uint8)
