"""A small ray caster for tests: halls with a table seen through an exact camera.

Planar rectangles with painted patterns and capsules for people; several rays a pixel, averaged in
light; then blur, noise, a tone curve and 8-bit luma and half-size chroma as a clip would hold.
"""

import math
from dataclasses import dataclass

import cv2
import numba
import numpy as np

from halfvolley.camera import kernels
from halfvolley.camera.projection import project, rotations
from halfvolley.types import Camera, Frame

BLUE, GREEN, GREY = (0.02, 0.08, 0.3), (0.03, 0.18, 0.1), (0.2, 0.2, 0.22)  # table colours
PLAIN, TABLE, PLANKS, TILES, BRICKS, BARS, PATCHES, MESH, COURT = range(9)


@dataclass
class Thing:
    """A rectangle (origin, two edges) or, with pattern -1, a capsule (two ends, radius in c2)."""

    a: tuple
    b: tuple
    c: tuple
    colour: tuple
    colour2: tuple = (0.75, 0.75, 0.75)
    pattern: int = PLAIN


@numba.njit(cache=True)
def _mix(i, j, k):
    """A fixed number in 0..1 from three whole numbers."""
    h = (i * 73856093) ^ (j * 19349663) ^ (k * 83492791)
    h = (h ^ (h >> 13)) * 1274126177
    return ((h ^ (h >> 16)) & 0xFFFF) / 65535.0


@numba.njit(cache=True)
def _paint(pattern, x, y, length, width, c1, c2, k):
    """Colour at (x, y) [m] of a rectangle; the first value is negative where it is a hole."""
    if pattern == 1:
        dx = min(x, length - x)
        dy = min(y, width - y)
        if dx < 0.02 or dy < 0.02 or abs(y - 0.5 * width) < 0.0015:
            return c2[0], c2[1], c2[2]
        return c1[0], c1[1], c1[2]
    if pattern == 2:
        row = math.floor(y / 0.12)
        tone = 0.8 + 0.4 * _mix(int(row), math.floor((x + 0.37 * row) / 0.9), k)
        return c1[0] * tone, c1[1] * tone, c1[2] * tone
    if pattern == 3:
        if (x % 0.5) < 0.008 or (y % 0.5) < 0.008:
            return 0.4 * c1[0], 0.4 * c1[1], 0.4 * c1[2]
        tone = 0.9 + 0.2 * _mix(int(x / 0.5), int(y / 0.5), k)
        return c1[0] * tone, c1[1] * tone, c1[2] * tone
    if pattern == 4:
        row = math.floor(y / 0.075)
        if (y % 0.075) < 0.012 or ((x + 0.11 * (row % 2)) % 0.22) < 0.012:
            return c2[0], c2[1], c2[2]
        tone = 0.7 + 0.6 * _mix(int(row), int((x + 0.11 * (row % 2)) / 0.22), k)
        return c1[0] * tone, c1[1] * tone, c1[2] * tone
    if pattern == 5:
        if 0.25 < y / width < 0.7 and 0.1 < (x % 2.0) / 2.0 < 0.9:
            if _mix(int(x / 0.11), k, 3) < 0.5 and (x % 0.11) < 0.08:
                return c2[0], c2[1], c2[2]
        return c1[0], c1[1], c1[2]
    if pattern == 6:
        m = _mix(int(x / 0.23), int(y / 0.17), k)
        if m < 0.2:
            return c2[0], c2[1], c2[2]
        if m < 0.5:
            return m, _mix(int(x / 0.3), k, 1), _mix(int(y / 0.3), k, 2)
        return c1[0], c1[1], c1[2]
    if pattern == 7:
        if y > width - 0.015:
            return c2[0], c2[1], c2[2]
        if (x % 0.0125) > 0.0016 and (y % 0.0125) > 0.0016:
            return -1.0, 0.0, 0.0
        return c1[0], c1[1], c1[2]
    if pattern == 8:
        dx = min(x, length - x)
        dy = min(y, width - y)
        if (0.0 <= dx < 0.05) or (0.0 <= dy < 0.05) or abs(x - 0.5 * length) < 0.025:
            return c2[0], c2[1], c2[2]
        return c1[0], c1[1], c1[2]
    return c1[0], c1[1], c1[2]


