"""Rays into the empty hall, as compiled functions of floats and arrays.

Three layers are kept, so that moving things can be put between them: what lies behind the table,
the table, and its net. Each is light times coverage.
"""
# mypy: allow-untyped-defs

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from halfvolley.types import FloatArray

PLAIN, TILES, PLANKS, BRICKS, PANELS, CURTAIN, PICTURE, TOP, MESH, GLOW = range(10)
RECTANGLE, BOX, BALL = 0.0, 1.0, 2.0
MESH_PITCH_M = 0.0125
THREAD_M = 0.0016
FAR_M = 1e9
FLOOR_CELL_M = 0.08
TILE_PX = 24


class Solid(NamedTuple):
    """All still surfaces as numbers.

    prims (m, 20): kind, layer (0 hall, 1 table, 2 net), material, then for a rectangle its corner
    (3), unit edges (3 + 3), lengths (2) and normal (3); for a box its least and greatest corner;
    for a ball centre and radius. The hall comes first, then the table, then the net; row 0 is the
    floor.
    """

    prims: FloatArray
    balls: FloatArray  # (m, 4) centre and radius of a ball around each
    n_hall: int
    n_table: int  # hall and table together
    materials: FloatArray  # (k, 12) kind, colours (3 + 3), scale, gloss, picture, seed, glow
    pictures: FloatArray  # (p, h, w, 3)
    lamps: FloatArray  # (l, 6) centre (3), half edges (2), power
    ambient: float
    floor: FloatArray  # irradiance of the floor at cells FLOOR_CELL_M apart


class Eye(NamedTuple):
    """The camera: pinhole, distortion as a curve, pose."""

    f: float
    cx: float
    cy: float
    curve: FloatArray  # undistorted over distorted radius at steps of the squared distorted one
    step: float
    R: FloatArray  # camera_from_world
    o: FloatArray  # (3,) its place


@njit(cache=True, error_model="numpy", fastmath=True)
def _random(i, j):
    """A number in [0, 1) from two whole numbers."""
    n = (i * 374761393 + j * 668265263) & 0xFFFFFFFF
    n = ((n ^ (n >> 13)) * 1274126177) & 0xFFFFFFFF
    return ((n ^ (n >> 16)) & 0xFFFFFF) / 16777216.0


@njit(cache=True, error_model="numpy", fastmath=True)
def _mottle(x, y, seed):
    """Smooth noise in [0, 1)."""
    i, j = math.floor(x), math.floor(y)
    p, q = x - i, y - j
    p = p * p * (3 - 2 * p)
    q = q * q * (3 - 2 * q)
    a = _random(i + seed, j)
    b = _random(i + 1 + seed, j)
    c = _random(i + seed, j + 1)
    d = _random(i + 1 + seed, j + 1)
    return (a * (1 - p) + b * p) * (1 - q) + (c * (1 - p) + d * p) * q


