"""What is filmed, and with what: a hall, its table, a camera, a ball and two players.

All colours are linear-light reflectances (red, green, blue) between 0 and 1. The world frame is
that of `docs/conventions.md`: the playing surface is z = 0, the floor lies at -0.76 m.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from halfvolley.camera.projection import project
from halfvolley.constants import (
    BALL_MASS_KG,
    BALL_RADIUS_M,
    NET_HEIGHT_M,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.errors import BadInput
from halfvolley.types import Camera, FloatArray

Rgb = tuple[float, float, float]
Vec = tuple[float, float, float]
View = Literal["side", "corner", "end", "webcam", "high"]
VIEWS: tuple[View, ...] = ("side", "corner", "end", "webcam", "high")

FLOOR_Z_M = -TABLE_HEIGHT_M.value


def linear(colour: str) -> Rgb:
    """Linear-light reflectance of an sRGB hex colour such as ``"#1f4f8b"``."""
    code = colour.lstrip("#")
    s = np.array([int(code[i : i + 2], 16) for i in (0, 2, 4)]) / 255.0
    out = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    return (float(out[0]), float(out[1]), float(out[2]))


# Ordinary colours of a club, the defaults below.
_USUAL_TOP = linear("#1d4b7a")
_USUAL_LINE = linear("#eef0ee")
_USUAL_FRAME = linear("#1a1c20")
_USUAL_NET = linear("#1c2230")
_USUAL_BAND = linear("#e8e8e2")
_USUAL_WALL = linear("#8d959c")
_USUAL_WALL_SECOND = linear("#7d858c")
_USUAL_FLOOR = linear("#7a5236")
_USUAL_FLOOR_SECOND = linear("#6a442b")
_USUAL_SURROUND = linear("#17386e")
_USUAL_COLOUR = linear("#f08a1c")
_USUAL_SKIN = linear("#c68863")
_USUAL_HAIR = linear("#2a1d14")
_USUAL_SHIRT = linear("#29496b")
_USUAL_SHORTS = linear("#16181c")
_USUAL_SHOES = linear("#e5e5e0")
_USUAL_RACKET_FRONT = linear("#b0202a")
_USUAL_RACKET_BACK = linear("#141414")


@dataclass(frozen=True, slots=True)
class TableLook:
    """A table: its place, colours and gloss."""

    centre_m: tuple[float, float] = (0.0, 0.0)  # in the world frame
    along_y: bool = False  # True: turned by a quarter
    top: Rgb = _USUAL_TOP
    line: Rgb = _USUAL_LINE
    frame: Rgb = _USUAL_FRAME
    net: Rgb = _USUAL_NET
    band: Rgb = _USUAL_BAND
    gloss: float = 0.03  # share of light reflected like a mirror, seen from above


@dataclass(frozen=True, slots=True)
class Thing:
    """A box or ball that stands in the hall and never moves."""

    kind: Literal["box", "ball"]
    centre_m: Vec
    size_m: Vec  # edges of the box; diameter of the ball in all three
    colour: Rgb


@dataclass(frozen=True, slots=True)
class Poster:
    """A coloured picture on a wall; its pattern comes from `seed`."""

    wall: Literal["x-", "x+", "y-", "y+"]
    along_m: float  # centre along the wall
    z_m: float  # centre above the playing surface
    size_m: tuple[float, float]  # width, height
    colours: tuple[Rgb, ...]
    seed: int


@dataclass(frozen=True, slots=True)
class Lamp:
    """A bright panel; `power` is the irradiance it gives at 1 m straight below."""

    centre_m: Vec
    half_m: tuple[float, float]  # half edges along x and y
    power: float


@dataclass(frozen=True, slots=True)
class Hall:
    """The room around the table."""

    half_x_m: float = 7.0
    half_y_m: float = 5.0
    ceiling_z_m: float = 4.0
    wall: Rgb = _USUAL_WALL
    wall_pattern: Literal["plain", "bricks", "panels", "curtain"] = "plain"
    wall_second: Rgb = _USUAL_WALL_SECOND
    floor: Rgb = _USUAL_FLOOR
    floor_second: Rgb = _USUAL_FLOOR_SECOND
    floor_pattern: Literal["tiles", "planks", "plain"] = "planks"
    surround: Rgb | None = _USUAL_SURROUND  # None: no surrounds
    surround_x_m: float = 5.4
    surround_y_m: float = 3.2
    lamps: tuple[Lamp, ...] = ()
    ambient: float = 0.35  # irradiance from all around, beside about 1 from the lamps
    things: tuple[Thing, ...] = ()
    posters: tuple[Poster, ...] = ()
    seed: int = 0  # of small unevenness in walls and floor


@dataclass(frozen=True, slots=True)
class Drift:
    """Motion of the camera about its own centre, and one bump.

    Turns are rotation vectors in the camera's frame [rad].
    """

    turn_rad: Vec = (0.0, 0.0, 0.0)  # reached at `turn_s`, growing evenly
    turn_s: float = 10.0
    shake_rad: float = 0.0  # rms of a hand's or floor's tremor
    shake_hz: float = 1.5
    bump_s: float | None = None  # a knock at this world time [s]
    bump_rad: Vec = (0.0, 0.0, 0.0)
    bump_m: Vec = (0.0, 0.0, 0.0)  # shift of the camera's centre in the world
    zoom_s: float | None = None  # from here on the focal length is multiplied
    zoom: float = 1.0
    warp_px: float = 0.0  # rms of a stabiliser's shift of the picture, new for each frame
    warp_rad: float = 0.0  # rms of its roll


@dataclass(frozen=True, slots=True)
class CameraRig:
    """A camera on its stand, with everything that shapes the picture."""

    size_px: tuple[int, int] = (1280, 720)
    fps: float = 60.0
    centre_m: Vec = (0.3, -4.4, 1.1)
    aim_m: Vec = (0.0, 0.0, 0.0)
    roll_rad: float = 0.0
    f_px: float = 1080.0
    c_offset_px: tuple[float, float] = (0.0, 0.0)  # principal point beside the middle
    k1: float = -0.05
    k2: float = 0.01
    readout_s: float = 0.010
    exposure_s: float = 0.002
    brightness: float = 0.42  # linear level to which the table's surroundings are exposed
    read_noise: float = 0.004  # sd in black, of full scale, linear
    shot_noise: float = 0.012  # sd at full scale
    blur_px: float = 0.55  # sd of the lens's and sensor's softness
    vignette: float = 0.15  # loss of light at half the diagonal
    cast: Rgb = (1.0, 1.0, 1.0)  # gains of a white balance gone wrong
    flicker_depth: float = 0.0  # 0-1
    flicker_hz: float = 100.0
    drift: Drift = field(default_factory=Drift)
    quality_crf: int = 18  # constant rate factor of the H.264 coder; 23 wipes out balls of 2 px
    interval_jitter: float = 0.0  # share of a frame interval, variable rates only
    drop_share: float = 0.0  # share of frames that were never stored
    clock_ppm: float = 0.0
    av_offset_s: float = 0.020  # shift of the sound track


@dataclass(frozen=True, slots=True)
class BallLook:
    """The ball to the eye."""

    colour: Rgb = _USUAL_COLOUR
    name: str = "orange"
    gloss: float = 0.04


@dataclass(frozen=True, slots=True)
class BallPhysics:
    """The ball to the air and the table, as it is simulated.

    Drag is cd (1 + cd_spin S); lift is lift S/(2S+1) or, with `linear_lift`, lift S, where
    S = R w / v. Restitution is e0 - e1 |vn|.
    """

    radius_m: float = BALL_RADIUS_M.value
    mass_kg: float = BALL_MASS_KG.value
    gravity_mps2: float = 9.81
    air_kgpm3: float = 1.2
    cd: float = 0.46
    cd_spin: float = 0.0
    lift: float = 0.9
    linear_lift: bool = False
    decay_tau_s: float = 10.0
    e0: float = 0.925
    e1: float = 0.01
    mu: float = 0.24


@dataclass(frozen=True, slots=True)
class PlayerLook:
    """A player to the eye."""

    name: str
    height_m: float = 1.75
    left_handed: bool = False
    skin: Rgb = _USUAL_SKIN
    hair: Rgb = _USUAL_HAIR
    shirt: Rgb = _USUAL_SHIRT
    stripe: Rgb | None = None
    shorts: Rgb = _USUAL_SHORTS
    trousers: bool = False
    shoes: Rgb = _USUAL_SHOES
    racket_front: Rgb = _USUAL_RACKET_FRONT
    racket_back: Rgb = _USUAL_RACKET_BACK


@dataclass(frozen=True, slots=True)
class OtherTable:
    """A second table in the hall; with players it has its own ball in play."""

    table: TableLook
    players: tuple[PlayerLook, PlayerLook] | None
    ball: BallLook


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that a made clip shows."""

    title: str
    hall: Hall
    table: TableLook
    rig: CameraRig
    ball: BallLook
    physics: BallPhysics
    players: tuple[PlayerLook, PlayerLook]  # at A (x < 0) and at B (x > 0)
    others: tuple[OtherTable, ...] = ()


