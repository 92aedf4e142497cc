"""Where the camera looks in each frame, and the still picture from there."""

from dataclasses import dataclass

import cv2
import numpy as np

from halfvolley.simulate import raster
from halfvolley.simulate.cast import Solid
from halfvolley.simulate.hall import (
    Layers,
    LightImage,
    render_layers,
    undistort_curve,
)
from halfvolley.simulate.scene import CameraRig, resting_camera
from halfvolley.types import Camera, FloatArray

STEADY_PX = 0.02  # a still picture is used again while nothing moved farther than this


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The camera at one frame."""

    lens: FloatArray  # (5,) f, cx, cy, k1, k2
    R: FloatArray  # (3, 3) camera_from_world
    t_m: FloatArray  # (3,)
    part: int  # views of one part share the camera's place and focal length

    @property
    def centre_m(self) -> FloatArray:
        return -self.R.T @ self.t_m

    def camera(self, size_px: tuple[int, int]) -> Camera:
        """As the noun that other rooms know."""
        return Camera(
            size_px, float(self.lens[0]), self.lens[1:3].copy(), self.lens[3:5].copy(), self.R,
            self.t_m, np.zeros((11, 11)),
        )  # fmt: skip


def _turned(R: FloatArray, rvec: FloatArray) -> FloatArray:
    return np.asarray(cv2.Rodrigues(np.asarray(rvec, dtype=np.float64))[0]) @ R


def camera_views(rig: CameraRig, t_s: FloatArray, rng: np.random.Generator) -> list[View]:
    """The camera at world times (n,): drift, tremor, bump, zoom and a stabiliser's warp."""
    d = rig.drift
    rest = resting_camera(rig)
    centre = rest.centre_m
    phases = rng.uniform(0, 2 * np.pi, (3, 4))
    rates = d.shake_hz * rng.uniform(0.5, 1.8, (3, 4))
    warp = rng.normal(0.0, 1.0, (len(t_s), 3))
    views = []
    for t, jump in zip(t_s, warp, strict=True):
        turn = np.array(d.turn_rad) * (t / d.turn_s)
        if d.shake_rad > 0:
            turn = turn + d.shake_rad * np.sqrt(0.5) * np.sin(2 * np.pi * rates * t + phases).sum(1)
        turn = turn + np.array([0.0, 0.0, d.warp_rad * jump[2]])
        R, c, part, f = rest.R, centre, 0, rig.f_px
        if d.bump_s is not None and t >= d.bump_s:
            R, c, part = _turned(R, np.array(d.bump_rad)), centre + np.array(d.bump_m), 1
        if d.zoom_s is not None and t >= d.zoom_s:
            f, part = f * d.zoom, part + 2
        R = np.ascontiguousarray(_turned(R, turn))
        shift = d.warp_px * jump[:2]
        lens = np.array([f, *(rest.c_px + shift), rig.k1, rig.k2])
        views.append(View(lens, R, np.ascontiguousarray(-R @ c), part))
    return views


