"""Frames of a scene: the still hall, with figures, balls and their shadows laid in, developed."""

from dataclasses import dataclass

import numpy as np

from halfvolley.camera.kernels import project_point_jacobian
from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.simulate import raster
from halfvolley.simulate.figures import N_LIMBS, Figure
from halfvolley.simulate.hall import LightImage, build_surfaces
from halfvolley.simulate.lens import Still, View
from halfvolley.simulate.path import STATES, BallPath, Game
from halfvolley.simulate.scene import FLOOR_Z_M, BallLook, CameraRig, Scene
from halfvolley.types import ByteImage, FloatArray, IntArray

HALF_X, HALF_Y = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
WHITE = 2.0  # light that the tone curve maps to white
_CURVE = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A table in the hall, where it stands, who plays there and with what."""

    game: Game
    figures: tuple[Figure, ...]
    look: BallLook
    turn: FloatArray  # (3, 3) hall from table
    shift_m: FloatArray  # (3,)

    def placed(self, limbs: FloatArray) -> FloatArray:
        """Limbs in the hall's frame."""
        out = limbs.copy()
        out[..., 0:3] = limbs[..., 0:3] @ self.turn.T + self.shift_m
        disc = limbs[..., 16:17] != 0.0
        ends = limbs[..., 4:7] @ self.turn.T
        out[..., 4:7] = np.where(disc, ends, ends + self.shift_m)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class BallSeen:
    """What a frame shows of a ball, exactly; fields as in the truth file."""

    ball_id: int
    state: str
    t_s: float  # world time at which its centre's row was at mid-exposure
    xyz_m: FloatArray
    v_mps: FloatArray
    omega_radps: FloatArray
    uv_px: FloatArray  # (2,)
    radius_px: float
    uv_start_px: FloatArray
    uv_end_px: FloatArray
    visible: float  # 0-1
    contrast: float  # 0-255
    centroid_px: FloatArray  # (2,) of the visible coverage as drawn; NaN if none
    in_frame: bool


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A developed frame and what it shows."""

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
    value = np.where(y < 0.018, 4.5 * y, 1.099 * np.maximum(y, 1e-9) ** 0.45 - 0.099)
    slope = np.gradient(value, x, edge_order=1)
    slope[0] = slope[1]
    sd = slope * np.sqrt(rig.read_noise**2 + rig.shot_noise**2 * x)
    return value.astype(np.float32), np.minimum(sd, 0.12).astype(np.float32)


def lamp_light(scene: Scene, at_m: FloatArray) -> FloatArray:
    """(l, 4) unit directions to the lamps and the irradiance that each gives at a place."""
    rows = []
    for lamp in scene.hall.lamps:
        d = np.array(lamp.centre_m) - at_m
        far = float(np.linalg.norm(d))
        rows.append([*(d / far), lamp.power * max(d[2], 0.0) / far**3])
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


class Renderer:
    """Draws frames of one scene.

    Parameters
    ----------
    scene : Scene
        Hall, camera, ball.
    stages : list of Stage
        The table of interest first, then other tables with play.
    views : list of View
        The camera at every frame that will be asked for.
    rng : numpy.random.Generator
        Source of grain and flicker.
    spp : int
        Rays for a pixel on an edge of the still hall.
    """

    def __init__(
        self, scene: Scene, stages: list[Stage], views: list[View], rng: np.random.Generator,
        spp: int = 24,
    ) -> None:  # fmt: skip
        self.scene, self.stages, self.rig = scene, stages, scene.rig
        self.still = Still(build_surfaces(scene), scene.rig, views, int(rng.integers(1 << 30)), spp)
        self._paths: dict[tuple[int, int], tuple[FloatArray, FloatArray, FloatArray]] = {}
        self.grain = _grain(rng)
        self.flicker_phase = float(rng.uniform(0, 2 * np.pi))
        self.curve, self.sd_curve = tone_curve(scene.rig)
        self.gain = self._gain()
        # softness widens the ramp with which outlines are drawn: sd of a ramp of width w is w/12^.5
        self.rim = float(np.sqrt(1.0 + 12.0 * scene.rig.blur_px**2))

    def _gain(self) -> FloatArray:
        base = next(iter(self.still.layers.values())).base
        middle = float(np.median(base[..., 1]))
        gain = 0.5 * self.rig.brightness / max(middle, 1e-4)
        # white paper on the table must not be far beyond white
        gain = min(gain, 1.8 / (0.85 * (1.0 + self.scene.hall.ambient)))
        return gain * np.array(self.rig.cast)

    def frame(self, view: View, t_s: float, rng: np.random.Generator) -> Picture:
        """The picture whose first row's exposure starts at world time t_s [s]."""
        base, table, net = self.still.at(view)
        light = base.copy()
        limbs, counts, moments = self._limbs(view, t_s)
        self._shadows(light, table, view, t_s)
        self._figures(light, table, net, view, limbs, counts)
        seen: list[BallSeen] = []
        main: BallSeen | None = None
        for index, (stage, path) in self._balls(view, t_s):
            ball = self._ball(light, table, net, view, t_s, stage, path, limbs, counts, moments)
            if ball is None:
                continue
            if index == 0:
                main = ball
            else:
                seen.append(ball)
        return self._developed(light, t_s, rng, main, tuple(seen))

    # --- figures ---
    def _limbs(self, view: View, t_s: float) -> tuple[FloatArray, IntArray, FloatArray]:
        """Projected limbs (figures, moments, m, 24), their counts, and the moments' times."""
        figures = [(s, f) for s in self.stages for f in s.figures]
        h = self.rig.size_px[1]
        n = int(np.clip(np.ceil(self.rig.exposure_s * 300), 1, 5))
        offsets = self.rig.exposure_s * (np.arange(n) + 0.5) / n
        out = np.zeros((len(figures), n, N_LIMBS, 24))
        counts = np.zeros((len(figures), n), np.int64)
        for i, (stage, figure) in enumerate(figures):
            times = np.concatenate([t_s + offsets, t_s + offsets + self.rig.readout_s])
            both = stage.placed(figure.limbs(times))
            now = np.empty_like(both[0])
            for m in range(n):
                raster.mix_rows(both[m], both[n + m], view.lens, view.R, view.t_m, h, now)
                counts[i, m] = raster.project_limbs(
                    now, view.lens, view.R, view.t_m, view.centre_m, out[i, m]
                )
        return out, counts, t_s + offsets + 0.5 * self.rig.readout_s

    def _figures(
        self, light: LightImage, table: LightImage, net: LightImage, view: View,
        limbs: FloatArray, counts: IntArray,
    ) -> None:  # fmt: skip
        far = [float(limbs[i, 0, : counts[i, 0], 6].mean()) if counts[i, 0] else 0.0
               for i in range(len(limbs))]  # fmt: skip
        w, h = self.rig.size_px
        figures = [(s, f) for s in self.stages for f in s.figures]
        side = float(np.sign(view.centre_m[0]) or 1.0)
        for i in np.argsort(far)[::-1]:
            if not counts[i].any():
                continue
            box = _limbs_box(limbs[i], counts[i], self.rim, w, h)
            if box is None:
                continue
            x0, y0, x1, y1 = box
            stage, figure = figures[i]
            root = figure.controls(np.array([0.0]))[0, :2]
            at = stage.turn @ np.array([root[0], root[1], 0.2]) + stage.shift_m
            lamps = lamp_light(self.scene, at)
            parts = np.zeros((3, y1 - y0, x1 - x0, 4), np.float32)
            cut_table, cut_net = table[y0:y1, x0:x1], net[y0:y1, x0:x1]
            n = counts.shape[1]
            for m in range(n):
                raster.draw_limbs(
                    limbs[i, m], counts[i, m], view.R, lamps, self.scene.hall.ambient, 0.12,
                    side, self.rim, cut_table, cut_net, x0, y0, 1.0 / n, parts,
                )  # fmt: skip
            raster.put_figure(light, parts, cut_table, cut_net, x0, y0)

    # --- shadows ---
    def _shadows(self, light: LightImage, table: LightImage, view: View, t_s: float) -> None:
        when = t_s + 0.5 * (self.rig.readout_s + self.rig.exposure_s)
        for stage in self.stages:
            for figure in stage.figures:
                feet = figure.controls(np.array([when]))[0]
                for foot in (feet[12:14], feet[15:17], feet[0:2]):
                    size = 0.42 if foot is feet else 0.22
                    at = stage.turn @ np.array([foot[0], foot[1], FLOOR_Z_M]) + stage.shift_m
                    self._shadow(light, table, view, at, size, 0.28, on_table=False)
            for path in stage.game.paths:
                if not path.t_s[0] <= when <= path.t_s[-1] + 60.0:
                    continue
                at = stage.turn @ path.xyz_at(np.array([when]))[0] + stage.shift_m
                self._ball_shadow(light, table, view, at, stage.game.radius_m)

    def _ball_shadow(
        self, light: LightImage, table: LightImage, view: View, at: FloatArray, radius: float
    ) -> None:
        over_table = abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y and at[2] > 0
        ground = 0.0 if over_table else FLOOR_Z_M
        height = at[2] - ground
        if height > raster.SHADOW_REACH_M:
            return
        lamps = lamp_light(self.scene, at)
        whole = lamps[:, 3].sum() + self.scene.hall.ambient
        for (dx, dy, dz, power), lamp in zip(lamps, self.scene.hall.lamps, strict=True):
            size = radius + height * 0.5 * sum(lamp.half_m) / max(lamp.centre_m[2] - at[2], 0.5)
            strength = 0.9 * power / whole * (radius / size) ** 2
            if strength > 0.01:
                spot = np.array([at[0] - dx / dz * height, at[1] - dy / dz * height, ground])
                self._shadow(light, table, view, spot, 1.5 * size, strength, over_table)
        strength = 0.8 * self.scene.hall.ambient / whole * (radius / (radius + height)) ** 2
        spot = np.array([at[0], at[1], ground])
        self._shadow(light, table, view, spot, 2.0 * radius + height, strength, over_table)

    def _shadow(
        self, light: LightImage, table: LightImage, view: View, at: FloatArray, size: float,
        strength: float, on_table: bool,
    ) -> None:  # fmt: skip
        d_xyz, d_par = np.empty((2, 3)), np.empty((2, 11))
        u, v = project_point_jacobian(*view.lens, view.R, view.t_m, *at, d_xyz, d_par)
        if not np.isfinite(u):
            return
        J = d_xyz[:, :2] * size
        cov = J @ J.T + 0.3 * np.eye(2)
        inv = np.linalg.inv(cov)
        ru, rv = np.sqrt(np.diag(cov))
        w, h = self.rig.size_px
        x0, x1 = max(int(u - ru), 0), min(int(u + ru) + 2, w)
        y0, y1 = max(int(v - rv), 0), min(int(v + rv) + 2, h)
        if x0 < x1 and y0 < y1:
            raster.darken(light, table, on_table, u, v, inv[0, 0], inv[0, 1], inv[1, 1], strength,
                          x0, y0, x1, y1)  # fmt: skip

    # --- balls ---
    def _balls(self, view: View, t_s: float) -> list[tuple[int, tuple[Stage, BallPath]]]:
        """All balls of a frame, farthest first; index 0 is the one in play on the first table."""
        out = []
        for i, stage in enumerate(self.stages):
            play = stage.game.ball_in_play(t_s)
            for k, path in enumerate(stage.game.paths):
                if k != play and path.t_s[0] > t_s:
                    continue
                at = stage.turn @ path.xyz_at(np.array([t_s]))[0] + stage.shift_m
                far = float(np.linalg.norm(at - view.centre_m))
                out.append((far, (0 if i == 0 and k == play else 1, (stage, path))))
        return [b for _, b in sorted(out, key=lambda o: -o[0])]

    def _ball(
        self, light: LightImage, table: LightImage, net: LightImage, view: View, t_s: float,
        stage: Stage, path: BallPath, limbs: FloatArray, counts: IntArray, moments: FloatArray,
    ) -> BallSeen | None:  # fmt: skip
        rig, (w, h) = self.rig, self.rig.size_px
        nodes = self._nodes(stage, path)
        pose = (view.lens, view.R, view.t_m)
        guess = 0.5 * h
        start, u0, v0 = raster.seen_time(*nodes, t_s, rig.readout_s, h, 0.0, *pose, guess)
        middle, u, v = raster.seen_time(
            *nodes, t_s, rig.readout_s, h, 0.5 * rig.exposure_s, *pose, v0 if v0 == v0 else guess
        )
        end, u1, v1 = raster.seen_time(
            *nodes, t_s, rig.readout_s, h, rig.exposure_s, *pose, v if v == v else guess
        )
        if not np.isfinite([u0, v0, u, v, u1, v1]).all():
            return None
        at = raster.places_of(*nodes, np.array([middle]))[0]
        radius = stage.game.radius_m
        outline = raster.outlines(at[None], radius, *pose)[0]
        size = float(np.sqrt(np.sqrt(max(outline[2] * outline[4] - outline[3] ** 2, 0.0))))
        visible, contrast, centroid = self._sweep(
            light, table, net, view, t_s, stage, nodes, (start, end), (u0, v0, u1, v1), size,
            limbs, counts, moments,
        )  # fmt: skip
        piece = int(path.piece(np.array([middle]))[0])
        return BallSeen(
            path.ball_id, STATES[int(path.state[piece])], middle, at,
            stage.turn @ path.v_at(np.array([middle]))[0],
            stage.turn @ path.omega_at(np.array([middle]))[0], np.array([u, v]), size,
            np.array([u0, v0]), np.array([u1, v1]), visible, contrast, centroid,
            bool(-0.5 <= u < w - 0.5 and -0.5 <= v < h - 0.5),
        )  # fmt: skip

    def _nodes(self, stage: Stage, path: BallPath) -> tuple[FloatArray, FloatArray, FloatArray]:
        key = (id(stage), path.ball_id)
        if key not in self._paths:
            self._paths[key] = (
                path.t_s,
                np.ascontiguousarray(path.xyz_m @ stage.turn.T + stage.shift_m),
                np.ascontiguousarray(path.v_mps @ stage.turn.T),
            )
        return self._paths[key]

    def _sweep(
        self, light: LightImage, table: LightImage, net: LightImage, view: View, t_s: float,
        stage: Stage, nodes: tuple[FloatArray, FloatArray, FloatArray],
        span: tuple[float, float], ends: tuple[float, float, float, float], size: float,
        limbs: FloatArray, counts: IntArray, moments: FloatArray,
    ) -> tuple[float, float, FloatArray]:  # fmt: skip
        """Draws the streak; returns visible share, contrast, centroid."""
        rig, (w, h) = self.rig, self.rig.size_px
        # one sample a pixel is not enough for a small ball
        sub = 1 if size > 5.0 else (2 if size > 2.5 else 4)
        rim = float(np.sqrt(1.0 / sub**2 + 12.0 * rig.blur_px**2))
        reach = 1.1 * size + self.rim + 1.0
        # rows that the ball can touch, and so the times at which it is seen there
        early = span[0] - rig.readout_s * reach / h
        late = span[1] + rig.readout_s * reach / h
        length = (
            np.hypot(ends[2] - ends[0], ends[3] - ends[1])
            * (late - early)
            / (max(span[1] - span[0], 1e-9))
        )
        n = int(np.clip(np.ceil(length / 0.3), 9, 600))
        times = early + (np.arange(n) + 0.5) * (late - early) / n
        places = raster.places_of(*nodes, times)
        outline = raster.outlines(places, stage.game.radius_m, view.lens, view.R, view.t_m)
        nothing = (0.0, 0.0, np.full(2, np.nan))
        if not outline[:, 6].all():
            return nothing
        x0 = max(int(np.floor(outline[:, 0].min() - reach)), 0)
        y0 = max(int(np.floor(outline[:, 1].min() - reach)), 0)
        x1 = min(int(np.ceil(outline[:, 0].max() + reach)) + 1, w)
        y1 = min(int(np.ceil(outline[:, 1].max() + reach)) + 1, h)
        if x0 >= x1 or y0 >= y1:
            return nothing
        centre = view.centre_m
        by_table = (np.abs(places[:, 0]) > HALF_X + 0.02) | (np.abs(places[:, 1]) > HALF_Y + 0.02)
        by_table |= places[:, 2] < 0.0
        by_net = places[:, 0] * centre[0] < 0.0
        at = places[n // 2]
        lamps = lamp_light(self.scene, at)
        under = self._light_from_below(at)
        if at[2] < -0.03 and abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y:
            lamps[:, 3] *= 0.12  # below the table
        drawn = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
        cover = np.zeros((y1 - y0, x1 - x0), np.float32)
        sums = np.zeros(4)
        colour = np.array(stage.look.colour)
        cut_table, cut_net = table[y0:y1, x0:x1], net[y0:y1, x0:x1]
        raster.draw_ball(
            times, (late - early) / n, outline, t_s, rig.readout_s, rig.exposure_s, h, rim, sub,
            view.R, lamps, self.scene.hall.ambient, under, colour, stage.look.gloss, limbs,
            counts, moments, cut_table, cut_net, by_table, by_net, x0, y0, drawn, cover, sums,
        )  # fmt: skip
        before = light[y0:y1, x0:x1].copy()
        raster.put_ball(light, drawn, cover, x0, y0)
        contrast = raster.contrast(
            before, light[y0:y1, x0:x1], x0, y0, self.gain, self.curve, WHITE
        )
        # an ellipse drawn with a ramp covers its own area and that of the ramp's second moment
        area = np.pi * (size * size + rim**2 / 12.0)
        visible = float(np.clip(sums[1] / area, 0.0, 1.0))
        if sums[1] <= 0.0:
            return nothing
        return visible, contrast, sums[2:4] / sums[1]

    def _light_from_below(self, at: FloatArray) -> FloatArray:
        """Light that table or floor send up to a ball."""
        over = abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y and at[2] > 0
        colour = np.array(self.scene.table.top if over else self.scene.hall.floor)
        height = at[2] if over else at[2] - FLOOR_Z_M
        return colour * (1.0 + self.scene.hall.ambient) / (1.0 + (height / 0.6) ** 2)

    # --- development ---
    def _developed(
        self, light: LightImage, t_s: float, rng: np.random.Generator, ball: BallSeen | None,
        others: tuple[BallSeen, ...],
    ) -> Picture:  # fmt: skip
        w, h = self.rig.size_px
        rows = t_s + self.rig.readout_s * np.arange(h) / h + 0.5 * self.rig.exposure_s
        f = self.rig.flicker_hz
        swing = self.rig.flicker_depth * np.sinc(f * self.rig.exposure_s)
        row_gain = (1.0 + swing * np.cos(2 * np.pi * f * rows + self.flicker_phase)).astype(
            np.float32
        )
        luma = np.empty((h, w), np.uint8)
        cb = np.empty(((h + 1) // 2, (w + 1) // 2), np.uint8)
        cr = np.empty_like(cb)
        offsets = rng.integers(0, 1 << 20, 3)
        raster.develop(
            light, self.gain, row_gain, self.rig.vignette, self.curve, WHITE, self.grain,
            self.sd_curve, offsets, luma, cb, cr,
        )  # fmt: skip
        return Picture(luma, cb, cr, ball, others)


def _grain(rng: np.random.Generator, size: int = 1024) -> LightImage:
    """Noise of unit variance, slightly smooth as after interpolation of a colour mosaic."""
    white = rng.standard_normal((size, size)).astype(np.float32)
    soft = white + 0.35 * (np.roll(white, 1, 0) + np.roll(white, 1, 1))
    return (soft / soft.std()).astype(np.float32)


def _limbs_box(
    limbs: FloatArray, counts: IntArray, rim: float, w: int, h: int
) -> tuple[int, int, int, int] | None:
    boxes = [
        raster.limb_box(limbs[m, i], rim) for m in range(len(counts)) for i in range(counts[m])
    ]
    a = np.array(boxes)
    x0, y0 = max(int(np.floor(a[:, 0].min())), 0), max(int(np.floor(a[:, 1].min())), 0)
    x1, y1 = min(int(np.ceil(a[:, 2].max())) + 1, w), min(int(np.ceil(a[:, 3].max())) + 1, h)
    return (x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None