def look_at(rig: CameraRig) -> tuple[FloatArray, FloatArray]:
    """Resting pose of a camera: (3, 3) and (3,) camera_from_world."""
    centre = np.array(rig.centre_m)
    ahead = np.array(rig.aim_m) - centre
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    if np.linalg.norm(right) < 1e-6:
        raise BadInput(
            f"the camera at {rig.centre_m} looks straight up or down; move its aim sideways"
        )
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = np.cos(rig.roll_rad), np.sin(rig.roll_rad)
    R = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ np.stack([right, down, ahead])
    return R, -R @ centre


def resting_camera(rig: CameraRig) -> Camera:
    """The camera as it stands before it drifts."""
    R, t = look_at(rig)
    w, h = rig.size_px
    centre = np.array([(w - 1) / 2 + rig.c_offset_px[0], (h - 1) / 2 + rig.c_offset_px[1]])
    return Camera(
        rig.size_px, rig.f_px, centre, np.array([rig.k1, rig.k2]), R, t, np.zeros((11, 11))
    )


def table_corners() -> FloatArray:
    """(4, 3) corners of the playing surface in the order of the design: (-,-) (-,+) (+,+) (+,-)."""
    x, y = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
    return np.array([[-x, -y, 0.0], [-x, y, 0.0], [x, y, 0.0], [x, -y, 0.0]])