# --- what a ray meets --------------------------------------------------------------------------
@njit(cache=True, error_model="numpy", fastmath=True)
def _hit(prims, i, o, d, uvn, row):
    """Distance to one primitive, FAR_M if missed; uvn[row] becomes (u, v, nx, ny, nz)."""
    if prims[i, 0] == RECTANGLE:
        nx, ny, nz = prims[i, 14], prims[i, 15], prims[i, 16]
        slope = d[0] * nx + d[1] * ny + d[2] * nz
        if abs(slope) < 1e-12:
            return FAR_M
        x, y, z = o[0] - prims[i, 3], o[1] - prims[i, 4], o[2] - prims[i, 5]
        t = -(x * nx + y * ny + z * nz) / slope
        if t <= 1e-6:
            return FAR_M
        x, y, z = x + t * d[0], y + t * d[1], z + t * d[2]
        u = x * prims[i, 6] + y * prims[i, 7] + z * prims[i, 8]
        v = x * prims[i, 9] + y * prims[i, 10] + z * prims[i, 11]
        if u < 0.0 or v < 0.0 or u > prims[i, 12] or v > prims[i, 13]:
            return FAR_M
        s = -1.0 if slope > 0.0 else 1.0
        uvn[row, 0], uvn[row, 1] = u, v
        uvn[row, 2], uvn[row, 3], uvn[row, 4] = s * nx, s * ny, s * nz
        return t
    if prims[i, 0] == BOX:
        return _hit_box(prims, i, o, d, uvn, row)
    x, y, z = o[0] - prims[i, 3], o[1] - prims[i, 4], o[2] - prims[i, 5]
    r = prims[i, 6]
    b = x * d[0] + y * d[1] + z * d[2]
    q = b * b - (x * x + y * y + z * z - r * r)
    if q < 0.0:
        return FAR_M
    t = -b - math.sqrt(q)
    if t <= 1e-6:
        return FAR_M
    uvn[row, 0] = uvn[row, 1] = 0.0
    uvn[row, 2] = (x + t * d[0]) / r
    uvn[row, 3] = (y + t * d[1]) / r
    uvn[row, 4] = (z + t * d[2]) / r
    return t


@njit(cache=True, error_model="numpy", fastmath=True)
def _hit_box(prims, i, o, d, uvn, row):
    enter, leave, axis = -FAR_M, FAR_M, 0
    for a in range(3):
        if abs(d[a]) < 1e-12:
            if o[a] < prims[i, 3 + a] or o[a] > prims[i, 6 + a]:
                return FAR_M
            continue
        inverse = 1.0 / d[a]
        near = (prims[i, 3 + a] - o[a]) * inverse
        far = (prims[i, 6 + a] - o[a]) * inverse
        if near > far:
            near, far = far, near
        if near > enter:
            enter, axis = near, a
        leave = min(leave, far)
    if enter > leave or enter <= 1e-6:
        return FAR_M
    p, q = (1, 2) if axis == 0 else ((0, 2) if axis == 1 else (0, 1))
    uvn[row, 0], uvn[row, 1] = o[p] + enter * d[p], o[q] + enter * d[q]
    uvn[row, 2] = uvn[row, 3] = uvn[row, 4] = 0.0
    uvn[row, 2 + axis] = -1.0 if d[axis] > 0 else 1.0
    return enter


@njit(cache=True, error_model="numpy", fastmath=True)
def _nearest(prims, lists, layer, n, skip, o, d, uvn, row):
    """Distance and index of the nearest of n primitives, but not of `skip`; uvn[row] is its hit."""
    best, found = FAR_M, -1
    for k in range(n):
        i = lists[layer, k]
        if i == skip:
            continue
        t = _hit(prims, i, o, d, uvn, row + 1)
        if t < best:
            best, found = t, i
            for c in range(5):
                uvn[row, c] = uvn[row + 1, c]
    return best, found


@njit(cache=True, error_model="numpy", fastmath=True)
def _nearest_solid(prims, materials, lists, layer, n, o, d, uvn):
    """The nearest thing that is not a hole of a net."""
    t, i = _nearest(prims, lists, layer, n, -1, o, d, uvn, 0)
    if i >= 0 and materials[int(prims[i, 2]), 0] == MESH and not _thread(uvn[0, 0], uvn[0, 1]):
        return _nearest(prims, lists, layer, n, i, o, d, uvn, 0)
    return t, i


@njit(cache=True, error_model="numpy", fastmath=True)
def _thread(u, v):
    """Whether a point of the net is thread, not hole."""
    return u % MESH_PITCH_M < THREAD_M or v % MESH_PITCH_M < THREAD_M


# --- colour and light --------------------------------------------------------------------------
@njit(cache=True, error_model="numpy", fastmath=True)
def _on_line(x, y, half_x, half_y):
    """Whether a place on the table is white: 20 mm inside its edges, 3 mm along the middle."""
    return min(half_x - abs(x), half_y - abs(y)) < 0.020 or abs(y) < 0.0015


