"""The empty hall as surfaces, and its picture from one place, layer by layer."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from halfvolley.camera.kernels import undistort_radius
from halfvolley.constants import (
    NET_BAND_M,
    NET_HEIGHT_M,
    NET_OVERHANG_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.simulate import cast
from halfvolley.simulate.scene import FLOOR_Z_M, Hall, Poster, Rgb, Scene, TableLook
from halfvolley.types import Camera, FloatArray

LightImage = NDArray[np.float32]
HALF_X, HALF_Y = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """Pictures of the empty hall in linear light, with a margin all around the frame."""

    camera: Camera  # of the whole canvas, margin included
    margin_px: int
    base: LightImage  # (h, w, 3) everything
    table: LightImage  # (h, w, 5) light of the table, its coverage, its distance [m]
    net: LightImage  # (h, w, 4)


class _Builder:
    def __init__(self) -> None:
        self.prims: list[list[float]] = []
        self.materials: list[list[float]] = []

    def material(
        self, kind: int, colour: Rgb, second: Rgb = (0, 0, 0), scale: float = 1.0,
        gloss: float = 0.0, picture: int = 0, seed: int = 0, glow: float = 0.0,
    ) -> int:  # fmt: skip
        self.materials.append([kind, *colour, *second, scale, gloss, picture, seed % 100003, glow])
        return len(self.materials) - 1

    def rectangle(
        self, layer: int, material: int, corner: list[float], u: list[float], v: list[float]
    ) -> None:
        lu, lv = float(np.linalg.norm(u)), float(np.linalg.norm(v))
        self.prims.append(
            [0, layer, material, *corner, *(np.array(u) / lu), *(np.array(v) / lv), lu, lv]
            + [0] * 6
        )

    def box(self, layer: int, material: int, low: list[float], high: list[float]) -> None:
        self.prims.append([1, layer, material, *low, *high] + [0] * 11)

    def ball(self, layer: int, material: int, centre: list[float], radius: float) -> None:
        self.prims.append([2, layer, material, *centre, radius] + [0] * 13)


def build_surfaces(scene: Scene) -> cast.Solid:
    """All still surfaces of a scene."""
    b = _Builder()
    pictures = _add_hall(b, scene.hall)
    hall = scene.hall
    if hall.surround is not None:
        _add_surrounds(b, hall, scene.rig.centre_m)
    first = len(b.prims)
    for thing in hall.things:
        m = b.material(cast.PLAIN, thing.colour, seed=hall.seed)
        c, s = np.array(thing.centre_m), np.array(thing.size_m)
        if thing.kind == "box":
            b.box(0, m, list(c - s / 2), list(c + s / 2))
        else:
            b.ball(0, m, list(c), float(s[0] / 2))
    for other in scene.others:
        _add_table(b, other.table, layers=(0, 0))
        _add_net(b, other.table, layer=0)
    n_hall = len(b.prims)
    _add_table(b, scene.table, layers=(1, 1))
    n_table = len(b.prims)
    _add_net(b, scene.table, layer=2)
    lamps = np.array([[*p.centre_m, *p.half_m, p.power] for p in hall.lamps]).reshape(-1, 6)
    prims = np.array(b.prims, dtype=np.float64)
    _set_normals(prims)
    balls = _balls_around(prims)
    nx = int(2 * hall.half_x_m / cast.FLOOR_CELL_M) + 2
    ny = int(2 * hall.half_y_m / cast.FLOOR_CELL_M) + 2
    floor = np.zeros((ny, nx))
    cast.light_floor(
        prims,
        balls,
        first,
        n_hall,
        n_table,
        lamps,
        hall.ambient,
        -hall.half_x_m,
        -hall.half_y_m,
        FLOOR_Z_M,
        floor,
    )
    return cast.Solid(
        prims, balls, n_hall, n_table, np.array(b.materials, dtype=np.float64),
        pictures, lamps, hall.ambient, floor,
    )  # fmt: skip


def _set_normals(prims: FloatArray) -> None:
    flat = prims[:, 0] == 0
    prims[flat, 14:17] = np.cross(prims[flat, 6:9], prims[flat, 9:12])


def _balls_around(prims: FloatArray) -> FloatArray:
    """(m, 4) centre and radius of a ball around each primitive."""
    out = np.empty((len(prims), 4))
    for row, p in zip(out, prims, strict=True):
        if p[0] == 0:
            across = p[12] * p[6:9] + p[13] * p[9:12]
            row[:3], row[3] = p[3:6] + across / 2, np.linalg.norm(across) / 2
        elif p[0] == 1:
            row[:3], row[3] = (p[3:6] + p[6:9]) / 2, np.linalg.norm(p[6:9] - p[3:6]) / 2
        else:
            row[:3], row[3] = p[3:6], p[6]
    return out


def _add_hall(b: _Builder, hall: Hall) -> FloatArray:
    x, y, z0, z1 = hall.half_x_m, hall.half_y_m, FLOOR_Z_M, hall.ceiling_z_m
    floors = {"tiles": (cast.TILES, 0.6), "planks": (cast.PLANKS, 0.09), "plain": (cast.PLAIN, 1.0)}
    walls = {"plain": (cast.PLAIN, 1.0), "bricks": (cast.BRICKS, 0.4),
             "panels": (cast.PANELS, 1.25), "curtain": (cast.CURTAIN, 0.22)}  # fmt: skip
    kind, scale = floors[hall.floor_pattern]
    floor = b.material(kind, hall.floor, hall.floor_second, scale, seed=hall.seed)
    kind, scale = walls[hall.wall_pattern]
    wall = b.material(kind, hall.wall, hall.wall_second, scale, seed=hall.seed + 1)
    ceiling = b.material(cast.PLAIN, (0.7, 0.7, 0.68), seed=hall.seed + 2)
    b.rectangle(0, floor, [-x, -y, z0], [2 * x, 0, 0], [0, 2 * y, 0])
    b.rectangle(0, ceiling, [-x, -y, z1], [2 * x, 0, 0], [0, 2 * y, 0])
    b.rectangle(0, wall, [-x, -y, z0], [2 * x, 0, 0], [0, 0, z1 - z0])
    b.rectangle(0, wall, [-x, y, z0], [2 * x, 0, 0], [0, 0, z1 - z0])
    b.rectangle(0, wall, [-x, -y, z0], [0, 2 * y, 0], [0, 0, z1 - z0])
    b.rectangle(0, wall, [x, -y, z0], [0, 2 * y, 0], [0, 0, z1 - z0])
    for lamp in hall.lamps:
        cx, cy, cz = lamp.centre_m
        hx, hy = lamp.half_m
        # radiance of a panel that gives its power at 1 m; more than 8 is white in any picture
        glow = b.material(
            cast.GLOW, (1.0, 0.97, 0.92), glow=min(float(lamp.power / (4 * hx * hy)), 8.0)
        )
        b.rectangle(0, glow, [cx - hx, cy - hy, cz], [2 * hx, 0, 0], [0, 2 * hy, 0])
    pictures = []
    for poster in hall.posters:
        pictures.append(paint_poster(poster))
        m = b.material(cast.PICTURE, (1, 1, 1), picture=len(pictures) - 1)
        w, h = poster.size_m
        a, z, off = poster.along_m - w / 2, poster.z_m, 0.01
        if poster.wall == "y+":
            b.rectangle(0, m, [a, y - off, z], [w, 0, 0], [0, 0, h])
        elif poster.wall == "y-":
            b.rectangle(0, m, [a + w, -y + off, z], [-w, 0, 0], [0, 0, h])
        elif poster.wall == "x+":
            b.rectangle(0, m, [x - off, a + w, z], [0, -w, 0], [0, 0, h])
        else:
            b.rectangle(0, m, [-x + off, a, z], [0, w, 0], [0, 0, h])
    return np.array(pictures, dtype=np.float64).reshape(-1, 64, 96, 3)


def paint_poster(poster: Poster) -> FloatArray:
    """(64, 96, 3) picture of blots, bars and rows of something like writing."""
    rng = np.random.default_rng(poster.seed)
    colours = np.array(poster.colours)

    def any_colour() -> tuple[float, ...]:
        return tuple(float(v) for v in colours[int(rng.integers(len(colours)))])

    image = np.empty((64, 96, 3))
    image[:] = any_colour()
    for _ in range(int(rng.integers(3, 9))):
        centre = (int(rng.integers(96)), int(rng.integers(64)))
        axes = (int(rng.integers(3, 26)), int(rng.integers(3, 18)))
        cv2.ellipse(image, centre, axes, float(rng.uniform(0, 180)), 0, 360, any_colour(), -1)
    for row in range(int(rng.integers(30, 50)), 60, 5):
        ink, x = any_colour(), 6
        while x < 88:
            step = int(rng.integers(2, 9))
            cv2.rectangle(image, (x, row), (x + step, row + 2), ink, -1)
            x += step + 2
    return image


def _add_surrounds(b: _Builder, hall: Hall, camera_m: tuple[float, float, float]) -> None:
    """Low walls around the court, but none between the camera and the table."""
    assert hall.surround is not None
    second: Rgb = (0.01, 0.01, 0.01)
    m = b.material(cast.PANELS, hall.surround, second, 1.4, seed=hall.seed + 3)
    x, y, z0, h = hall.surround_x_m, hall.surround_y_m, FLOOR_Z_M, 0.75
    for s in (-1.0, 1.0):
        if s * camera_m[1] < y:
            b.rectangle(0, m, [-x, s * y, z0], [2 * x, 0, 0], [0, 0, h])
        if s * camera_m[0] < x:
            b.rectangle(0, m, [s * x, -y, z0], [0, 2 * y, 0], [0, 0, h])


def _turn(look: TableLook, x: float, y: float) -> tuple[float, float]:
    cx, cy = look.centre_m
    return (cx - y, cy + x) if look.along_y else (cx + x, cy + y)


def _table_box(
    b: _Builder, look: TableLook, layer: int, m: int, low: tuple[float, float, float],
    high: tuple[float, float, float],
) -> None:  # fmt: skip
    a, c = _turn(look, low[0], low[1]), _turn(look, high[0], high[1])
    b.box(layer, m, [min(a[0], c[0]), min(a[1], c[1]), low[2]],
          [max(a[0], c[0]), max(a[1], c[1]), high[2]])  # fmt: skip


def _add_table(b: _Builder, look: TableLook, layers: tuple[int, int]) -> None:
    top = b.material(cast.TOP, look.top, look.line, gloss=look.gloss)
    side = b.material(cast.PLAIN, look.frame)
    u0 = _turn(look, -HALF_X, -HALF_Y)
    u1, v1 = _turn(look, HALF_X, -HALF_Y), _turn(look, -HALF_X, HALF_Y)
    b.rectangle(layers[0], top, [*u0, 0.0], [u1[0] - u0[0], u1[1] - u0[1], 0.0],
                [v1[0] - u0[0], v1[1] - u0[1], 0.0])  # fmt: skip
    _table_box(b, look, layers[1], side, (-HALF_X, -HALF_Y, -0.025), (HALF_X, HALF_Y, -2e-4))
    _table_box(b, look, layers[1], side, (-1.22, -0.62, -0.075), (1.22, 0.62, -0.025))
    for sx in (-1.0, 1.0):
        for sy in (-1.0, 1.0):
            x, y = sx * 1.02, sy * 0.58
            _table_box(b, look, layers[1], side, (x - 0.025, y - 0.025, FLOOR_Z_M),
                       (x + 0.025, y + 0.025, -0.075))  # fmt: skip
        _table_box(b, look, layers[1], side, (sx * 1.02 - 0.015, -0.58, -0.55),
                   (sx * 1.02 + 0.015, 0.58, -0.51))  # fmt: skip


def _add_net(b: _Builder, look: TableLook, layer: int) -> None:
    height, band = NET_HEIGHT_M.value, NET_BAND_M.value
    mesh = b.material(cast.MESH, look.net)
    cord = b.material(cast.PLAIN, look.band)
    post = b.material(cast.PLAIN, look.frame)
    end = HALF_Y + NET_OVERHANG_M.value
    a, c = _turn(look, 0.0, -end), _turn(look, 0.0, end)
    b.rectangle(layer, mesh, [*a, 0.0], [c[0] - a[0], c[1] - a[1], 0.0], [0.0, 0.0, height - band])
    _table_box(b, look, layer, cord, (-0.002, -end, height - band), (0.002, end, height))
    for s in (-1.0, 1.0):
        _table_box(b, look, layer, post, (-0.008, s * end - 0.008, -0.03),
                   (0.008, s * end + 0.008, height))  # fmt: skip
        _table_box(b, look, layer, post, (-0.02, min(s * end, s * HALF_Y), -0.05),
                   (0.02, max(s * end, s * HALF_Y), -0.028))  # fmt: skip


def undistort_curve(camera: Camera) -> tuple[FloatArray, float]:
    """Undistorted over distorted radius at even steps of the distorted one squared, and the step.

    Between its 16385 values, that are exact, straight lines err by less than 1e-4 px.
    """
    w, h = camera.size_px
    far = (np.hypot(w, h) + np.hypot(*(camera.c_px - [w / 2, h / 2]))) / camera.f_px
    d2 = np.linspace(0.0, float(far) ** 2, 16385)
    k1, k2 = float(camera.k[0]), float(camera.k[1])
    curve = np.ones(len(d2))
    curve[1:] = [undistort_radius(k1, k2, d) / d for d in np.sqrt(d2[1:])]
    known = np.isfinite(curve)
    curve[~known] = curve[known][-1]  # beyond the fold of the distortion nothing is seen
    return curve, float(d2[1])


def render_layers(
    surfaces: cast.Solid, camera: Camera, margin_px: int, blur_px: float, seed: int, spp: int = 24
) -> Layers:
    """The empty hall as a camera sees it.

    Parameters
    ----------
    surfaces : Solid
        What there is.
    camera : Camera
        Pose and lens; its size is that of the frame.
    margin_px : int
        Rim around the frame that is rendered too, for a camera that will turn a little.
    blur_px : float
        Standard deviation of the lens's softness [px].
    seed : int
        Of the samples within pixels.
    spp : int
        Rays for a pixel on an edge; even surfaces take a sixth.

    Returns
    -------
    Layers
        In linear light.
    """
    w, h = camera.size_px
    size = (w + 2 * margin_px, h + 2 * margin_px)
    c = camera.c_px + margin_px
    canvas = Camera(size, camera.f_px, c, camera.k, camera.R, camera.t_m, camera.cov)
    curve, step = undistort_curve(canvas)
    eye = cast.Eye(
        camera.f_px, float(c[0]), float(c[1]), curve, step, np.ascontiguousarray(camera.R),
        np.ascontiguousarray(camera.centre_m),
    )  # fmt: skip
    base, table, net = cast.cast(size, eye, surfaces, spp, seed % 65536)
    if blur_px > 0:
        base = cv2.GaussianBlur(base, (0, 0), blur_px)
        for part, n in ((table, 4), (net, 4)):
            part[..., :n] = cv2.GaussianBlur(np.ascontiguousarray(part[..., :n]), (0, 0), blur_px)
    # the distance of the table reaches as far as its softened rim
    table[..., 4] = cv2.erode(np.ascontiguousarray(table[..., 4]), np.ones((5, 5)))
    return Layers(canvas, margin_px, base, table, net)
