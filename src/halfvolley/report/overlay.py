"""The clip again with the flight drawn on it, marks at contacts, and a map in a corner."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from halfvolley.camera import camera_at, project
from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.errors import BadInput
from halfvolley.physics import Environment, fly
from halfvolley.report.draw import blend, disc, polyline, text, text_size
from halfvolley.report.look import COLOURS, INK, PAPER, SOFT, SURFACE, rgb
from halfvolley.session.labels import frames_at
from halfvolley.session.pipeline import ClipResult
from halfvolley.session.stages import environment
from halfvolley.session.veil import make_veil
from halfvolley.types import Arc, ByteImage, Camera, FloatArray, PlayedContact
from halfvolley.video import VideoWriter, WriterSettings, prefetch, to_rgb

TRAIL_S = 0.40  # how much of the flight is seen behind the ball
MARK_S = 1.2  # how long a contact stays marked
STEP_S = 0.004  # between points of the trail: 4 cm at 10 m/s


@dataclass(frozen=True, slots=True, eq=False)
class _Flown:
    """An arc as points through time."""

    t_s: FloatArray  # (n,)
    xyz_m: FloatArray  # (n, 3)


def write_overlay(
    path: Path,
    result: ClipResult,
    *,
    spans_s: Sequence[tuple[float, float]] = (),
    slow: float = 1.0,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the overlay video of a clip, or of parts of it, at its own pace or slower.

    Parameters
    ----------
    path : Path
        Where to; .mp4, .mov or .mkv.
    result : ClipResult
        All results of the clip.
    spans_s : sequence of tuple of float
        Only these parts, one after the other: begin and end on the clip's clock [s], in order and
        apart. Left out, the whole clip.
    slow : float
        How many times slower than the clip; every frame is shown once, for longer.
    progress : callable, optional
        Told the share that is done.

    Raises
    ------
    BadInput
        If no frame lies in the span.
    FootageError
        If the clip cannot be read.
    StorageError
        If the video cannot be written.
    """
    info = result.recording.info
    painter = Painter(result)
    veil = make_veil(result.session, result.entry, result.recording, result.scan.camera.camera)
    rate = Fraction(1.0 / (slow * info.frame_interval_s)).limit_denominator(1001)
    spans = spans_s or ((float(info.pts_s[0]), float(info.pts_s[-1])),)
    frames = [i for i, t_s in enumerate(info.pts_s) if _shown_at(float(t_s), spans) is not None]
    if not frames:
        raise BadInput(f"the clip has no frame between {spans[0][0]:.2f} and {spans[-1][1]:.2f} s")
    path.parent.mkdir(parents=True, exist_ok=True)
    with VideoWriter(path, info.size_px, WriterSettings(rate=rate)) as writer:
        for frame in prefetch(frames_at(result.recording, frames), 4):
            shown_s = _shown_at(frame.t_s, spans)
            if shown_s is None:
                continue
            picture = to_rgb(frame, info)
            if veil is not None:
                veil.over(picture)
            painter.paint(picture, frame.t_s)
            writer.write(picture, slow * shown_s)
            if progress is not None:
                progress((frame.index - frames[0]) / (frames[-1] - frames[0] + 1))


def _shown_at(t_s: float, spans_s: Sequence[tuple[float, float]]) -> float | None:
    """When a moment of the clip comes in a video of some parts of it; None where it does not."""
    before = 0.0
    for start, end in spans_s:
        if start <= t_s <= end:
            return before + t_s - start
        before += end - start
    return None