# --- looks to draw from ------------------------------------------------------------------------
_TOPS = ("#1d4b7a", "#17406e", "#205a8f", "#1c5a44", "#17503a", "#23604a", "#2a2f38", "#5c2530")
_WALLS = ("#8d959c", "#b9b3a4", "#6f7f8c", "#a79a86", "#c9cbc8", "#59656b", "#8a7f8f", "#d9d4c6")
_FLOORS = ("#7a5236", "#8a6a4a", "#6a2f2c", "#7c7c78", "#3f5a6e", "#556b5a", "#9a8768", "#4a4c50")
_SURROUNDS = ("#17386e", "#1b4a33", "#2b2f36", "#5a1f26", "#3a2a5a")
_SKINS = ("#f0c9a8", "#d9a27c", "#c68863", "#a56b46", "#7c4a2d", "#56331f")
_HAIRS = ("#20150e", "#4a3018", "#86622f", "#b58f4e", "#6b6b68", "#7a2f16")
_SHIRTS = ("#29496b", "#a8232f", "#1d1f24", "#2f7a4d", "#e8e8e4", "#d8791f", "#5b3a86", "#d9c23a",
           "#38a0b8", "#c4587a")  # fmt: skip
_TROUSERS = ("#16181c", "#23304a", "#4a4c50", "#5a2026", "#dcdcd8")
_SHOES = ("#e5e5e0", "#d84a1f", "#24262a", "#3f7ad0", "#e0a020")
_RUBBERS = ("#b0202a", "#c22440", "#1f4fa0", "#1e7a4a", "#8a3a9a")
_LOUD = ("#f08a1c", "#e8e4dc", "#d83a2a", "#f0c030", "#2f6fb0", "#2f9a5a", "#101216", "#e07a90")
_ORANGES = ("#f08a1c", "#f59a2e", "#e87410", "#f2a24a", "#ee7c22")
_WHITES = ("#f2f2ee", "#ececea", "#f6f4ea")
_ODD = ("#101214", "#2a2d30", "#1f5fbf", "#2f9a3a", "#d8d020", "#c8232f", "#e86ab0", "#7a7f84",
        "#5b2f8a")  # fmt: skip
