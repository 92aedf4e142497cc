"""Frames of a scene: the still hall, with figures, balls and their shadows laid in, developed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.simulate import raster
from halfvolley.simulate.draw_ball import BallSeen, Film, lay_ball, lay_shadows
from halfvolley.simulate.draw_figures import Crowd, lay_figures, see_figures
from halfvolley.simulate.hall import LightImage, build_surfaces
from halfvolley.simulate.lens import Still, View
from halfvolley.simulate.path import BallPath
from halfvolley.simulate.scene import CameraRig, Scene
from halfvolley.simulate.stage import Nodes, Sheet, Stage
from halfvolley.types import ByteImage, FloatArray

WHITE = 2.0  # light that the tone curve maps to white
_CURVE = 4096

Window = tuple[int, int, int, int]
"""Part of a frame: left, top, width, height; all even, so that colour planes fit."""


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A developed frame, or a window of it, and what it shows; places are those of the frame."""

    luma: ByteImage
    cb: ByteImage
    cr: ByteImage
    ball: BallSeen | None
    others: tuple[BallSeen, ...]


def tone_curve(rig: CameraRig) -> tuple[LightImage, LightImage]:
    """Value (0-1) and grain's standard deviation against the square root of light over WHITE."""
    x = np.linspace(0.0, 1.0, _CURVE) ** 2 * WHITE
    y = x * (1.0 + x / WHITE**2) / (1.0 + x)
    y = y / y[-1]
    # BT.709, equation 1.2
    value = np.where(y < 0.018, 4.5 * y, 1.099 * np.maximum(y, 1e-9) ** 0.45 - 0.099)
    slope = np.gradient(value, x, edge_order=1)
    slope[0] = slope[1]
    sd = slope * np.sqrt(rig.read_noise**2 + rig.shot_noise**2 * x)
    return value.astype(np.float32), np.minimum(sd, 0.12).astype(np.float32)