@numba.njit(cache=True)
def _dot(a, b):
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@numba.njit(cache=True)
def _capsule(o, d, a, b, r):
    """Distance along the ray to a capsule, or infinity."""
    baba = bard = baoa = doa = oaoa = 0.0
    for k in range(3):
        ba = b[k] - a[k]
        oa = o[k] - a[k]
        baba += ba * ba
        bard += ba * d[k]
        baoa += ba * oa
        doa += d[k] * oa
        oaoa += oa * oa
    A = baba - bard * bard
    B = baba * doa - baoa * bard
    C = baba * oaoa - baoa * baoa - r * r * baba
    h = B * B - A * C
    if h < 0.0:
        return math.inf
    t = (-B - math.sqrt(h)) / A
    y = baoa + t * bard
    if 0.0 < y < baba:
        return t
    if y > 0.0:
        doa = oaoa = 0.0
        for k in range(3):
            ob = o[k] - b[k]
            doa += d[k] * ob
            oaoa += ob * ob
    h = doa * doa - (oaoa - r * r)
    return -doa - math.sqrt(h) if h > 0.0 else math.inf


@numba.njit(cache=True)
def _cast(f, cx, cy, radii, R, o, size, boxes, A, B, C, colour, colour2, pattern, light, n_sub):
    """Light of each pixel; n_sub^2 rays where a table or net is near, 4 elsewhere."""
    width, height = size
    out = np.zeros((height, width, 3))
    d = np.zeros(3)
    p = np.zeros(3)
    n_things = len(pattern)
    row_things = np.zeros(n_things, np.int64)
    normals = np.zeros((n_things, 5))  # normal, lengths of the edges
    for i in range(n_things):
        e1, e2 = B[i], C[i]
        normals[i, 0] = e1[1] * e2[2] - e1[2] * e2[1]
        normals[i, 1] = e1[2] * e2[0] - e1[0] * e2[2]
        normals[i, 2] = e1[0] * e2[1] - e1[1] * e2[0]
        normals[i, 3] = math.sqrt(_dot(e1, e1))
        normals[i, 4] = max(math.sqrt(_dot(e2, e2)), 1e-9)
    for v in range(height):
        n_row = 0
        for i in range(n_things):
            if boxes[i, 1] <= v <= boxes[i, 3]:
                row_things[n_row] = i
                n_row += 1
        for u in range(width):
            n = 2
            for m in range(n_row):
                i = row_things[m]
                if (pattern[i] == 1 or pattern[i] == 7) and boxes[i, 0] <= u <= boxes[i, 2]:
                    n = n_sub
            for sub in range(n * n):
                # sheared grid: n^2 different places in u and in v keep the sum of thin lines
                su, sv = sub % n, sub // n
                a = (u + (su + (sv + 0.5) / n) / n - 0.5 - cx) / f
                b = (v + (sv + (su + 0.5) / n) / n - 0.5 - cy) / f
                q = math.sqrt(a * a + b * b) * 1e4
                j = int(q)
                scale = radii[j] + (radii[j + 1] - radii[j]) * (q - j)
                a *= scale
                b *= scale
                norm = math.sqrt(a * a + b * b + 1.0)
                for i in range(3):
                    d[i] = (R[0, i] * a + R[1, i] * b + R[2, i]) / norm
                best = 1e9
                r0, r1, r2 = 0.02, 0.02, 0.02
                for m in range(n_row):
                    i = row_things[m]
                    if not boxes[i, 0] <= u <= boxes[i, 2]:
                        continue
                    if pattern[i] < 0:
                        t = _capsule(o, d, A[i], B[i], C[i, 0])
                        if 0.0 < t < best:
                            best = t
                            r0, r1, r2 = colour[i, 0], colour[i, 1], colour[i, 2]
                        continue
                    den = _dot(normals[i], d)
                    if den == 0.0:
                        continue
                    t = (_dot(normals[i], A[i]) - _dot(normals[i], o)) / den
                    if not 0.0 < t < best:
                        continue
                    for k in range(3):
                        p[k] = o[k] + t * d[k] - A[i, k]
                    x = _dot(p, B[i]) / normals[i, 3]
                    y = _dot(p, C[i]) / normals[i, 4]
                    if not (0.0 <= x <= normals[i, 3] and 0.0 <= y <= normals[i, 4]):
                        continue
                    c0, c1, c2 = _paint(
                        pattern[i], x, y, normals[i, 3], normals[i, 4], colour[i], colour2[i], i
                    )
                    if c0 < 0.0:
                        continue
                    best = t
                    r0, r1, r2 = c0, c1, c2
                shade = light[3]
                for k in range(3):
                    shade += light[k] * (o[k] + min(best, 20.0) * d[k])
                shade = max(shade, 0.05) / (n * n)
                out[v, u, 0] += r0 * shade
                out[v, u, 1] += r1 * shade
                out[v, u, 2] += r2 * shade
    return out