_FIRST_NAMES = ("Ilva", "Tamrin", "Oskell", "Meriah", "Jorun", "Devika", "Noam", "Salvie", "Kesto",
                "Birla", "Ansgar", "Ximene")  # fmt: skip
_CLUBS = ("Marlstead Hall", "Quarry Lane", "Old Ropeworks", "Fennick Street", "Lower Weir",
          "Tannery Yard")  # fmt: skip


def _three(values: FloatArray) -> Vec:
    return (float(values[0]), float(values[1]), float(values[2]))


def _pick(rng: np.random.Generator, colours: tuple[str, ...], spread: float = 0.12) -> Rgb:
    """One of the colours, slightly changed."""
    base = np.array(linear(colours[int(rng.integers(len(colours)))]))
    out = np.clip(base * np.exp(rng.normal(0.0, spread, 3)), 0.004, 0.9)
    return _three(out)


def random_player(rng: np.random.Generator, name: str) -> PlayerLook:
    """A player of random looks, sometimes in the ball's colours."""
    return PlayerLook(
        name=name,
        height_m=float(rng.uniform(1.58, 1.92)),
        left_handed=bool(rng.random() < 0.15),
        skin=_pick(rng, _SKINS),
        hair=_pick(rng, _HAIRS),
        shirt=_pick(rng, _SHIRTS),
        stripe=_pick(rng, _LOUD) if rng.random() < 0.5 else None,
        shorts=_pick(rng, _TROUSERS),
        trousers=bool(rng.random() < 0.35),
        shoes=_pick(rng, _SHOES),
        racket_front=_pick(rng, _RUBBERS) if rng.random() < 0.4 else linear(_RUBBERS[0]),
    )


def random_ball(rng: np.random.Generator, white: bool) -> BallLook:
    """An orange or white ball of slightly random shade."""
    shades = _WHITES if white else _ORANGES
    return BallLook(
        _pick(rng, shades, 0.05), "white" if white else "orange", float(rng.uniform(0.01, 0.06))
    )


def odd_ball(rng: np.random.Generator) -> BallLook:
    """A ball of a colour that the rules of the sport do not know: black, blue, green, grey."""
    return BallLook(_pick(rng, _ODD, 0.2), "odd", float(rng.uniform(0.01, 0.06)))


def random_physics(rng: np.random.Generator) -> BallPhysics:
    """Coefficients drawn wider than, and sometimes beside, what an estimator should assume."""
    linear_lift = bool(rng.random() < 0.25)
    return BallPhysics(
        radius_m=float(rng.uniform(0.0199, 0.0202)),
        mass_kg=float(rng.uniform(0.00267, 0.00277)),
        air_kgpm3=float(rng.uniform(1.15, 1.23)),
        cd=float(rng.uniform(0.40, 0.52)),
        cd_spin=float(rng.uniform(0.0, 0.15)),
        lift=float(rng.uniform(0.35, 0.55) if linear_lift else rng.uniform(0.75, 1.1)),
        linear_lift=linear_lift,
        decay_tau_s=float(rng.uniform(8.0, 16.0)),
        e0=float(rng.uniform(0.905, 0.94)),
        e1=float(rng.uniform(0.006, 0.014)),
        mu=float(rng.uniform(0.18, 0.32)),
    )