class Renderer:
    """Draws frames of one scene.

    Parameters
    ----------
    scene : Scene
        Hall, camera, ball.
    stages : sequence of Stage
        The table of interest first, then other tables with play.
    views : list of View
        The camera at every frame that will be asked for.
    rng : numpy.random.Generator
        Source of grain and flicker.
    spp : int
        Rays for a pixel on an edge of the still hall.
    """

    def __init__(
        self,
        scene: Scene,
        stages: Sequence[Stage],
        views: list[View],
        rng: np.random.Generator,
        spp: int = 24,
    ) -> None:
        self.scene, self.stages, self.rig = scene, tuple(stages), scene.rig
        self.still = Still(build_surfaces(scene), scene.rig, views, int(rng.integers(1 << 30)), spp)
        self.grain = _grain(rng)
        self.flicker_phase = float(rng.uniform(0, 2 * np.pi))
        curve, self.sd_curve = tone_curve(scene.rig)
        self.film = Film(self._gain(), curve, WHITE)
        # softness widens the ramp with which outlines are drawn: sd of a ramp of width w is w/12^.5
        self.rim = float(np.sqrt(1.0 + 12.0 * scene.rig.blur_px**2))
        self._nodes: dict[tuple[int, int], Nodes] = {}

    def _gain(self) -> FloatArray:
        base = next(iter(self.still.layers.values())).base
        middle = float(np.median(base[..., 1]))
        gain = 0.5 * self.rig.brightness / max(middle, 1e-4)
        # white paper on the table must not be far beyond white
        gain = min(gain, 1.8 / (0.85 * (1.0 + self.scene.hall.ambient)))
        return gain * np.array(self.rig.cast)

    def frame(
        self, view: View, t_s: float, rng: np.random.Generator, window: Window | None = None
    ) -> Picture:
        """One picture.

        Parameters
        ----------
        view : View
            The camera.
        t_s : float
            World time at which the exposure of row 0 starts [s].
        rng : numpy.random.Generator
            Of the grain.
        window : tuple, optional
            Draw only this part: left, top, width, height, all even. What is told of the ball then
            counts only what lies in it.

        Returns
        -------
        Picture
            Planes and truth.
        """
        crowd = see_figures(self.stages, self.rig, view, t_s, self.rim)
        return self.frame_with(crowd, view, t_s, rng, window)

    def frame_with(
        self, crowd: Crowd, view: View, t_s: float, rng: np.random.Generator, window: Window | None
    ) -> Picture:
        """As `frame`, with the figures already projected."""
        sheet = self._sheet(view, window)
        lay_shadows(sheet, crowd, self.scene, self.stages, view, t_s)
        lay_figures(sheet, crowd, self.scene, view, self.rim)
        others: list[BallSeen] = []
        main: BallSeen | None = None
        for first, index, path in self._balls(view, t_s):
            ball = lay_ball(
                sheet, crowd, self.scene, view, t_s, self.stages[index], path,
                self._path(index, path), self.film,
            )  # fmt: skip
            if first:
                main = ball
            elif ball is not None:
                others.append(ball)
        return self._developed(sheet, t_s, rng, main, tuple(others))

    def empty(self, view: View, t_s: float, window: Window | None = None) -> Picture:
        """The hall without people, balls and grain."""
        sheet = self._sheet(view, window)
        return self._developed(sheet, t_s, None, None, ())

    def _sheet(self, view: View, window: Window | None) -> Sheet:
        base, table, net = self.still.at(view)
        if window is None:
            return Sheet(base.copy(), table, net)
        x, y, w, h = window
        return Sheet(base[y : y + h, x : x + w].copy(), table, net, x, y)

    def _path(self, index: int, path: BallPath) -> Nodes:
        key = (index, path.ball_id)
        if key not in self._nodes:
            self._nodes[key] = self.stages[index].nodes(path)
        return self._nodes[key]

    def _balls(self, view: View, t_s: float) -> list[tuple[bool, int, BallPath]]:
        """All balls of a frame, farthest first: whether it is the one in play, stage, path."""
        out = []
        for i, stage in enumerate(self.stages):
            play = stage.game.ball_in_play(t_s)
            for k, path in enumerate(stage.game.paths):
                if k != play and path.t_s[0] > t_s:
                    continue
                at = stage.place(path.xyz_at(np.array([t_s]))[0])
                far = float(np.linalg.norm(at - view.centre_m))
                out.append((far, (i == 0 and k == play, i, path)))
        return [b for _, b in sorted(out, key=lambda o: -o[0])]

    def _developed(
        self,
        sheet: Sheet,
        t_s: float,
        rng: np.random.Generator | None,
        ball: BallSeen | None,
        others: tuple[BallSeen, ...],
    ) -> Picture:
        size = self.rig.size_px
        h, w = sheet.light.shape[:2]
        rows = np.arange(sheet.y0, sheet.y0 + h)
        t = t_s + self.rig.readout_s * rows / size[1] + 0.5 * self.rig.exposure_s
        f = self.rig.flicker_hz
        swing = self.rig.flicker_depth * np.sinc(f * self.rig.exposure_s)
        row_gain = 1.0 + swing * np.cos(2 * np.pi * f * t + self.flicker_phase)
        luma = np.empty((h, w), np.uint8)
        cb = np.empty(((h + 1) // 2, (w + 1) // 2), np.uint8)
        cr = np.empty_like(cb)
        sd = self.sd_curve if rng is not None else np.zeros_like(self.sd_curve)
        offsets = rng.integers(0, 1 << 20, 3) if rng is not None else np.zeros(3, np.int64)
        raster.develop(
            sheet.light, self.film.gain, row_gain.astype(np.float32), self.rig.vignette, size[0],
            size[1], sheet.x0, sheet.y0, self.film.curve, WHITE, self.grain, sd, offsets, luma, cb,
            cr,
        )  # fmt: skip
        return Picture(luma, cb, cr, ball, others)


def _grain(rng: np.random.Generator, size: int = 512) -> LightImage:
    """Noise of unit variance, slightly smooth as after interpolation of a colour mosaic."""
    white = rng.standard_normal((size, size)).astype(np.float32)
    soft = white + 0.35 * (np.roll(white, 1, 0) + np.roll(white, 1, 1))
    return (soft / soft.std()).astype(np.float32)