def table_things(colour, white=(0.8, 0.8, 0.8), at=(0.0, 0.0), turn=0.0, net=True, apron=0.4):
    """A table with apron, legs and net; `at` and `turn` place another table in the hall."""
    c, s = math.cos(turn), math.sin(turn)

    def place(x, y, z):
        return (at[0] + c * x - s * y, at[1] + s * x + c * y, z)

    def edge(x, y, z):
        return (c * x - s * y, s * x + c * y, z)

    dark = tuple(apron * q for q in colour)
    things = [
        Thing(place(-1.37, -0.7625, 0), edge(2.74, 0, 0), edge(0, 1.525, 0), colour, white, TABLE)
    ]
    for y in (-0.7625, 0.7625):
        things.append(Thing(place(-1.37, y, -0.04), edge(2.74, 0, 0), edge(0, 0, 0.04), dark))
    for x in (-1.37, 1.37):
        things.append(Thing(place(x, -0.7625, -0.04), edge(0, 1.525, 0), edge(0, 0, 0.04), dark))
        for y in (-0.6, 0.6):
            leg = place(0.75 * x, y, -0.76), place(0.75 * x, y, -0.05)
            things.append(Thing(leg[0], leg[1], (0.03,), (0.02, 0.02, 0.02), pattern=-1))
    if net:
        things.append(
            Thing(place(0, -0.915, 0), edge(0, 1.83, 0), edge(0, 0, 0.1525), (0.03, 0.05, 0.04),
                  white, MESH)
        )  # fmt: skip
        top = place(-0.0025, -0.915, 0.1525)
        things.append(Thing(top, edge(0.005, 0, 0), edge(0, 1.83, 0), white))
        for y in (-0.915, 0.915):
            post = place(0, y * 1.01, -0.03), place(0, y * 1.01, 0.14)
            things.append(Thing(post[0], post[1], (0.011,), (0.04, 0.04, 0.04), pattern=-1))
    return things


def person_things(rng, x, y, shirt):
    """A person standing at (x, y) on the floor."""
    skin = (0.45, 0.28, 0.2)
    sway = rng.normal(0, 0.08, 2)
    hip = (x + sway[0], y + sway[1], 0.1)
    neck = (x + 1.5 * sway[0], y + 1.5 * sway[1], 0.6)
    parts = [
        (hip, neck, 0.19, shirt),
        ((neck[0], neck[1], 0.82), (neck[0], neck[1], 0.87), 0.1, skin),
    ]
    for side in (-0.12, 0.12):
        parts.append(((x, y + side, -0.7), (hip[0], hip[1] + side, 0.0), 0.09, (0.05, 0.05, 0.1)))
        hand = (neck[0] - np.sign(x) * 0.45, neck[1] + 2.5 * side + rng.normal(0, 0.1), 0.35)
        parts.append(((neck[0], neck[1] + 1.4 * side, 0.55), hand, 0.05, skin))
    return [Thing(a, b, (r,), c, pattern=-1) for a, b, r, c in parts]


def hall_things(rng, floor=None):
    """Floor, walls, barriers, posters and painted court lines drawn from `rng`."""
    kind = floor if floor is not None else rng.choice([PLAIN, PLANKS, TILES])
    tint = rng.uniform(0.08, 0.4, 3) if rng.random() < 0.5 else np.full(3, rng.uniform(0.05, 0.45))
    things = [Thing((-9, -8, -0.76), (18, 0, 0), (0, 16, 0), tuple(tint), pattern=int(kind))]
    if rng.random() < 0.6:
        x, y = rng.uniform(3, 7), rng.uniform(2, 4)
        stripe = tuple(rng.uniform(0.3, 0.9, 3)) if rng.random() < 0.5 else (0.8, 0.8, 0.8)
        inside = tuple(rng.uniform(0.05, 0.4, 3)) if rng.random() < 0.5 else tuple(tint)
        things.append(Thing((-x, -y, -0.758), (2 * x, 0, 0), (0, 2 * y, 0), inside, stripe, COURT))
    wall = tuple(rng.uniform(0.1, 0.7, 3))
    style = int(rng.choice([PLAIN, BRICKS, PATCHES]))
    light = tuple(rng.uniform(0.3, 0.9, 3))
    for y in (-7.0, 7.0):
        things.append(Thing((-9, y, -0.76), (18, 0, 0), (0, 0, 5), wall, light, style))
    for x in (-8.5, 8.5):
        things.append(Thing((x, -8, -0.76), (0, 16, 0), (0, 0, 5), wall, light, style))
    if rng.random() < 0.6:
        blue = tuple(rng.uniform(0.02, 0.3, 3))
        for y in (-4.9, 4.9):
            things.append(Thing((-6.5, y, -0.76), (13, 0, 0), (0, 0, 0.72), blue, pattern=BARS))
        for x in (-6.6, 6.6):
            things.append(Thing((x, -4.9, -0.76), (0, 9.8, 0), (0, 0, 0.72), blue, pattern=BARS))
    return things