def _random_lamps(rng: np.random.Generator, hall: Hall, one_sided: bool) -> tuple[Lamp, ...]:
    z = hall.ceiling_z_m - 0.02
    if one_sided:
        side = float(rng.choice([-1.0, 1.0]))
        y = side * max(hall.half_y_m - 2.0, 1.2)
        places = [(x, y) for x in (-3.0, 0.0, 3.0)]
    else:
        nx, ny = int(rng.integers(2, 4)), int(rng.integers(1, 3))
        xs = np.linspace(-1, 1, nx) * rng.uniform(1.5, 3.0)
        ys = np.linspace(-1, 1, ny) * rng.uniform(1.2, 2.5) if ny > 1 else np.zeros(1)
        places = [(float(x), float(y)) for x in xs for y in ys]
    half = (float(rng.uniform(0.4, 0.8)), float(rng.uniform(0.12, 0.4)))
    weights = rng.uniform(0.7, 1.3, len(places))
    # together they give the middle of the table an irradiance of 1
    at_table = sum(
        w * (z**4) / (z * z + x * x + y * y) ** 2 for w, (x, y) in zip(weights, places, strict=True)
    )
    return tuple(
        Lamp((x, y, z), half, float(w * z * z / at_table))
        for w, (x, y) in zip(weights, places, strict=True)
    )


def _random_hall(rng: np.random.Generator, rig: CameraRig, ball: BallLook) -> Hall:
    cx, cy, _ = (abs(v) for v in rig.centre_m)
    hall = Hall(
        half_x_m=float(max(rng.uniform(5.5, 8.0), cx + 0.6)),
        half_y_m=float(max(rng.uniform(3.6, 6.0), cy + 0.6)),
        ceiling_z_m=float(rng.uniform(2.2, 4.5)),
        wall=_pick(rng, _WALLS),
        wall_pattern=str(rng.choice(["plain", "bricks", "panels", "curtain"])),  # type: ignore[arg-type]
        wall_second=_pick(rng, _WALLS),
        floor=_pick(rng, _FLOORS),
        floor_second=_pick(rng, _FLOORS),
        floor_pattern=str(rng.choice(["tiles", "planks", "plain"])),  # type: ignore[arg-type]
        surround=_pick(rng, _SURROUNDS) if rng.random() < 0.55 else None,
        surround_x_m=float(rng.uniform(4.2, 5.2)),
        surround_y_m=float(rng.uniform(2.4, 3.2)),
        ambient=float(rng.uniform(0.2, 0.5)),
        seed=int(rng.integers(1 << 31)),
    )
    hall = replace(hall, ceiling_z_m=max(hall.ceiling_z_m, rig.centre_m[2] + 0.4))
    return replace(
        hall,
        lamps=_random_lamps(rng, hall, bool(rng.random() < 0.25)),
        things=_random_things(rng, hall, rig, ball),
        posters=_random_posters(rng, hall, ball),
    )


def _random_things(
    rng: np.random.Generator, hall: Hall, rig: CameraRig, ball: BallLook
) -> tuple[Thing, ...]:
    """Benches, boxes, bags, and still balls of the ball's own colour."""
    things = []
    away = -np.sign(rig.centre_m[1]) or 1.0  # the wall that the camera sees
    y = away * (hall.half_y_m - 0.35)
    for _ in range(int(rng.integers(1, 5))):
        w, d, h = rng.uniform(0.3, 1.6), rng.uniform(0.25, 0.5), rng.uniform(0.25, 0.9)
        x = rng.uniform(-0.85, 0.85) * hall.half_x_m
        things.append(
            Thing("box", (x, y, FLOOR_Z_M + h / 2), (w, d, h), _pick(rng, _LOUD + _WALLS))
        )
    for _ in range(int(rng.integers(0, 3))):
        r = float(rng.uniform(0.1, 0.3))
        x = rng.uniform(-0.9, 0.9) * hall.half_x_m
        y_ball = away * rng.uniform(1.6, hall.half_y_m - 0.4)
        things.append(Thing("ball", (x, y_ball, FLOOR_Z_M + r), (2 * r,) * 3, _pick(rng, _LOUD)))
    for _ in range(int(rng.integers(0, 5))):  # spare balls on the floor
        x, y_ball = rng.uniform(-4, 4), away * rng.uniform(1.2, hall.half_y_m - 0.2)
        things.append(Thing("ball", (x, y_ball, FLOOR_Z_M + 0.02), (0.04,) * 3, ball.colour))
    for _ in range(int(rng.integers(0, 4))):  # knobs, stickers, lights of its size on the wall
        size = float(rng.uniform(0.03, 0.1))
        x, z = rng.uniform(-0.8, 0.8) * hall.half_x_m, rng.uniform(-0.2, 1.2)
        things.append(
            Thing("box", (x, away * (hall.half_y_m - 0.01), z), (size, 0.02, size), ball.colour)
        )
    return tuple(things)


