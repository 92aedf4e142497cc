"""A ball that flies, bounces on the table and flies on, with pictures; all by plain formulas."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from halfvolley.physics import Environment, fly
from halfvolley.types import (
    Arc,
    Camera,
    ClipCamera,
    ClipInfo,
    Contact,
    Detections,
    Flights,
    Frame,
    Play,
    Shutter,
)

WIDTH, HEIGHT = 960, 540
RATE = 60.0
LAW = Environment()
SHUTTER = Shutter(0.010, 0.001, 0.004, 0.0005, "estimated")
RADIUS_M = LAW.ball.radius_m
BALL, WALL = (200.0, 110.0, 150.0), (70.0, 128.0, 128.0)


def camera() -> ClipCamera:
    centre = np.array([0.3, -4.2, 1.3])
    forward = np.array([0.0, 0.2, 0.1]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    one = Camera(
        (WIDTH, HEIGHT), 1000.0, np.array([470.0, 280.0]), np.array([-0.04, 0.005]), R,
        -R @ centre, 1e-6 * np.eye(11),
    )  # fmt: skip
    angle = np.arccos((np.trace(R) - 1.0) / 2.0)
    axis = np.array([R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]])
    rvec = axis * angle / (2.0 * np.sin(angle))
    return ClipCamera(
        one, SHUTTER, np.zeros(1), rvec[None], one.t_m[None], np.array([[0.0, 60.0]]), 0.2, 1.0, ()
    )


CAMERA = camera()


def pixel(xyz):
    """Pinhole with two radial terms, written out."""
    c = CAMERA.camera
    x, y, z = c.R @ xyz + c.t_m
    a, b = x / z, y / z
    r2 = a * a + b * b
    k = 1.0 + c.k[0] * r2 + c.k[1] * r2 * r2
    return np.array([c.f_px * k * a + c.c_px[0], c.f_px * k * b + c.c_px[1]]), z


@dataclass
class Path2:
    """Two flights with a bounce between them; speeds after it by a plain rule."""

    t0: float = 0.1
    xyz: tuple = (-1.1, -0.1, 0.25)
    v: tuple = (4.2, 0.3, 0.4)
    spin: tuple = (0.0, 60.0, 0.0)

    def __post_init__(self):
        t = np.linspace(0.0, 1.0, 20001)
        states = fly(self.xyz, self.v, self.spin, t, LAW)
        k = int(np.argmax(states.xyz_m[:, 2] < RADIUS_M))
        self.t_bounce = self.t0 + float(t[k])
        self.at_bounce = states.xyz_m[k]
        self.v_in = states.v_mps[k]
        self.v_out = self.v_in * [0.8, 0.8, -0.9]
        self.t_end = self.t_bounce + 0.25

    def place(self, t):
        if t < self.t_bounce:
            a, s = t - self.t0, (self.xyz, self.v, self.spin)
        else:
            a, s = t - self.t_bounce, (self.at_bounce, self.v_out, self.spin)
        return fly(*s, np.array([a]), LAW).xyz_m[0]

    def image(self, stamp, share=0.5):
        """Centre [px], radius [px] and time at a share of the exposure: by bisection."""
        low, high = stamp, stamp + SHUTTER.exposure_s + SHUTTER.readout_s
        for _ in range(50):
            t = 0.5 * (low + high)
            v = pixel(self.place(t))[0][1]
            due = stamp + share * SHUTTER.exposure_s + SHUTTER.readout_s * v / HEIGHT
            low, high = (t, high) if t < due else (low, t)
        uv, depth = pixel(self.place(t))
        return uv, CAMERA.camera.f_px * RADIUS_M / depth, t


@dataclass
class Made:
    """A clip of that path."""

    path: Path2
    info: ClipInfo
    flights: Flights
    truth: dict  # frame -> (uv, radius, streak)

    @property
    def play(self):
        return Play((), (), ())


def made_clip(rng, *, missing=(), off=None, late_s=0.0, extra=(), bounce=0.95) -> Made:
    """A clip; `missing` frames have no detection, `off` adds to some, `late_s` to the arcs."""
    path = Path2()
    n = int((path.t_end + 0.2) * RATE)
    stamps = np.arange(n) / RATE
    truth, rows = {}, []
    for k, stamp in enumerate(stamps):
        uv, radius, t = path.image(stamp)
        if path.t0 <= t <= path.t_end:
            start, end = path.image(stamp, 0.0)[0], path.image(stamp, 1.0)[0]
            truth[k] = (uv, radius, end - start, t)
            if k not in missing:
                seen = uv + rng.normal(0.0, 0.15, 2) + np.array((off or {}).get(k, (0.0, 0.0)))
                rows.append((k, seen, radius, end - start, 0.9, t))
    rows += [(k, np.array(uv), 5.0, np.zeros(2), score, -1.0) for k, uv, score in extra]
    rows.sort(key=lambda row: row[0])
    d = Detections(
        np.array([r[0] for r in rows]), stamps[[r[0] for r in rows]],
        np.array([r[1] for r in rows]), np.tile(0.04 * np.eye(2), (len(rows), 1, 1)),
        np.array([r[2] for r in rows]), np.array([r[3] for r in rows]),
        np.array([r[4] for r in rows]), np.zeros(len(rows), np.int64),
    )  # fmt: skip
    times = np.array([r[5] for r in rows])
    one = np.flatnonzero((times >= 0) & (times < path.t_bounce))
    two = np.flatnonzero(times >= path.t_bounce)
    spin = np.array(path.spin)
    arcs = (
        Arc(0, path.t0 + late_s, path.t_bounce + late_s, np.array(path.xyz), np.array(path.v), spin,
            1e-4 * np.eye(9), LAW.drag, LAW.lift, LAW.lift_bend, one, 1.0, -1, 0),
        Arc(1, path.t_bounce + late_s, path.t_end + late_s, path.at_bounce, path.v_out, spin,
            1e-4 * np.eye(9), LAW.drag, LAW.lift, LAW.lift_bend, two, 1.0, 0, -1),
    )  # fmt: skip
    zero = np.zeros((3, 3))
    contact = Contact(
        0, "table", path.t_bounce + late_s, 0.0005, path.at_bounce, 1e-6 * np.eye(3), path.v_in,
        zero, spin, zero, path.v_out, zero, spin, zero, 0, 1, bounce, 0,
    )  # fmt: skip
    flights = Flights(arcs, (contact,), d, SHUTTER, ())
    info = ClipInfo(
        Path("/clips/made.mp4"), (WIDTH, HEIGHT), 0, "h264", "yuv420p", 8, "bt709", True,
        Fraction(1, 60), RATE, stamps, False, (),
    )  # fmt: skip
    return Made(path, info, flights, truth)


def frames(made, wanted, rng, *, hidden=(), blocked=(), half=(), things=()):
    """Wanted pictures of a clip: a wall with texture, the ball on it.

    In `hidden` frames the ball is not drawn; in `blocked` ones something dark of another colour is
    drawn at its place instead; in `half` ones two fifths of it show through a mesh. `things` are
    (frames, centre, radius, colour) of further discs.
    """
    wall = WALL[0] + rng.normal(0.0, 4.0, (HEIGHT, WIDTH))
    noise = rng.normal(0.0, 1.5, (HEIGHT, WIDTH))
    for k in (k for k in wanted if k < len(made.info.pts_s)):
        luma = wall + np.roll(noise, 37 * k)
        cb, cr = (np.full((HEIGHT // 2, WIDTH // 2), c) for c in WALL[1:])
        if k in made.truth and k not in hidden:
            uv, radius, streak, _ = made.truth[k]
            u0, v0 = (2 * int(max(c - 20, 0) // 2) for c in uv)
            part = np.s_[v0 : v0 + 40, u0 : u0 + 40]
            y, x = np.mgrid[part]
            cover = np.mean(
                [
                    np.clip(radius + 0.5 - np.hypot(x - uv[0] - a * streak[0],
                                                    y - uv[1] - a * streak[1]), 0, 1)
                    for a in np.linspace(-0.5, 0.5, 15)
                ], axis=0,
            )  # fmt: skip
            colour = (30.0, 128.0, 128.0) if k in blocked else BALL
            cover = cover * (0.4 if k in half else 1.0)
            luma[part] += cover * (colour[0] - luma[part])
            small = cover.reshape(20, 2, 20, 2).mean(axis=(1, 3))
            part = np.s_[v0 // 2 : v0 // 2 + 20, u0 // 2 : u0 // 2 + 20]
            cb[part] += small * (colour[1] - cb[part])
            cr[part] += small * (colour[2] - cr[part])
        for when, uv, radius, colour in things:
            if k in when:
                y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
                inside = np.hypot(x - uv[0], y - uv[1]) <= radius
                luma[inside] = colour[0]
                cb[inside[::2, ::2]], cr[inside[::2, ::2]] = colour[1:]
        planes = [np.clip(np.round(p), 0, 255).astype(np.uint8) for p in (luma, cb, cr)]
        yield Frame(k, float(made.info.pts_s[k]), *planes)