@njit(cache=True, error_model="numpy", fastmath=True)
def _second_share(kind, scale, seed, u, v):
    """Share of a pattern's second colour at a place."""
    if kind == TILES:
        a, b = u / scale, v / scale
        i, j = math.floor(a), math.floor(b)
        gap = 0.004 / scale
        if a - i < gap or b - j < gap:
            return 1.0
        return 0.25 * _random(i + seed, j)
    if kind == PLANKS:
        j = math.floor(v / scale)
        a = u / (12.0 * scale) + 7.3 * _random(j, seed)
        i = math.floor(a)
        if v / scale - j < 0.015 or a - i < 0.002:
            return 1.0
        return 0.8 * _random(i + 17 * j, seed) * (0.6 + 0.4 * _mottle(4 * u, v * 60, j))
    if kind == BRICKS:
        b = v / (0.35 * scale)
        j = math.floor(b)
        a = u / scale + 0.5 * (j % 2)
        i = math.floor(a)
        if a - i < 0.03 or b - j < 0.08:
            return 1.0
        return 0.5 * _random(i + seed, j)
    if kind == PANELS:
        a = u / scale
        i = math.floor(a)
        return 1.0 if a - i < 0.012 else 0.12 * _random(i, seed)
    if kind == CURTAIN:
        return 0.5 + 0.5 * math.sin(u * 2 * math.pi / scale + 1.5 * math.sin(u * 1.7))
    return 0.0


@njit(cache=True, error_model="numpy", fastmath=True)
def _reflectance(prims, materials, pictures, i, u, v, out):
    """out (3,) becomes the colour of a primitive at a place."""
    m = int(prims[i, 2])
    kind = int(materials[m, 0])
    if kind == PICTURE:
        which = int(materials[m, 9])
        h, w = pictures.shape[1], pictures.shape[2]
        row = min(max(int((1.0 - v / prims[i, 13]) * h), 0), h - 1)
        column = min(max(int(u / prims[i, 12] * w), 0), w - 1)
        for c in range(3):
            out[c] = pictures[which, row, column, c]
        return
    seed = int(materials[m, 10])
    shade = 1.0
    if kind == TOP:
        half_x, half_y = 0.5 * prims[i, 12], 0.5 * prims[i, 13]
        f = 1.0 if _on_line(u - half_x, v - half_y, half_x, half_y) else 0.0
    else:
        f = _second_share(kind, materials[m, 7], seed, u, v)
        if kind != GLOW:  # nothing is quite even
            shade = 0.95 + 0.12 * (_mottle(2.1 * u, 2.1 * v, seed) - 0.3)
    for c in range(3):
        out[c] = shade * (materials[m, 1 + c] + f * (materials[m, 4 + c] - materials[m, 1 + c]))


@njit(cache=True, error_model="numpy", fastmath=True)
def _light(lamps, ambient, share, x, y, z, nx, ny, nz):
    """Irradiance at a point with this normal, a share of the lamps' light reaching it."""
    e = ambient * (0.7 + 0.3 * nz)
    for i in range(lamps.shape[0]):
        lx, ly, lz = lamps[i, 0] - x, lamps[i, 1] - y, lamps[i, 2] - z
        cos = lx * nx + ly * ny + lz * nz
        if cos <= 0.0 or lz <= 0.0:
            continue
        d2 = lx * lx + ly * ly + lz * lz
        e += share * lamps[i, 5] * lz * cos / (d2 * d2)
    return e


@njit(cache=True, error_model="numpy", fastmath=True)
def _floor_light(floor, u, v):
    a, b = v / FLOOR_CELL_M, u / FLOOR_CELL_M
    p, q = min(int(a), floor.shape[0] - 2), min(int(b), floor.shape[1] - 2)
    a, b = a - p, b - q
    return (1 - a) * ((1 - b) * floor[p, q] + b * floor[p, q + 1]) + a * (
        (1 - b) * floor[p + 1, q] + b * floor[p + 1, q + 1]
    )