def _random_posters(rng: np.random.Generator, hall: Hall, ball: BallLook) -> tuple[Poster, ...]:
    posters = []
    for wall in ("y+", "y-", "x-", "x+"):
        half = hall.half_x_m if wall[0] == "y" else hall.half_y_m
        for _ in range(int(rng.integers(0, 4))):
            size = (float(rng.uniform(0.5, 2.2)), float(rng.uniform(0.4, 1.1)))
            colours = (*(_pick(rng, _LOUD) for _ in range(4)), ball.colour)
            posters.append(
                Poster(
                    wall,
                    float(rng.uniform(-0.8, 0.8) * half),
                    float(rng.uniform(0.1, hall.ceiling_z_m - 0.8)),
                    size,
                    colours,
                    int(rng.integers(1 << 31)),
                )
            )
    return tuple(posters)


@dataclass(frozen=True, slots=True)
class _ViewRange:
    """Where a tripod stands and what it holds, by kind of view."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    z_m: tuple[float, float]
    fill: tuple[float, float]  # share of the picture's width that table and net span
    size_px: tuple[int, int]
    fps: float
    exposure_s: tuple[float, float]
    readout_s: tuple[float, float]
    k1: tuple[float, float]
    read_noise: tuple[float, float]


_RANGES: dict[View, _ViewRange] = {
    "side": _ViewRange((-0.5, 0.5), (-5.2, -3.8), (0.5, 1.7), (0.48, 0.62), (1280, 720), 60.0,
                       (1 / 1000, 1 / 250), (0.005, 0.016), (-0.1, 0.03), (0.002, 0.006)),
    "corner": _ViewRange((-4.4, -2.6), (-4.2, -2.6), (0.8, 1.9), (0.42, 0.58), (1280, 720), 60.0,
                         (1 / 1000, 1 / 250), (0.005, 0.016), (-0.1, 0.03), (0.002, 0.006)),
    "high": _ViewRange((-3.6, -1.5), (-3.8, -2.6), (1.9, 2.8), (0.42, 0.58), (1280, 720), 60.0,
                       (1 / 1000, 1 / 250), (0.005, 0.016), (-0.1, 0.03), (0.002, 0.006)),
    "end": _ViewRange((-6.4, -4.6), (-0.8, 0.8), (0.9, 2.2), (0.26, 0.36), (1280, 720), 60.0,
                      (1 / 1000, 1 / 250), (0.005, 0.016), (-0.1, 0.03), (0.002, 0.006)),
    "webcam": _ViewRange((-0.9, 0.9), (-4.2, -3.0), (0.4, 1.3), (0.55, 0.68), (1280, 720), 30.0,
                         (1 / 120, 1 / 60), (0.015, 0.030), (-0.18, -0.04), (0.006, 0.014)),
}  # fmt: skip


def frame_table(rig: CameraRig, fill: float) -> CameraRig:
    """The rig with the focal length at which table and net span `fill` of the width.

    Raises
    ------
    BadInput
        If the table is not in front of the camera.
    """
    corners = table_corners()
    tops = corners * [1.0, 1.0, 0.0] + [0.0, 0.0, 0.35]
    f = rig.f_px
    for _ in range(20):
        uv = project(resting_camera(replace(rig, f_px=f)), np.concatenate([corners, tops]))
        if not np.isfinite(uv).all():
            raise BadInput(
                f"the camera at {rig.centre_m} does not see the whole table; move it away from it"
            )
        span = np.ptp(uv[:, 0]) / rig.size_px[0]
        f *= fill / span
    return replace(rig, f_px=float(f))


def random_rig(
    rng: np.random.Generator, view: View, size_px: tuple[int, int] | None = None
) -> CameraRig:
    """A camera for a kind of view; sizes other than the usual keep the field of view."""
    if view not in _RANGES:
        raise BadInput(f"there is no view {view!r}; choose one of {', '.join(_RANGES)}")
    r = _RANGES[view]
    sign_y = 1.0 if rng.random() < 0.7 else -1.0  # mostly from the side y < 0
    sign_x = float(rng.choice([-1.0, 1.0]))
    size = size_px or r.size_px
    # small pictures keep the noise and softness of a pixel, and distortion is free of scale
    k1 = float(rng.uniform(*r.k1))
    rig = CameraRig(
        size_px=size,
        fps=r.fps,
        centre_m=(
            sign_x * float(rng.uniform(*r.x_m)),
            sign_y * float(rng.uniform(*r.y_m)),
            float(rng.uniform(*r.z_m)),
        ),
        aim_m=(float(rng.uniform(-0.15, 0.15)), float(rng.uniform(-0.1, 0.1)),
               float(rng.uniform(-0.05, 0.25))),
        roll_rad=float(rng.normal(0.0, 0.006)),
        f_px=1080.0 * size[0] / 1280,
        c_offset_px=(float(rng.normal(0, 0.004) * size[0]), float(rng.normal(0, 0.004) * size[0])),
        k1=k1,
        k2=float(-0.25 * k1 * rng.uniform(0.5, 1.2)),
        readout_s=float(rng.uniform(*r.readout_s)),
        exposure_s=float(np.exp(rng.uniform(*np.log(r.exposure_s)))),
        brightness=float(rng.uniform(0.35, 0.7)),
        read_noise=float(rng.uniform(*r.read_noise)),
        shot_noise=float(rng.uniform(0.006, 0.02)),
        blur_px=float(rng.uniform(0.4, 0.8)),
        vignette=float(rng.uniform(0.0, 0.3)),
        cast=_three(np.exp(rng.normal(0.0, 0.12 if view == "webcam" else 0.04, 3))),
        flicker_depth=float(rng.uniform(0.05, 0.3)) if rng.random() < 0.2 else 0.0,
        drift=Drift(turn_rad=_three(rng.normal(0.0, 2e-4, 3))),
        quality_crf=int(rng.integers(16, 24 if view == "webcam" else 21)),
        av_offset_s=float(rng.uniform(-0.05, 0.08)),
    )  # fmt: skip
    return frame_table(rig, float(rng.uniform(*r.fill)))


def random_scene(
    rng: np.random.Generator,
    view: View = "side",
    *,
    size_px: tuple[int, int] | None = None,
    white_ball: bool | None = None,
) -> Scene:
    """A made-up club evening: hall, light, camera, ball and two players.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of every choice; the same state gives the same scene.
    view : {"side", "corner", "high", "end", "webcam"}
        Where the camera stands.
    size_px : (int, int), optional
        Width and height of the picture; 1280 x 720 by default.
    white_ball : bool, optional
        White or orange; drawn at random when left out.

    Returns
    -------
    Scene
        With invented names and physics drawn about what balls do.

    Raises
    ------
    BadInput
        If there is no such view.
    """
    rig = random_rig(rng, view, size_px)
    ball = random_ball(rng, bool(rng.random() < 0.5) if white_ball is None else white_ball)
    names = rng.choice(len(_FIRST_NAMES), 2, replace=False)
    return Scene(
        title=_CLUBS[int(rng.integers(len(_CLUBS)))],
        hall=_random_hall(rng, rig, ball),
        table=TableLook(top=_pick(rng, _TOPS, 0.08), gloss=float(rng.uniform(0.0, 0.08))),
        rig=rig,
        ball=ball,
        physics=random_physics(rng),
        players=(
            random_player(rng, _FIRST_NAMES[names[0]]),
            random_player(rng, _FIRST_NAMES[names[1]]),
        ),
    )


def net_tops() -> FloatArray:
    """(2, 3) upper ends of the net posts, at +y and at -y."""
    y = TABLE_WIDTH_M.value / 2 + 0.1525
    return np.array([[0.0, y, NET_HEIGHT_M.value], [0.0, -y, NET_HEIGHT_M.value]])
