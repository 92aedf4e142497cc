"""Balls and shadows laid into a frame: exact streaks, and what of them is seen."""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.simulate import raster
from halfvolley.simulate.draw_figures import Crowd
from halfvolley.simulate.hall import LightImage
from halfvolley.simulate.lens import View
from halfvolley.simulate.path import STATES, BallPath
from halfvolley.simulate.scene import FLOOR_Z_M, CameraRig, Scene
from halfvolley.simulate.stage import Nodes, Sheet, Stage, lamp_light
from halfvolley.types import FloatArray

HALF_X, HALF_Y = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
SHADOW_REACH_M = 0.6  # height up to which a ball's shadow can be seen
STEP_PX = 0.4  # travel of the ball between two slices of its exposure


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
class Film:
    """How light becomes a value: gains, tone curve and the light that is white."""

    gain: FloatArray  # (3,)
    curve: LightImage
    white: float


def lay_ball(
    sheet: Sheet, crowd: Crowd, scene: Scene, view: View, t_s: float, stage: Stage, path: BallPath,
    nodes: Nodes, film: Film,
) -> BallSeen | None:  # fmt: skip
    """Draws a ball and tells what is seen of it.

    Parameters
    ----------
    sheet : Sheet
        Where it is drawn; coverage and contrast count in the whole frame, or on a smaller sheet
        only there.
    crowd : Crowd
        Figures that may hide it.
    scene : Scene
        Light, colours and camera.
    view : View
        The camera at this frame.
    t_s : float
        World time at which the exposure of row 0 starts [s].
    stage : Stage
        Its table.
    path : BallPath
        Where it is.
    nodes : tuple
        The path in the hall's frame.
    film : Film
        For its contrast.

    Returns
    -------
    BallSeen or None
        None where it is not in front of the camera.
    """
    rig, (w, h) = scene.rig, scene.rig.size_px
    pose = (view.lens, view.R, view.t_m)
    times, uv = np.empty(3), np.empty((3, 2))
    guess = 0.5 * h
    for i, share in enumerate((0.0, 0.5, 1.0)):
        extra = share * rig.exposure_s
        times[i], *uv[i] = raster.seen_time(*nodes, t_s, rig.readout_s, h, extra, *pose, guess)
        if np.isfinite(uv[i, 1]):
            guess = uv[i, 1]
    if not np.isfinite(uv).all():
        return None
    middle = times[1:2]
    at = raster.places_of(*nodes, middle)[0]
    outline = raster.outlines(at[None], stage.game.radius_m, *pose)[0]
    size = float(np.sqrt(np.sqrt(max(outline[2] * outline[4] - outline[3] ** 2, 0.0))))
    streak = _Streak(stage, nodes, t_s, times, uv, size)
    visible, contrast, centroid = _sweep(sheet, crowd, scene, view, streak, film)
    u, v = uv[1]
    return BallSeen(
        path.ball_id, STATES[int(path.state[path.piece(middle)[0]])], float(times[1]), at,
        stage.turn @ path.v_at(middle)[0], stage.turn @ path.omega_at(middle)[0], uv[1], size,
        uv[0], uv[2], visible, contrast, centroid,
        bool(-0.5 <= u < w - 0.5 and -0.5 <= v < h - 0.5),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Streak:
    """A ball during one exposure."""

    stage: Stage
    nodes: Nodes
    t_s: float
    times: FloatArray  # (3,) start, middle, end
    uv_px: FloatArray  # (3, 2)
    radius_px: float


def _slices(streak: _Streak, rig: CameraRig, reach: float) -> tuple[FloatArray, float]:
    """Middles of the slices of time in which some row sees the ball, and their length."""
    h = rig.size_px[1]
    early = streak.times[0] - rig.readout_s * reach / h
    late = streak.times[2] + rig.readout_s * reach / h
    way = float(np.hypot(*(streak.uv_px[2] - streak.uv_px[0])))
    way *= (late - early) / max(streak.times[2] - streak.times[0], 1e-9)
    n = int(np.clip(np.ceil(way / STEP_PX), 9, 600))
    return early + (np.arange(n) + 0.5) * (late - early) / n, (late - early) / n


def _sweep(
    sheet: Sheet, crowd: Crowd, scene: Scene, view: View, streak: _Streak, film: Film
) -> tuple[float, float, FloatArray]:
    """Draws the streak; returns visible share, contrast, centroid."""
    rig, stage = scene.rig, streak.stage
    nothing = (0.0, 0.0, np.full(2, np.nan))
    # one sample a pixel is not enough for a small ball
    sub = 1 if streak.radius_px > 4.0 else (2 if streak.radius_px > 1.6 else 4)
    rim = float(np.sqrt(1.0 / sub**2 + 12.0 * rig.blur_px**2))
    reach = 1.1 * streak.radius_px + rim + 1.5
    times, span = _slices(streak, rig, reach)
    places = raster.places_of(*streak.nodes, times)
    outline = raster.outlines(places, stage.game.radius_m, view.lens, view.R, view.t_m)
    if not outline[:, 6].all():
        return nothing
    low, high = outline[:, :2].min(axis=0) - reach, outline[:, :2].max(axis=0) + reach
    box = sheet.clip(*low, *high)
    if box is None:
        return nothing
    x0, y0, x1, y1 = box
    by_table = (np.abs(places[:, 0]) > HALF_X + 0.02) | (np.abs(places[:, 1]) > HALF_Y + 0.02)
    by_table |= places[:, 2] < 0.0
    by_net = places[:, 0] * view.centre_m[0] < 0.0
    at = places[len(places) // 2]
    lamps = lamp_light(scene, at)
    if at[2] < -0.03 and abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y:
        lamps[:, 3] *= 0.12  # below the table
    drawn = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
    cover = np.zeros((y1 - y0, x1 - x0), np.float32)
    sums = np.zeros(4)
    shades = raster.ball_shades(
        view.R, lamps, scene.hall.ambient, _light_from_below(scene, at),
        np.array(stage.look.colour), stage.look.gloss,
    )  # fmt: skip
    limb_rim = float(np.sqrt(1.0 + 12.0 * rig.blur_px**2))
    raster.draw_ball(
        times, span, outline, streak.t_s, rig.readout_s, rig.exposure_s, rig.size_px[1], rim, sub,
        shades, crowd.limbs, crowd.counts, crowd.moments_s, limb_rim, sheet.table[y0:y1, x0:x1],
        sheet.net[y0:y1, x0:x1], by_table, by_net, x0, y0, drawn, cover, sums,
    )  # fmt: skip
    if sums[1] <= 0.0:
        return nothing
    left, top = x0 - sheet.x0, y0 - sheet.y0
    part = sheet.light[top : top + y1 - y0, left : left + x1 - x0]
    before = part.copy()
    raster.put_ball(sheet.light, drawn, cover, left, top)
    contrast = raster.contrast(before, part, film.gain, film.curve, film.white)
    # an ellipse drawn with a ramp covers its own area and that of the ramp's second moment
    area = np.pi * (streak.radius_px**2 + rim**2 / 12.0)
    return float(np.clip(sums[1] / area, 0.0, 1.0)), contrast, sums[2:4] / sums[1]


def _light_from_below(scene: Scene, at: FloatArray) -> FloatArray:
    """Light that table or floor send up to a ball."""
    over = abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y and at[2] > 0
    colour = np.array(scene.table.top if over else scene.hall.floor)
    height = at[2] if over else at[2] - FLOOR_Z_M
    return np.asarray(colour * (1.0 + scene.hall.ambient) / (1.0 + (height / 0.6) ** 2))


# --- shadows -----------------------------------------------------------------------------------
def lay_shadows(
    sheet: Sheet, crowd: Crowd, scene: Scene, stages: tuple[Stage, ...], view: View, t_s: float
) -> None:
    """Soft shadows of feet on the floor and of balls on table and floor."""
    rig = scene.rig
    spots = [
        (*spot, size, 0.28, 0.0)
        for feet in crowd.floor_m
        for spot, size in zip(feet, (0.22, 0.22, 0.45), strict=True)
    ]
    when = np.array([t_s + 0.5 * (rig.readout_s + rig.exposure_s)])
    for stage in stages:
        for path in stage.game.paths:
            if path.t_s[0] <= when[0]:
                at = stage.place(path.xyz_at(when)[0])
                spots += _ball_shadows(scene, at, stage.game.radius_m)
    if spots:
        raster.darken(
            sheet.light, sheet.table, sheet.x0, sheet.y0, np.array(spots), view.lens, view.R,
            view.t_m,
        )  # fmt: skip


def _ball_shadows(
    scene: Scene, at: FloatArray, radius: float
) -> list[tuple[float, float, float, float, float, float]]:
    """Place, radius, strength and ground of the shadows of all lamps, and of the light around."""
    over_table = float(abs(at[0]) < HALF_X and abs(at[1]) < HALF_Y and at[2] > 0)
    ground = 0.0 if over_table else FLOOR_Z_M
    height = float(at[2]) - ground
    if height > SHADOW_REACH_M:
        return []
    x, y = float(at[0]), float(at[1])
    lamps = lamp_light(scene, at)
    whole = float(lamps[:, 3].sum()) + scene.hall.ambient
    spots = []
    for (dx, dy, dz, power), lamp in zip(lamps.tolist(), scene.hall.lamps, strict=True):
        if dz <= 0.0:
            continue
        size = radius + height * 0.5 * sum(lamp.half_m) / max(lamp.centre_m[2] - at[2], 0.5)
        strength = 0.9 * power / whole * (radius / size) ** 2
        if strength > 0.01:
            spots.append(
                (
                    x - dx / dz * height,
                    y - dy / dz * height,
                    ground,
                    1.5 * size,
                    strength,
                    over_table,
                )
            )
    strength = 0.8 * scene.hall.ambient / whole * (radius / (radius + height)) ** 2
    spots.append((x, y, ground, 2.0 * radius + height, strength, over_table))
    return spots
