"""Small pieces of made footage with labels, fast enough to train a detector on.

A hall is rendered and a game played in it once; then many moments of it are drawn, each only in a
small window: around the ball, or where something else is that could be taken for it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera.projection import project
from halfvolley.errors import BadInput
from halfvolley.simulate.clips import build_stages
from halfvolley.simulate.draw_ball import BallSeen
from halfvolley.simulate.draw_figures import Crowd, see_figures
from halfvolley.simulate.lens import View, camera_views
from halfvolley.simulate.path import FLIGHT, TOSS
from halfvolley.simulate.rally import RallySettings, play_game
from halfvolley.simulate.render import Picture, Renderer, Window
from halfvolley.simulate.scene import (
    CameraRig,
    Drift,
    Scene,
    net_tops,
    odd_ball,
    random_scene,
    table_corners,
)
from halfvolley.simulate.scene import (
    View as ViewKind,
)
from halfvolley.simulate.variants import at_rate, with_neighbour
from halfvolley.types import BoolArray, ByteImage, FloatArray
from halfvolley.video.coding import CodingSettings, Planes, recoded

_PAST = 16  # at most: pictures coded before those of a crop; grain is kept until it is coded anew
_BLOCK = 16  # px: a coder's blocks
_MOMENT_S = 0.004  # over which speed is taken
_FASTEST_OF = 4  # moments


@dataclass(frozen=True, slots=True)
class CropSettings:
    """What `iter_crops` yields."""

    size_px: tuple[int, int] = (128, 128)  # width, height; multiples of 2
    frames: int = 3  # neighbouring frames of one crop
    aim_frame: int | None = None  # the one in which it looks at its aim; left out: the middle one
    frame_px: tuple[int, int] = (1280, 720)  # of the frames that crops are cut from
    ball_share: float = 0.5  # crops that are aimed at the ball
    flying_share: float = 0.75  # of those, moments chosen so that it flies; else any moment
    fast_share: float = 0.0  # of the flying ones, the fastest of a few
    aim_spread: float = 0.42  # the ball lies within this share of the size around the middle
    crops_per_scene: int = 1000  # a hall takes seconds, so it is used for many crops
    seconds_per_scene: float = 16.0  # length of the game from which moments are drawn
    views: tuple[ViewKind, ...] = ("side", "corner", "high", "end", "webcam")
    zoom: tuple[float, float] = (0.7, 1.9)  # of 1280 px wide views; up to 1080p and close tripods
    slow_share: float = 0.0  # halls filmed with a shutter of 0.3-0.95 of the frame interval
    film_rate_share: float = 0.0  # halls filmed at 24, 25 or 30 frames a second
    grainy_share: float = 0.0  # halls filmed by a noisy, soft camera, some in poor light
    odd_ball_share: float = 0.0  # halls with a ball of a colour that no rule knows
    neighbour_share: float = 0.15  # halls with a second table in play
    coded_share: float = 0.85  # crops with marks of lossy coding
    coding_crf: tuple[float, float] = (16.0, 34.0)  # of H.264, even draw
    with_empty: bool = False  # also the same window without people and ball, for background models
    spp: int = 8  # rays for a pixel on an edge


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """A window through neighbouring frames, with all that is true of the ball in it.

    Places are in the crop: (0, 0) is the centre of its first pixel. Rows of balls that are not in
    front of the camera are NaN.
    """

    luma: ByteImage  # (f, h, w), 16-235
    cb: ByteImage  # (f, h/2, w/2)
    cr: ByteImage
    empty: tuple[ByteImage, ByteImage, ByteImage] | None  # planes (h, w), (h/2, w/2) of the still
    t_s: FloatArray  # (f,) stamps of the frames [s]
    uv_px: FloatArray  # (f, 2) centre at mid-exposure
    streak_px: FloatArray  # (f, 2) from the start to the end of the exposure
    radius_px: FloatArray  # (f,)
    visible: FloatArray  # (f,) share of the ball's image that is seen in the crop, 0-1
    contrast: FloatArray  # (f,) largest change of an 8-bit colour that it makes, 0-255
    inside: BoolArray  # (f,) whether its centre lies in the crop
    other_uv_px: tuple[FloatArray, ...]  # f arrays (k, 2): other balls in the crop, still ones too
    aim: str  # what the crop was aimed at
    white: bool  # colour of the ball


def iter_crops(rng: np.random.Generator, settings: CropSettings = CropSettings()) -> Iterator[Crop]:
    """Crops without end, in halls that change every `crops_per_scene`.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of all chance; the same state gives the same crops.
    settings : CropSettings
        Sizes and shares.

    Yields
    ------
    Crop
        Pieces with labels.

    Raises
    ------
    BadInput
        If the size is odd or larger than the frames, or no frame is asked for.
    """
    w, h = settings.size_px
    wide, tall = settings.frame_px
    if w % 2 or h % 2 or w > wide or h > tall or min(w, h) < 16 or settings.frames < 1:
        raise BadInput(
            f"crops must be even, from 16 to {wide} x {tall} pixels and a frame or more long, got "
            f"{w} x {h} and {settings.frames} frames"
        )
    if settings.aim_frame is not None and not 0 <= settings.aim_frame < settings.frames:
        raise BadInput(f"aim_frame is {settings.aim_frame}, it must be from 0 to frames - 1")
    while True:
        source = _Source(rng, settings)
        for _ in range(settings.crops_per_scene):
            yield source.draw(rng)


class _Source:
    """A hall with a game, from which crops are drawn."""

    def __init__(self, rng: np.random.Generator, settings: CropSettings) -> None:
        self.settings = settings
        self.scene = varied_scene(rng, settings)
        rig = self.scene.rig
        game = play_game(
            self.scene.physics, self.scene.hall, rng, settings.seconds_per_scene,
            RallySettings(pick_up_s=(0.5, 1.2)),
        )  # fmt: skip
        stages = build_stages(self.scene, game, rng, settings.seconds_per_scene)
        self.view: View = camera_views(rig, np.zeros(1), rng)[0]
        self.renderer = Renderer(self.scene, stages, [self.view], rng, settings.spp)
        self.span = (0.0, settings.seconds_per_scene)
        self._still = _still_aims(self.scene, self.view)

    def draw(self, rng: np.random.Generator) -> Crop:
        """One crop."""
        s, rig = self.settings, self.scene.rig
        aimed = bool(rng.random() < s.ball_share)
        flying = bool(rng.random() < s.flying_share)
        start = self._moment(rng, aimed, flying)
        if aimed and flying and rng.random() < s.fast_share:
            more = [start, *(self._moment(rng, aimed, flying) for _ in range(_FASTEST_OF - 1))]
            start = max(more, key=self._speed)
        t = start + np.arange(s.frames) / rig.fps
        crowds = [
            see_figures(self.renderer.stages, rig, self.view, float(x), self.renderer.rim)
            for x in t
        ]
        middle = s.frames // 2 if s.aim_frame is None else s.aim_frame
        aim, at = self._aim(rng, float(t[middle]), crowds[middle], aimed)
        window = self._window(rng, at, aim)
        pictures = [
            self.renderer.frame_with(c, self.view, float(x), rng, window)
            for c, x in zip(crowds, t, strict=True)
        ]
        planes = [(p.luma, p.cb, p.cr) for p in pictures]
        if rng.random() < s.coded_share:
            planes = _coded(planes, rng, s.coding_crf)
        empty = None
        if s.with_empty:
            still = self.renderer.empty(self.view, float(t[0]), window)
            empty = (still.luma, still.cb, still.cr)
        return _labelled(planes, pictures, t, window, empty, aim, self.scene.ball.name == "white")

    def _moment(self, rng: np.random.Generator, at_ball: bool, flying: bool) -> float:
        """World time of a first frame; at_ball: with the ball in the frame, flying if so wanted."""
        game = self.renderer.stages[0].game
        t = float(rng.uniform(*self.span))
        for _ in range(20 if at_ball else 0):
            play = game.ball_in_play(t)
            if play is not None and self._ball_uv(t) is not None:
                path = game.paths[play]
                if not flying or path.state[path.piece(np.array([t]))[0]] in (TOSS, FLIGHT):
                    break
            t = float(rng.uniform(*self.span))
        return t

    def _aim(
        self, rng: np.random.Generator, t: float, crowd: Crowd, at_ball: bool
    ) -> tuple[str, FloatArray]:
        """What the crop looks at, and where that is."""
        w, h = self.scene.rig.size_px
        if at_ball:
            uv = self._ball_uv(t)
            if uv is not None:
                return "ball", uv
        kind = str(rng.choice(["figure", "still", "anywhere"], p=[0.6, 0.15, 0.25]))
        if kind == "figure":
            seen = np.flatnonzero(crowd.counts[:, 0])
            if len(seen):
                i = int(rng.choice(seen))
                end = _end_of_limb(crowd.limbs[i, 0, : crowd.counts[i, 0]], rng)
                if 0 <= end[0] < w and 0 <= end[1] < h:
                    return "figure", end
        if kind == "still" and len(self._still):
            return "still", self._still[int(rng.integers(len(self._still)))]
        return "anywhere", np.array([rng.uniform(0, w), rng.uniform(0, h)])

    def _ball_uv(self, t: float) -> FloatArray | None:
        """Where the ball in play is seen, if that lies in the frame."""
        game = self.renderer.stages[0].game
        play = game.ball_in_play(t)
        if play is None:
            return None
        size = self.scene.rig.size_px
        uv = project(self.view.camera(size), game.paths[play].xyz_at(np.array([t])))[0]
        return uv if bool(np.all((uv >= 0) & (uv < size))) else None

    def _speed(self, t: float) -> float:
        """How fast the ball in play moves over the picture [px/s]; 0 where it is not seen."""
        first, then = self._ball_uv(t), self._ball_uv(t + _MOMENT_S)
        if first is None or then is None:
            return 0.0
        return float(np.hypot(*(then - first))) / _MOMENT_S

    def _window(self, rng: np.random.Generator, at: FloatArray, aim: str) -> Window:
        spread = self.settings.aim_spread
        size = np.array(self.settings.size_px)
        corner = at - size / 2 + rng.uniform(-spread, spread, 2) * size
        most = np.array(self.scene.rig.size_px) - size
        x, y = (2 * np.round(np.clip(corner, 0, most) / 2)).astype(int)
        return (
            int(min(x, most[0] // 2 * 2)),
            int(min(y, most[1] // 2 * 2)),
            int(size[0]),
            int(size[1]),
        )


def varied_scene(rng: np.random.Generator, settings: CropSettings) -> Scene:
    """A hall, a camera, a ball and players as wide apart as a detector should know them.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of all chance.
    settings : CropSettings
        Views, size of the picture, zoom and shares.
    """
    view = settings.views[int(rng.integers(len(settings.views)))]
    scene = random_scene(rng, view, size_px=settings.frame_px)
    rig = replace(
        scene.rig, drift=Drift(), f_px=scene.rig.f_px * float(rng.uniform(*settings.zoom))
    )
    if rng.random() < 0.5:  # a closer look at one half
        rig = replace(rig, aim_m=(float(rng.uniform(-1.2, 1.2)), 0.0, 0.15))
    if rng.random() < settings.grainy_share:
        rig = _grainy(rig, rng)
    scene = replace(scene, rig=rig)
    if rng.random() < settings.film_rate_share:
        scene = at_rate(scene, float(rng.choice([24.0, 25.0, 30.0])))
    if rng.random() < settings.slow_share:
        exposure = float(rng.uniform(0.3, 0.95)) / scene.rig.fps
        scene = replace(scene, rig=replace(scene.rig, exposure_s=exposure))
    if rng.random() < settings.odd_ball_share:
        scene = replace(scene, ball=odd_ball(rng))
    return with_neighbour(scene, rng) if rng.random() < settings.neighbour_share else scene


def _grainy(rig: CameraRig, rng: np.random.Generator) -> CameraRig:
    """The camera with a small sensor behind a cheap lens."""
    return replace(
        rig, read_noise=rig.read_noise * float(rng.uniform(1.0, 4.0)),
        shot_noise=rig.shot_noise * float(rng.uniform(1.0, 4.0)),
        blur_px=float(rng.uniform(0.5, 1.4)),
        brightness=rig.brightness * float(rng.uniform(0.5, 1.0)),
    )  # fmt: skip


def _end_of_limb(limbs: FloatArray, rng: np.random.Generator) -> FloatArray:
    """(2,) u, v of an end of a projected limb: small ones, which look like a ball, more often."""
    capsules = limbs[limbs[:, 18] == 0.0]
    ends = np.concatenate([limbs[:, :3], capsules[:, 3:6]])
    chance = 1.0 / np.maximum(ends[:, 2], 1.0)
    return ends[int(rng.choice(len(ends), p=chance / chance.sum())), :2].copy()


def _still_aims(scene: Scene, view: View) -> FloatArray:
    """(n, 2) places of lines, corners, net and still things that lie in the picture."""
    x = np.linspace(-1.36, 1.36, 9)
    lines = [[a, b, 0.0] for a in x for b in (-0.75, 0.0, 0.75)]
    ends = [[a, b, 0.0] for a in (-1.36, 1.36) for b in (-0.4, 0.4)]
    things = [list(t.centre_m) for t in scene.hall.things]
    points = np.concatenate([table_corners(), net_tops(), np.array(lines + ends + things)])
    uv = project(view.camera(scene.rig.size_px), points)
    w, h = scene.rig.size_px
    ok = np.isfinite(uv).all(axis=1) & (uv > 0).all(axis=1) & (uv[:, 0] < w) & (uv[:, 1] < h)
    return uv[ok]


def _coded(
    planes: list[Planes], rng: np.random.Generator, crf: tuple[float, float]
) -> list[Planes]:
    """Planes after coding and decoding, somewhere between two whole pictures of the coder.

    Before the first comes what follows it, played to and fro, so that the coder has a past. The
    coder's blocks lie anywhere in the crop.
    """
    last = max(len(planes) - 1, 1)
    past = [
        min(i % (2 * last), -i % (2 * last)) for i in range(int(rng.integers(0, _PAST + 1)), 0, -1)
    ]
    settings = CodingSettings(
        float(rng.uniform(*crf)), int(rng.choice([0, 0, 1, 3])), int(rng.integers(2, 60)),
        str(rng.choice(["superfast", "veryfast"])),
    )  # fmt: skip
    h, w = planes[0][0].shape
    x, y = (2 * int(n) for n in rng.integers(0, _BLOCK // 2, 2))
    wide = [
        (_bordered(luma, x, y, _BLOCK), _bordered(cb, x // 2, y // 2, _BLOCK // 2),
         _bordered(cr, x // 2, y // 2, _BLOCK // 2))
        for luma, cb, cr in [*(planes[i] for i in past if i < len(planes)), *planes]
    ]  # fmt: skip
    coded = recoded(wide, settings)[-len(planes) :]
    return [
        (
            a[y : y + h, x : x + w].copy(),
            b[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2].copy(),
            c[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2].copy(),
        )
        for a, b, c in coded
    ]


def _bordered(plane: ByteImage, x: int, y: int, block: int) -> ByteImage:
    """A plane with its edge drawn on: x, y pixels before it, and to a whole block behind it."""
    h, w = plane.shape
    behind = -(h + y) % block, -(w + x) % block
    return np.pad(plane, ((y, behind[0]), (x, behind[1])), mode="edge")


def _labelled(
    planes: list[Planes],
    pictures: list[Picture],
    t_s: FloatArray,
    window: Window,
    empty: tuple[ByteImage, ByteImage, ByteImage] | None,
    aim: str,
    white: bool,
) -> Crop:
    n = len(pictures)
    x, y, w, h = window
    corner = np.array([x, y], dtype=np.float64)
    uv, streak = np.full((n, 2), np.nan), np.full((n, 2), np.nan)
    radius, visible, contrast = np.full(n, np.nan), np.zeros(n), np.zeros(n)
    others = []
    for i, picture in enumerate(pictures):
        b = picture.ball
        if b is not None:
            uv[i], streak[i] = b.uv_px - corner, b.uv_end_px - b.uv_start_px
            radius[i], visible[i], contrast[i] = b.radius_px, b.visible, b.contrast
        others.append(_inside([o for o in picture.others if o.visible > 0], corner, w, h))
    with np.errstate(invalid="ignore"):
        inside = (uv >= -0.5).all(axis=1) & (uv[:, 0] < w - 0.5) & (uv[:, 1] < h - 0.5)
    return Crop(
        np.stack([p[0] for p in planes]), np.stack([p[1] for p in planes]),
        np.stack([p[2] for p in planes]), empty, t_s, uv, streak, radius, visible, contrast,
        inside, tuple(others), aim, white,
    )  # fmt: skip


def _inside(balls: list[BallSeen], corner: FloatArray, w: int, h: int) -> FloatArray:
    uv = np.array([b.uv_px - corner for b in balls]).reshape(-1, 2)
    ok = (uv >= -0.5).all(axis=1) & (uv[:, 0] < w - 0.5) & (uv[:, 1] < h - 0.5)
    return uv[ok]