class Still:
    """The empty hall in any of the views, rendered once a part and turned as the camera turns."""

    def __init__(
        self, surfaces: Solid, rig: CameraRig, views: list[View], seed: int, spp: int
    ) -> None:
        self.rig = rig
        self.layers: dict[int, Layers] = {}
        self._lens: dict[int, tuple[FloatArray, FloatArray]] = {}
        for part in sorted({v.part for v in views}):
            mine = [v for v in views if v.part == part]
            first = mine[0]
            # the canvas has the resting principal point, so that its layers serve all views
            lens = first.lens.copy()
            lens[1:3] = resting_camera(rig).c_px
            anchor = View(lens, first.R, first.t_m, part)
            margin = int(np.ceil(max(self._travel(anchor, v) for v in mine))) + 3
            camera = anchor.camera(rig.size_px)
            self.layers[part] = render_layers(surfaces, camera, margin, rig.blur_px, seed, spp)
            shifted = lens.copy()
            shifted[1:3] += margin
            self._lens[part] = (shifted, anchor.R)
        self._last: View | None = None
        self._now: tuple[LightImage, LightImage, LightImage] | None = None
        self._curve: tuple[FloatArray, float] | None = None

    def _travel(self, a: View, b: View) -> float:
        """Farthest that a corner of the picture moves between two views [px]."""
        if a.part != b.part:
            return np.inf
        w, h = self.rig.size_px
        f, cx, cy = b.lens[:3]
        most = 0.0
        for u in (0.0, w - 1.0):
            for v in (0.0, h - 1.0):
                ray = b.R.T @ np.array([(u - cx) / f, (v - cy) / f, 1.0])
                p = a.R @ ray
                q = a.lens[0] * p[:2] / p[2] + a.lens[1:3]
                most = max(most, float(np.hypot(q[0] - u, q[1] - v)))
        return most

    def at(self, view: View) -> tuple[LightImage, LightImage, LightImage]:
        """Layers of a frame: base (h, w, 3), table (h, w, 5), net (h, w, 4); not to be changed."""
        if self._last is not None and self._now is not None:
            if self._travel(self._last, view) < STEADY_PX:
                return self._now
        layers = self.layers[view.part]
        lens, R = self._lens[view.part]
        w, h = self.rig.size_px
        m = layers.margin_px
        if np.array_equal(R, view.R) and np.array_equal(lens[1:3] - m, view.lens[1:3]):
            cut = (slice(m, m + h), slice(m, m + w))
            now = (
                np.ascontiguousarray(layers.base[cut]),
                np.ascontiguousarray(layers.table[cut]),
                np.ascontiguousarray(layers.net[cut]),
            )
        else:
            now = self._warp(layers, lens, R, view)
        self._last, self._now = view, now
        return now

    def _warp(
        self, layers: Layers, lens: FloatArray, R: FloatArray, view: View
    ) -> tuple[LightImage, LightImage, LightImage]:
        w, h = self.rig.size_px
        if self._curve is None:
            self._curve = undistort_curve(layers.camera)
        map_u, map_v = np.empty((h, w), np.float32), np.empty((h, w), np.float32)
        raster.turn_map(w, h, view.lens, view.R, lens, R, *self._curve, map_u, map_v)
        base = cv2.remap(layers.base, map_u, map_v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        table = np.zeros((h, w, 5), np.float32)
        table[..., 4] = 1e9
        net = np.zeros((h, w, 4), np.float32)
        rows, columns = self._covered(layers, map_u, map_v)
        mu, mv = map_u[rows, columns].copy(), map_v[rows, columns].copy()
        light = np.ascontiguousarray(layers.table[..., :4])
        table[rows, columns, :4] = cv2.remap(light, mu, mv, cv2.INTER_LINEAR)
        depth = np.ascontiguousarray(layers.table[..., 4])
        table[rows, columns, 4] = cv2.remap(depth, mu, mv, cv2.INTER_NEAREST)
        net[rows, columns] = cv2.remap(layers.net, mu, mv, cv2.INTER_LINEAR)
        return np.maximum(base, 0.0), table, net

    @staticmethod
    def _covered(layers: Layers, map_u: LightImage, map_v: LightImage) -> tuple[slice, slice]:
        """Rows and columns of a frame in which table or net may be seen."""
        there = (layers.table[..., 3] > 0) | (layers.net[..., 3] > 0)
        if not there.any():
            return slice(0, 1), slice(0, 1)
        v, u = np.flatnonzero(there.any(1)), np.flatnonzero(there.any(0))
        inside = (map_u > u[0] - 2) & (map_u < u[-1] + 2) & (map_v > v[0] - 2) & (map_v < v[-1] + 2)
        if not inside.any():
            return slice(0, 1), slice(0, 1)
        rows, columns = np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))
        return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