@njit(cache=True, error_model="numpy", fastmath=True)
def _shade(solid, i, t, o, d, uvn, out):
    """out (3,) becomes the light of what was hit."""
    prims, materials = solid.prims, solid.materials
    _reflectance(prims, materials, solid.pictures, i, uvn[0, 0], uvn[0, 1], out)
    m = int(prims[i, 2])
    if materials[m, 0] == GLOW:
        e = materials[m, 11]
    elif i == 0:
        e = _floor_light(solid.floor, uvn[0, 0], uvn[0, 1])
    else:
        # frame and legs stand in the shade of the table top
        share = 0.35 if prims[i, 1] == 1.0 and prims[i, 0] == BOX else 1.0
        e = _light(
            solid.lamps, solid.ambient, share, o[0] + t * d[0], o[1] + t * d[1], o[2] + t * d[2],
            uvn[0, 2], uvn[0, 3], uvn[0, 4],
        )  # fmt: skip
    for c in range(3):
        out[c] *= e


@njit(cache=True, error_model="numpy", fastmath=True)
def _mirror(solid, lists, t, o, d, uvn, gloss, j1, j2, work, out):
    """Adds to out (3,) what a glossy table mirrors of the hall; work is (3, 3) of scratch."""
    rough = 0.05
    nx, ny = rough * (j1 - 0.5), rough * (j2 - 0.5)
    nz = math.sqrt(1.0 - nx * nx - ny * ny)
    cos = -(d[0] * nx + d[1] * ny + d[2] * nz)
    if cos <= 0.0:
        return
    # Schlick's rise of the mirrored share towards grazing sight
    share = gloss + (1.0 - gloss) * gloss * 12.0 * (1.0 - cos) ** 5
    at, away, seen = work[0], work[1], work[2]
    for a in range(3):
        at[a] = o[a] + t * d[a]
    at[2] += 1e-4
    away[0], away[1], away[2] = d[0] + 2 * cos * nx, d[1] + 2 * cos * ny, d[2] + 2 * cos * nz
    r, i = _nearest(solid.prims, lists, 3, solid.n_hall, -1, at, away, uvn, 0)
    if i < 0:
        return
    _shade(solid, i, r, at, away, uvn, seen)
    for c in range(3):
        out[c] += share * seen[c]


@njit(cache=True, error_model="numpy", fastmath=True)
def light_floor(prims, balls, first, n_hall, last, lamps, ambient, x0, y0, z, out):
    """Fills out (p, q) with the irradiance of the floor: lamps with shadows of first to last."""
    uvn = np.empty((1, 5))
    o, d = np.empty(3), np.empty(3)
    side = 3  # a lamp is 3 x 3 points, shifted in each cell
    o[2] = z + 1e-4
    for p in range(out.shape[0]):
        for q in range(out.shape[1]):
            o[0], o[1] = x0 + FLOOR_CELL_M * q, y0 + FLOOR_CELL_M * p
            s1, s2 = _random(p, q), _random(q + 31, p)
            e = ambient
            for i in range(lamps.shape[0]):
                lx, ly, lz = lamps[i, 0] - o[0], lamps[i, 1] - o[1], lamps[i, 2] - o[2]
                d2 = lx * lx + ly * ly + lz * lz
                part = lamps[i, 5] * lz * lz / (d2 * d2)
                if part < 0.004:
                    continue
                free = 0
                for a in range(side):
                    for b in range(side):
                        d[0] = lx + lamps[i, 3] * (2.0 * (a + s1) / side - 1.0)
                        d[1] = ly + lamps[i, 4] * (2.0 * (b + s2) / side - 1.0)
                        d[2] = lz
                        far = math.sqrt(d[0] * d[0] + d[1] * d[1] + lz * lz)
                        d[0], d[1], d[2] = d[0] / far, d[1] / far, lz / far
                        if not _blocked(prims, balls, first, n_hall, last, o, d, far, uvn):
                            free += 1
                e += part * free / (side * side)
            out[p, q] = e


