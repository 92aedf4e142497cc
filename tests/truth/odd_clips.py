"""Small made clips with one thing out of the ordinary, most of them derived from one rendered game.

Rendering is the dear part, so that a cut, a zoom, a shaking hand, a low rate or a lost frame is put
into the decoded pictures of one clip, whose truth is known, and coded again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from halfvolley.simulate import (
    BallLook,
    BallPhysics,
    CameraRig,
    ClipSettings,
    Hall,
    Lamp,
    PlayerLook,
    Scene,
    TableLook,
    Truth,
    play_game,
)
from halfvolley.simulate.scene import frame_table
from halfvolley.types import Frame
from halfvolley.video import FrameReader, VideoWriter, WriterSettings, probe

SIZE_PX = (960, 540)
GAME_SEED, START_S, DURATION_S = 6, 1.35, 1.8  # three bounces on the table and three strokes
QUICK = ClipSettings(spp=4, sound=False, t_offset_s=START_S)
SILENT = ClipSettings(spp=4, sound=False, with_players=False)
# weight less buoyancy, which the made air does not give
PHYSICS = BallPhysics(gravity_mps2=9.81 * (1 - 1.2 * 3.351e-5 / 0.0027))


def scene(
    centre_m: tuple[float, float, float] = (0.5, -4.3, 1.35), fill: float = 0.74,
    size_px: tuple[int, int] = SIZE_PX, fps: float = 60.0,
) -> Scene:  # fmt: skip
    """A hall with an orange ball; the table fills a share of the picture's width."""
    lamps = tuple(Lamp((x, y, 3.9), (0.6, 0.3), 8.0) for x, y in ((-1.5, 0.3), (1.6, -0.2)))
    rig = CameraRig(
        size_px=size_px, fps=fps, centre_m=centre_m, aim_m=(0.05, 0.0, 0.1), roll_rad=0.004,
        f_px=0.9 * size_px[0], quality_crf=12,
    )  # fmt: skip
    players = (PlayerLook("Ilva"), PlayerLook("Tamrin", shirt=(0.5, 0.05, 0.06), left_handed=True))
    hall = Hall(lamps=lamps, seed=3)
    framed = frame_table(rig, fill)
    return Scene("Marlstead Hall", hall, TableLook(), framed, BallLook(), PHYSICS, players)


def game(made: Scene):
    """The game that all clips of play show."""
    return play_game(made.physics, made.hall, np.random.default_rng(GAME_SEED), 4.0)


@dataclass(frozen=True)
class Bounce:
    """A touch of the table as it was, on the clip's clock."""

    t_s: float
    xy_m: np.ndarray


def bounces_of(truth: Truth, until_s: float = np.inf) -> list[Bounce]:
    """The true bounces of a clip, to a time."""
    return [
        Bounce(truth.clip_time(e.t_s), e.xyz_m[:2])
        for e in truth.events_in_clip()
        if e.kind == "table" and truth.clip_time(e.t_s) < until_s
    ]


def held_against(reported, true: Sequence[Bounce], within_m: float = 0.12) -> tuple[int, int]:
    """How many true bounces were found, and how many reported ones are none of them.

    The ends of a table look alike: the half turn that fits better counts.
    """
    best = (0, len(reported))
    for sign in (1.0, -1.0):
        near = [
            [
                abs(b.t_s - r.t_s) < 0.04
                and np.hypot(*(b.xy_m - [sign * r.x_m, sign * r.y_m])) < within_m
                for r in reported
            ]
            for b in true
        ]
        found = sum(any(row) for row in near)
        wrong = sum(not any(row[i] for row in near) for i in range(len(reported)))
        best = max(best, (found, wrong), key=lambda c: (c[0], -c[1]))
    return best


@dataclass(frozen=True)
class Played:
    """The rendered game: its file, truth and decoded pictures."""

    path: Path
    truth: Truth
    frames: tuple[Frame, ...]
    folder: Path

    def derived(
        self, name: str, change: Callable[[Frame], Frame] | None = None,
        keep: Sequence[int] | None = None, rate: int = 60, shift_s: float = 0.0,
    ) -> Path:  # fmt: skip
        """The clip again with its pictures changed, some of them only, or another clock."""
        path = self.folder / name
        if path.exists():
            return path
        chosen = [self.frames[i] for i in (range(len(self.frames)) if keep is None else keep)]
        changed = chosen if change is None else [change(f) for f in chosen]
        size = changed[0].luma.shape[::-1]
        with VideoWriter(path, size, WriterSettings(rate=Fraction(rate), crf=12)) as out:
            for f in changed:
                out.write_planes(f.luma, f.cb, f.cr, f.t_s - shift_s)
        return path


def decoded(path: Path) -> tuple[Frame, ...]:
    """All pictures of a clip, as copies."""
    return tuple(
        replace(f, luma=f.luma.copy(), cb=f.cb.copy(), cr=f.cr.copy())
        for f in FrameReader(probe(path))
    )


def warped(frame: Frame, to_source: np.ndarray) -> Frame:
    """A picture seen through a homography from its pixels to those of the given one."""
    half = np.array([[2.0, 0.0, 0.5], [0.0, 2.0, 0.5], [0.0, 0.0, 1.0]])

    def turned(plane: np.ndarray, h: np.ndarray) -> np.ndarray:
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        size = plane.shape[::-1]
        return cv2.warpPerspective(plane, h, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)

    small = np.linalg.inv(half) @ to_source @ half
    return replace(
        frame, luma=turned(frame.luma, to_source), cb=turned(frame.cb, small),
        cr=turned(frame.cr, small),
    )  # fmt: skip


def looked_aside(turn_rad: np.ndarray, zoom: float = 1.0) -> np.ndarray:
    """What `warped` needs for a camera turned by a rotation vector and zoomed in."""
    width, height = SIZE_PX
    K = np.array([[width, 0.0, width / 2], [0.0, width, height / 2], [0.0, 0.0, 1.0]])
    turn = cv2.Rodrigues(np.asarray(turn_rad, dtype=float))[0]
    return K @ turn @ np.diag([1 / zoom, 1 / zoom, 1.0]) @ np.linalg.inv(K)


def bent(frame: Frame, shift_px: np.ndarray) -> Frame:
    """A picture whose parts are shifted differently: (2, rows, columns) on a coarse grid."""

    def pulled(plane: np.ndarray, share: float) -> np.ndarray:
        h, w = plane.shape
        v, u = np.mgrid[0:h, 0:w].astype(np.float32)
        du, dv = (
            cv2.resize(s.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC) * share
            for s in shift_px
        )
        return cv2.remap(plane, u + du, v + dv, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)

    return replace(
        frame, luma=pulled(frame.luma, 1.0), cb=pulled(frame.cb, 0.5), cr=pulled(frame.cr, 0.5)
    )