class Painter:
    """Draws one moment of the play on a frame."""

    def __init__(self, result: ClipResult) -> None:
        self._camera = result.scan.camera
        self._shutter = result.flights.shutter
        self._height = result.recording.info.size_px[1]
        law = environment(result.session)
        self._flown = [_flown(arc, law) for arc in result.flights.arcs]
        self._contacts = result.play.contacts
        self._map = _Inset(result.recording.info.size_px)

    def paint(self, picture: ByteImage, t_s: float) -> None:
        """Draw in place what is known of the moment `t_s` of the clip's clock [s].

        A frame is drawn as of the middle of its exposure and of its readout.
        """
        now_s = t_s + 0.5 * (self._shutter.exposure_s + self._shutter.readout_s)
        camera = camera_at(self._camera, t_s)
        self._paint_trail(picture, camera, now_s)
        recent = [c for c in self._contacts if 0 <= now_s - c.contact.t_s < MARK_S]
        for played in recent:
            self._paint_mark(picture, camera, played, now_s)
        self._map.paint(picture, self._in_rally(now_s), now_s)

    def _paint_trail(self, picture: ByteImage, camera: Camera, now_s: float) -> None:
        """The last part of the flight, fading."""
        for flown in self._flown:
            seen = (flown.t_s <= now_s) & (flown.t_s > now_s - TRAIL_S)
            if np.count_nonzero(seen) < 2:
                continue
            uv = project(camera, flown.xyz_m[seen])
            age = (now_s - flown.t_s[seen]) / TRAIL_S
            for part, fade in ((age < 1.0, 0.35), (age < 0.5, 0.55), (age < 0.2, 0.9)):
                drawn = picture.copy()
                polyline(drawn, uv[part], rgb("#ffe45e"), max(2, round(self._height / 360)))
                blend(picture, drawn, fade)

    def _paint_mark(
        self, picture: ByteImage, camera: Camera, played: PlayedContact, now_s: float
    ) -> None:
        contact = played.contact
        uv = project(camera, contact.xyz_m[None])[0]
        if not np.all(np.isfinite(uv)):
            return
        colour = rgb(COLOURS[played.player])
        age = (now_s - contact.t_s) / MARK_S
        size = max(12, self._height // 48)
        drawn = picture.copy()
        if contact.kind == "table":
            circle = np.linspace(0, 2 * np.pi, 40)
            ring = contact.xyz_m + 0.06 * np.stack(
                [np.cos(circle), np.sin(circle), np.zeros(40)], axis=1
            )
            ring[:, 2] = 0.0
            ring_px = project(camera, ring)
            polyline(
                drawn, ring_px, (255, 255, 255), max(3, round(self._height / 300)), closed=True
            )
            polyline(drawn, ring_px, colour, max(2, round(self._height / 500)), closed=True)
        else:
            disc(drawn, uv, 0.5 * size, (255, 255, 255), max(3, round(self._height / 300)))
            disc(drawn, uv, 0.5 * size, colour, max(2, round(self._height / 500)))
        speed = float(np.linalg.norm(contact.v_out_mps))
        if contact.kind == "racket" and np.isfinite(speed):
            words = f"{speed:.1f} m/s"
            width, height = text_size(words, size, bold=True)
            x, y = round(float(uv[0])) + size, round(float(uv[1])) - 2 * size
            x = min(max(x, 0), picture.shape[1] - width)
            box = drawn[max(y, 0) : max(y + height, 0), x : x + width]
            box[:] = box // 3
            text(drawn, words, (x, y), size, (255, 255, 255), bold=True)
        blend(picture, drawn, float(np.clip(2.0 * (1.0 - age), 0.0, 1.0)))

    def _in_rally(self, now_s: float) -> list[PlayedContact]:
        """Bounces so far of the rally that is on, or was last."""
        past = [c for c in self._contacts if c.contact.t_s <= now_s]
        rallies = [c.rally_id for c in past if c.rally_id is not None]
        if not rallies:
            return []
        return [c for c in past if c.rally_id == rallies[-1] and c.contact.kind == "table"]


class _Inset:
    """The table from above in the upper left corner."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self._scale = 0.22 * size_px[0] / TABLE_LENGTH_M.value  # px/m
        self._margin = round(0.012 * size_px[0])
        a, b = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
        pad = 0.12
        self._half = np.array([a + pad, b + pad])
        size = np.round(2 * self._half * self._scale).astype(int)
        self._board = np.empty((size[1], size[0], 3), np.uint8)
        self._board[:] = rgb(PAPER)
        x0, y0 = np.round(pad * self._scale * np.ones(2)).astype(int)
        x1, y1 = size[0] - x0, size[1] - y0
        self._board[y0:y1, x0:x1] = rgb(SURFACE)
        rim = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
        polyline(self._board, rim, rgb(SOFT), 1, closed=True)
        middle = size[0] / 2
        polyline(self._board, np.array([[middle, 2.0], [middle, size[1] - 2.0]]), rgb(INK), 2)

    def paint(self, picture: ByteImage, bounces: list[PlayedContact], now_s: float) -> None:
        board = self._board.copy()
        for played in bounces:
            place = (played.contact.xyz_m[:2] * [1, -1] + self._half) * self._scale
            fresh = now_s - played.contact.t_s < MARK_S
            disc(board, place, 0.045 * self._scale if fresh else 0.025 * self._scale,
                 rgb(COLOURS[played.player]))  # fmt: skip
        m = self._margin
        part = picture[m : m + board.shape[0], m : m + board.shape[1]]
        blend(part, board[: part.shape[0], : part.shape[1]], 0.88)


def _flown(arc: Arc, law: Environment) -> _Flown:
    """Points along an arc by the law of flight that it was fitted with."""
    duration = max(arc.t1_s - arc.t0_s, 0.0)
    t = np.append(np.arange(0.0, duration, STEP_S), duration)
    own = replace(law, drag=arc.drag, lift=arc.lift, lift_bend=arc.lift_bend)
    states = fly(arc.xyz_m, arc.v_mps, arc.omega_radps, t, own)
    return _Flown(arc.t0_s + t, states.xyz_m)