@njit(cache=True, error_model="numpy", fastmath=True)
def _blocked(prims, balls, first, n_hall, last, o, d, far, uvn):
    # a ball around the table spares most rays the look at its parts
    z = o[2] + 0.38
    along = -o[0] * d[0] - o[1] * d[1] - z * d[2]
    off = o[0] * o[0] + o[1] * o[1] + z * z - along * along
    end = last if off < 1.65**2 else n_hall
    for k in range(first, end):
        if prims[k, 0] == RECTANGLE:
            continue
        x, y, z = balls[k, 0] - o[0], balls[k, 1] - o[1], balls[k, 2] - o[2]
        along = x * d[0] + y * d[1] + z * d[2]
        if x * x + y * y + z * z - along * along > balls[k, 3] ** 2:
            continue
        if _hit(prims, k, o, d, uvn, 0) < far:
            return True
    return False


# --- the picture -------------------------------------------------------------------------------
@njit(cache=True, error_model="numpy", fastmath=True)
def _ray(eye, u, v, out):
    """out (3,) becomes the unit direction through a pixel."""
    x, y = (u - eye.cx) / eye.f, (v - eye.cy) / eye.f
    s = (x * x + y * y) / eye.step
    k = min(int(s), eye.curve.shape[0] - 2)
    g = eye.curve[k] + (s - k) * (eye.curve[k + 1] - eye.curve[k])
    x, y = x * g, y * g
    n = 1.0 / math.sqrt(x * x + y * y + 1.0)
    for a in range(3):
        out[a] = n * (eye.R[0, a] * x + eye.R[1, a] * y + eye.R[2, a])


@njit(cache=True)
def _choose(balls, first, last, o, ahead, cos_far, lists, layer):
    """Fills a list with the primitives that a cone about `ahead` may meet; returns their number."""
    n = 0
    sin_far = math.sqrt(max(1.0 - cos_far * cos_far, 0.0))
    for i in range(first, last):
        x, y, z = balls[i, 0] - o[0], balls[i, 1] - o[1], balls[i, 2] - o[2]
        d = math.sqrt(x * x + y * y + z * z)
        r = balls[i, 3]
        if d > r:
            c = (x * ahead[0] + y * ahead[1] + z * ahead[2]) / d
            s = r / d
            # angle to the middle of the ball against the sum of both half angles
            if c < math.sqrt(1.0 - s * s) * cos_far - s * sin_far:
                continue
        lists[layer, n] = i
        n += 1
    return n


@njit(cache=True, error_model="numpy", fastmath=True)
def _key(prims, n_table, lists, counts, o, d, uvn):
    """What a ray meets first: a number that changes at visible edges, negative near a line."""
    best, found = FAR_M, -1
    for layer in range(3):
        t, i = _nearest(prims, lists, layer, counts[layer], -1, o, d, uvn, 1)
        if t < best:
            best, found = t, i
            uvn[0, 0], uvn[0, 1] = uvn[1, 0], uvn[1, 1]
    if found < 0:
        return 0
    key = found + 1
    if found >= n_table:
        return -key  # the net's threads are everywhere
    if prims[found, 1] == 1.0 and prims[found, 0] == RECTANGLE:
        half_x, half_y = 0.5 * prims[found, 12], 0.5 * prims[found, 13]
        x, y = uvn[0, 0] - half_x, uvn[0, 1] - half_y
        if min(half_x - abs(x), half_y - abs(y)) < 0.045 or abs(y) < 0.025:
            return -key
    return key