def look_at(size_px, f_px, place, target, roll=0.0, k=(0.0, 0.0), c_off=(0.0, 0.0)):
    """A camera at `place` aimed at `target` [m], rolled about its axis [rad]."""
    forward = np.asarray(target, float) - place
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    R = rotations(np.array([[0, 0, roll]]))[0] @ R
    c = np.array([(size_px[0] - 1) / 2 + c_off[0], (size_px[1] - 1) / 2 + c_off[1]])
    return Camera(
        size_px=size_px, f_px=float(f_px), c_px=c, k=np.asarray(k, float), R=R,
        t_m=-R @ np.asarray(place, float), cov=np.zeros((11, 11)),
    )  # fmt: skip


def _boxes(camera, things):
    """Picture boxes outside which a thing is not seen; the whole picture where unsure."""
    width, height = camera.size_px
    boxes = np.tile([0, 0, width, height], (len(things), 1)).astype(np.int64)
    for i, thing in enumerate(things):
        a, b = np.array(thing.a, float), np.array(thing.b, float)
        if thing.pattern < 0:
            r = thing.c[0]
            low, high = np.minimum(a, b) - r, np.maximum(a, b) + r
            grid = np.stack(np.meshgrid(*np.stack([low, high], 1)), -1).reshape(-1, 3)
        else:
            c = np.array(thing.c, float)
            st = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 9)), -1).reshape(
                -1, 2
            )
            grid = a + st[:, :1] * b + st[:, 1:] * c
        seen = grid @ camera.R[2] + camera.t_m[2]
        if (seen < 0.05).any():
            continue
        uv = project(camera, grid)
        ideal = (grid @ camera.R.T + camera.t_m)[:, :2] / seen[:, None]
        if (np.abs(ideal) > 2.0).any():
            continue
        pad = 3 + 0.02 * np.ptp(uv, axis=0).max()
        boxes[i] = [*np.floor(uv.min(0) - pad), *np.ceil(uv.max(0) + pad)]
    return boxes


def cast(camera, things, light=(0.0, 0.0, 0.0, 1.0), n_sub=3):
    """(h, w, 3) linear light of the scene."""
    k1, k2 = camera.k
    width, height = camera.size_px
    far = 1e4 * (math.hypot(width, height) / camera.f_px + 0.1)
    d = np.arange(int(far) + 2) * 1e-4
    radii = np.array([1.0] + [kernels.undistort_radius(k1, k2, x) / x for x in d[1:]])
    three = lambda v: tuple(v) + (0.0,) * (3 - len(v))  # noqa: E731
    columns = [np.array([three(getattr(t, n)) for t in things], float) for n in ("a", "b", "c")]
    return _cast(
        camera.f_px, *camera.c_px, radii, camera.R, camera.centre_m, camera.size_px,
        _boxes(camera, things), *columns, np.array([t.colour for t in things], float),
        np.array([t.colour2 for t in things], float),
        np.array([t.pattern for t in things]), np.array(light, float), n_sub,
    )  # fmt: skip


def to_frame(
    light, index=0, t_s=0.0, rng=None, blur=0.55, noise=0.006, gamma=2.2, cast_rgb=(1, 1, 1)
):
    """Blur, noise, tone curve and coding: a `Frame` of the light."""
    seen = cv2.GaussianBlur(light, (0, 0), blur) * np.array(cast_rgb)
    if rng is not None:
        seen = seen + rng.normal(size=seen.shape) * noise * np.sqrt(0.05 + np.clip(seen, 0, 1))
    coded = np.clip(seen, 0, 1) ** (1 / gamma)
    y = coded @ np.array([0.2126, 0.7152, 0.0722])
    luma = np.round(16 + 219 * y).astype(np.uint8)
    half = (light.shape[1] // 2, light.shape[0] // 2)
    cb = cv2.resize((coded[:, :, 2] - y) / 1.8556, half, interpolation=cv2.INTER_AREA)
    cr = cv2.resize((coded[:, :, 0] - y) / 1.5748, half, interpolation=cv2.INTER_AREA)
    chroma = [np.round(128 + 224 * c).astype(np.uint8) for c in (cb, cr)]
    return Frame(index, t_s, luma, *chroma)


def shoot(camera, things, people=2, pictures=3, seed=0, **tone):
    """Pictures of a hall with people who move."""
    rng = np.random.default_rng(seed)
    frames = []
    for i in range(pictures):
        who = [t for x in (-2.0, 2.0)[:people]
               for t in person_things(rng, x, rng.normal(0, 0.3), (0.5, 0.1, 0.1))]  # fmt: skip
        frames.append(to_frame(cast(camera, things + who), i, float(i), rng=rng, **tone))
    return frames
