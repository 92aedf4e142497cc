"""Players laid into a frame: their limbs at the time of each limb's own row."""

from dataclasses import dataclass

import numpy as np

from halfvolley.simulate import raster
from halfvolley.simulate.body import N_LIMBS
from halfvolley.simulate.lens import View
from halfvolley.simulate.scene import FLOOR_Z_M, CameraRig, Scene
from halfvolley.simulate.stage import Sheet, Stage, lamp_light
from halfvolley.types import FloatArray, IntArray

FLOOR_LIGHT = 0.12  # what a floor of usual colour sends up


@dataclass(frozen=True, slots=True, eq=False)
class Crowd:
    """All figures of a frame as the camera sees them."""

    limbs: FloatArray  # (g, k, m, 24) figures, moments of the exposure, limbs; see raster
    counts: IntArray  # (g, k) limbs in front of the camera
    moments_s: FloatArray  # (k,) world times
    boxes: FloatArray  # (g, 4) left, top, right, bottom; NaN for figures that are not seen
    roots_m: FloatArray  # (g, 3) a point of each body in the hall
    floor_m: FloatArray  # (g, 3, 3) where both feet and the body stand


def see_figures(
    stages: tuple[Stage, ...], rig: CameraRig, view: View, t_s: float, rim: float
) -> Crowd:
    """Projects all figures for a frame that starts at world time t_s."""
    figures = [(s, f) for s in stages for f in s.figures]
    h = rig.size_px[1]
    # as many moments as a fast hand needs for an even smear
    n = int(np.clip(np.ceil(rig.exposure_s * 240), 1, 4))
    offsets = rig.exposure_s * (np.arange(n) + 0.5) / n
    times = np.concatenate([t_s + offsets, t_s + offsets + rig.readout_s])
    limbs = np.zeros((len(figures), n, N_LIMBS, 24))
    counts = np.zeros((len(figures), n), np.int64)
    boxes = np.full((len(figures), 4), np.nan)
    roots = np.zeros((len(figures), 3))
    floor = np.zeros((len(figures), 3, 3))
    for i, (stage, figure) in enumerate(figures):
        controls = figure.controls(times)
        both = stage.placed(figure.limbs(controls))
        for k, column in enumerate((12, 15, 0)):
            floor[i, k] = stage.place(np.array([*controls[0, column : column + 2], FLOOR_Z_M]))
        roots[i] = both[0, 0, :3]
        now = np.empty_like(both[0])
        for m in range(n):
            raster.mix_rows(both[m], both[n + m], view.lens, view.R, view.t_m, h, now)
            counts[i, m] = raster.project_limbs(
                now, view.lens, view.R, view.t_m, view.centre_m, limbs[i, m]
            )
        boxes[i] = raster.limbs_box(limbs[i], counts[i], rim)
    return Crowd(limbs, counts, t_s + offsets + 0.5 * rig.readout_s, boxes, roots, floor)


def lay_figures(sheet: Sheet, crowd: Crowd, scene: Scene, view: View, rim: float) -> None:
    """Draws the figures, farthest first, between the layers of table and net."""
    side = float(np.sign(view.centre_m[0]) or 1.0)
    far = np.linalg.norm(crowd.roots_m - view.centre_m, axis=1)
    for i in np.argsort(-far):
        if not np.isfinite(crowd.boxes[i]).all():
            continue
        box = sheet.clip(*crowd.boxes[i])
        if box is None:
            continue
        x0, y0, x1, y1 = box
        lamps = lamp_light(scene, crowd.roots_m[i])
        parts = np.zeros((3, y1 - y0, x1 - x0, 4), np.float32)
        table, net = sheet.table[y0:y1, x0:x1], sheet.net[y0:y1, x0:x1]
        ambient = scene.hall.ambient
        shades = raster.limb_shades(view.R, lamps, ambient, FLOOR_LIGHT)
        n = crowd.counts.shape[1]
        for m in range(n):
            raster.draw_limbs(
                crowd.limbs[i, m], crowd.counts[i, m], view.R, lamps, ambient, FLOOR_LIGHT,
                shades, side, rim, table, net, x0, y0, 1.0 / n, parts,
            )  # fmt: skip
        raster.put_figure(sheet.light, parts, table, net, x0 - sheet.x0, y0 - sheet.y0)