@njit(cache=True, error_model="numpy", fastmath=True)
def cast(size, eye, solid, spp, seed):
    """The empty hall: base (h, w, 3), table (h, w, 5), net (h, w, 4).

    The table's layer holds light, coverage and distance. Pixels on edges take spp rays, mirrors
    half of them, all others a sixth.
    """
    w, h = size
    base = np.zeros((h, w, 3), np.float32)
    table = np.zeros((h, w, 5), np.float32)
    net = np.zeros((h, w, 4), np.float32)
    n_all = solid.prims.shape[0]
    lists = np.zeros((4, n_all), np.int64)  # by layer what a tile may meet; all that mirrors show
    lists[3] = np.arange(n_all)
    counts = np.zeros(3, np.int64)
    ahead, corner, d = np.empty(3), np.empty(3), np.empty(3)
    keys = np.zeros((TILE_PX + 1, TILE_PX + 1), np.int64)
    uvn = np.empty((3, 5))  # what was met, and scratch
    work = np.empty((4, 3))
    for v0 in range(0, h, TILE_PX):
        for u0 in range(0, w, TILE_PX):
            tall, wide = min(TILE_PX, h - v0), min(TILE_PX, w - u0)
            _ray(eye, u0 + 0.5 * wide, v0 + 0.5 * tall, ahead)
            cos_far = 1.0
            for a in range(4):
                _ray(eye, u0 - 1 + (wide + 1) * (a % 2), v0 - 1 + (tall + 1) * (a // 2), corner)
                cos_far = min(
                    cos_far, ahead[0] * corner[0] + ahead[1] * corner[1] + ahead[2] * corner[2]
                )
            cos_far -= 1e-4
            ends = (0, solid.n_hall, solid.n_table, n_all)
            for layer in range(3):
                counts[layer] = _choose(
                    solid.balls, ends[layer], ends[layer + 1], eye.o, ahead, cos_far, lists, layer
                )
            _fill_keys(u0, v0, wide, tall, eye, solid, lists, counts, d, uvn, keys)
            for j in range(tall):
                for i in range(wide):
                    k = keys[j, i]
                    if (
                        k < 0
                        or k != keys[j, i + 1]
                        or k != keys[j + 1, i]
                        or k != keys[j + 1, i + 1]
                    ):
                        _pixel(u0 + i, v0 + j, spp, eye, solid, lists, counts, seed, base, table,
                               net, uvn, d, work)  # fmt: skip
                    elif k > 0:
                        _even_pixel(u0 + i, v0 + j, spp, k - 1, eye, solid, lists, seed, base,
                                    table, uvn, d, work)  # fmt: skip
                    else:
                        table[v0 + j, u0 + i, 4] = FAR_M
    return base, table, net


@njit(cache=True, error_model="numpy", fastmath=True)
def _fill_keys(u0, v0, wide, tall, eye, solid, lists, counts, d, uvn, keys):
    """What the corners of a tile's pixels show; between equal ones two apart nothing else is."""
    for step in (2, 1):
        for j in range(0, tall + 1, step):
            for i in range(0, wide + 1, step):
                if step == 1:
                    a, b = j - j % 2, i - i % 2
                    c, e = min(j + j % 2, tall), min(i + i % 2, wide)
                    if j % 2 == 0 and i % 2 == 0:
                        continue
                    # at the rim of a tile of odd size the farther corner is not known
                    if (c - a) % 2 == 0 and (e - b) % 2 == 0:
                        k = keys[a, b]
                        if k == keys[a, e] and k == keys[c, b] and k == keys[c, e]:
                            keys[j, i] = k
                            continue
                _ray(eye, u0 + i - 0.5, v0 + j - 0.5, d)
                keys[j, i] = _key(solid.prims, solid.n_table, lists, counts, eye.o, d, uvn)


@njit(cache=True, error_model="numpy", fastmath=True)
def _even_pixel(u, v, spp, i, eye, solid, lists, seed, base, table, uvn, d, work):
    """A pixel that shows one surface only."""
    gloss = solid.materials[int(solid.prims[i, 2]), 8]
    on_table = solid.prims[i, 1] == 1.0
    n = max(spp // 2, 1) if gloss > 0.0 else max(spp // 6, 1)
    s1, s2 = _random(u + seed, v), _random(v + 7919, u + seed)
    rgb = work[3]
    depth, found = 0.0, 0
    for s in range(n):
        p = ((s + 0.5) / n + s1) % 1.0
        q = (s * 0.6180339887498949 + s2) % 1.0
        _ray(eye, u - 0.5 + p, v - 0.5 + q, d)
        t = _hit(solid.prims, i, eye.o, d, uvn, 0)
        if t == FAR_M:
            continue
        mirrors = gloss > 0.0 and uvn[0, 4] > 0.5
        _shade(solid, i, t, eye.o, d, uvn, rgb)
        if mirrors:
            _mirror(solid, lists, t, eye.o, d, uvn, gloss, (q + 0.37) % 1.0, (p + 0.71) % 1.0, work,
                    rgb)  # fmt: skip
        found += 1
        depth += t
        for k in range(3):
            base[v, u, k] += rgb[k]
    table[v, u, 4] = FAR_M
    if found == 0:
        return
    for k in range(3):
        base[v, u, k] /= found
    if on_table:
        for k in range(3):
            table[v, u, k] = base[v, u, k]
        table[v, u, 3] = 1.0
        table[v, u, 4] = depth / found


@njit(cache=True, error_model="numpy", fastmath=True)
def _pixel(u, v, n, eye, solid, lists, counts, seed, base, table, net, uvn, d, work):
    """One pixel of all three layers from n rays."""
    prims, materials, o = solid.prims, solid.materials, eye.o
    s1, s2 = _random(u + seed, v), _random(v + 7919, u + seed)
    rgb = work[3]
    depth = 0.0
    for s in range(n):
        # a rank-1 lattice, shifted anew in each pixel
        p = ((s + 0.5) / n + s1) % 1.0
        q = (s * 0.6180339887498949 + s2) % 1.0
        _ray(eye, u - 0.5 + p, v - 0.5 + q, d)
        t_net, i_net = FAR_M, -1
        if counts[2] > 0:
            t_net, i_net = _nearest_solid(prims, materials, lists, 2, counts[2], o, d, uvn)
            if i_net >= 0:
                _shade(solid, i_net, t_net, o, d, uvn, rgb)
        t, i = FAR_M, -1
        if counts[1] > 0:
            t, i = _nearest(prims, lists, 1, counts[1], -1, o, d, uvn, 0)
        in_front = i_net >= 0 and t_net < t
        if in_front:
            for k in range(3):
                net[v, u, k] += rgb[k] / n
                base[v, u, k] += rgb[k] / n
            net[v, u, 3] += 1.0 / n
        if i >= 0:
            gloss = materials[int(prims[i, 2]), 8]
            mirrors = gloss > 0.0 and uvn[0, 4] > 0.5
            _shade(solid, i, t, o, d, uvn, rgb)
            if mirrors:
                _mirror(solid, lists, t, o, d, uvn, gloss, (q + 0.37) % 1.0, (p + 0.71) % 1.0, work,
                        rgb)  # fmt: skip
            table[v, u, 3] += 1.0 / n
            depth += t
            for k in range(3):
                table[v, u, k] += rgb[k] / n
                if not in_front:
                    base[v, u, k] += rgb[k] / n
        elif not in_front:
            t, i = _nearest_solid(prims, materials, lists, 0, counts[0], o, d, uvn)
            if i >= 0:
                _shade(solid, i, t, o, d, uvn, rgb)
                for k in range(3):
                    base[v, u, k] += rgb[k] / n
    covered = table[v, u, 3] * n
    table[v, u, 4] = depth / covered if covered > 0.5 else FAR_M
