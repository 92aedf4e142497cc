"""Rays into the empty hall, as compiled functions of floats and arrays.

Three layers are kept, so that moving things can be put between them: what lies behind the table,
the table, and its net. Each is light times coverage.

Tables of numbers::

    prims      (m, 20) kind (0 rectangle, 1 box, 2 ball), layer (0 hall, 1 table, 2 net), material,
               then: rectangle: corner (3), unit edge (3), unit edge (3), lengths (2), normal (3)
                     box: least corner (3), greatest corner (3);  ball: centre (3), radius
               The first is the floor.
    balls      (m, 4) centre and radius of a ball around each
    materials  (k, 12) kind, colour (3), second colour (3), scale, gloss, picture, seed, glow
    lamps      (l, 6) centre (3), half edges (2), power
    floor      (p, q) irradiance of the floor, cells `FLOOR_CELL_M` apart
"""
# mypy: allow-untyped-defs

import math

import numpy as np
from numba import njit

PLAIN, TILES, PLANKS, BRICKS, PANELS, CURTAIN, PICTURE, TOP, MESH, GLOW = range(10)
MESH_PITCH_M = 0.0125
THREAD_M = 0.0016
FAR_M = 1e9
FLOOR_CELL_M = 0.05
TILE_PX = 24


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


@njit(cache=True, error_model="numpy", fastmath=True)
def hit(prims, i, ox, oy, oz, dx, dy, dz, uvn):
    """Distance to one primitive, FAR_M if missed; uvn becomes (u, v, nx, ny, nz)."""
    p = prims[i]
    if p[0] == 0.0:
        nx, ny, nz = p[14], p[15], p[16]
        d = dx * nx + dy * ny + dz * nz
        if abs(d) < 1e-12:
            return FAR_M
        t = ((p[3] - ox) * nx + (p[4] - oy) * ny + (p[5] - oz) * nz) / d
        if t <= 1e-6:
            return FAR_M
        x, y, z = ox + t * dx - p[3], oy + t * dy - p[4], oz + t * dz - p[5]
        u = x * p[6] + y * p[7] + z * p[8]
        v = x * p[9] + y * p[10] + z * p[11]
        if u < 0.0 or v < 0.0 or u > p[12] or v > p[13]:
            return FAR_M
        s = -1.0 if d > 0.0 else 1.0
        uvn[0], uvn[1], uvn[2], uvn[3], uvn[4] = u, v, s * nx, s * ny, s * nz
        return t
    if p[0] == 1.0:
        t0, t1, axis = -FAR_M, FAR_M, 0
        for a in range(3):
            o = ox if a == 0 else (oy if a == 1 else oz)
            d = dx if a == 0 else (dy if a == 1 else dz)
            if abs(d) < 1e-12:
                if o < p[3 + a] or o > p[6 + a]:
                    return FAR_M
                continue
            near = (p[3 + a] - o) / d
            far = (p[6 + a] - o) / d
            if near > far:
                near, far = far, near
            if near > t0:
                t0, axis = near, a
            t1 = min(t1, far)
        if t0 > t1 or t0 <= 1e-6:
            return FAR_M
        x, y, z = ox + t0 * dx, oy + t0 * dy, oz + t0 * dz
        uvn[2] = uvn[3] = uvn[4] = 0.0
        if axis == 0:
            uvn[0], uvn[1], uvn[2] = y, z, (-1.0 if dx > 0 else 1.0)
        elif axis == 1:
            uvn[0], uvn[1], uvn[3] = x, z, (-1.0 if dy > 0 else 1.0)
        else:
            uvn[0], uvn[1], uvn[4] = x, y, (-1.0 if dz > 0 else 1.0)
        return t0
    ex, ey, ez = ox - p[3], oy - p[4], oz - p[5]
    b = ex * dx + ey * dy + ez * dz
    q = b * b - (ex * ex + ey * ey + ez * ez - p[6] * p[6])
    if q < 0.0:
        return FAR_M
    t = -b - math.sqrt(q)
    if t <= 1e-6:
        return FAR_M
    uvn[0] = uvn[1] = 0.0
    for a in range(3):
        e = ex if a == 0 else (ey if a == 1 else ez)
        d = dx if a == 0 else (dy if a == 1 else dz)
        uvn[2 + a] = (e + t * d) / p[6]
    return t


@njit(cache=True, error_model="numpy", fastmath=True)
def _nearest(prims, which, n, skip, ox, oy, oz, dx, dy, dz, uvn):
    """Distance and index of the nearest of n primitives, but not of `skip`; uvn[0] is its hit."""
    best, found = FAR_M, -1
    for k in range(n):
        i = which[k]
        if i == skip:
            continue
        t = hit(prims, i, ox, oy, oz, dx, dy, dz, uvn[1])
        if t < best:
            best, found = t, i
            for c in range(5):
                uvn[0, c] = uvn[1, c]
    return best, found


@njit(cache=True, error_model="numpy", fastmath=True)
def light_floor(prims, first, n_hall, last, lamps, ambient, x0, y0, z, out):
    """Fills out (p, q) with the irradiance of the floor: lamps with shadows of first to last."""
    uvn = np.empty(5)
    side = 3  # a lamp is 3 x 3 points, shifted in each cell
    for p in range(out.shape[0]):
        for q in range(out.shape[1]):
            x, y = x0 + FLOOR_CELL_M * q, y0 + FLOOR_CELL_M * p
            s1, s2 = _random(p, q), _random(q + 31, p)
            e = ambient
            for i in range(lamps.shape[0]):
                lx, ly, lz = lamps[i, 0] - x, lamps[i, 1] - y, lamps[i, 2] - z
                d2 = lx * lx + ly * ly + lz * lz
                part = lamps[i, 5] * lz * lz / (d2 * d2)
                free = 0
                for a in range(side):
                    for b in range(side):
                        jx = lx + lamps[i, 3] * (2.0 * (a + s1) / side - 1.0)
                        jy = ly + lamps[i, 4] * (2.0 * (b + s2) / side - 1.0)
                        d = math.sqrt(jx * jx + jy * jy + lz * lz)
                        free += 1
                        dx, dy, dz = jx / d, jy / d, lz / d
                        # a ball around the table spares most rays the look at its parts
                        along = -x * dx - y * dy - (z + 0.38) * dz
                        off = x * x + y * y + (z + 0.38) ** 2 - along * along
                        end = last if off < 1.65**2 else n_hall
                        for k in range(first, end):
                            if prims[k, 0] == 0.0:
                                continue
                            if hit(prims, k, x, y, z + 1e-4, dx, dy, dz, uvn) < d:
                                free -= 1
                                break
                e += part * free / (side * side)
            out[p, q] = e


@njit(cache=True, error_model="numpy", fastmath=True)
def _thread(u, v):
    """Whether a point of the net is thread, not hole."""
    return u % MESH_PITCH_M < THREAD_M or v % MESH_PITCH_M < THREAD_M


@njit(cache=True, error_model="numpy", fastmath=True)
def _line(x, y, half_x, half_y):
    """Signed place within the white lines of the table: positive is white."""
    edge = 0.020 - min(half_x - abs(x), half_y - abs(y))
    centre = 0.0015 - abs(y)
    return max(edge, centre)


@njit(cache=True, error_model="numpy", fastmath=True)
def _reflectance(m, prim, pictures, u, v, out):
    """out (3,) becomes the colour of a material at a place."""
    kind = int(m[0])
    f = 0.0  # share of the second colour
    if kind == TOP:
        f = (
            1.0
            if _line(u - 0.5 * prim[12], v - 0.5 * prim[13], 0.5 * prim[12], 0.5 * prim[13]) > 0
            else 0.0
        )
    elif kind == TILES:
        a, b = u / m[7], v / m[7]
        i, j = math.floor(a), math.floor(b)
        gap = 0.004 / m[7]
        f = 0.25 * _random(int(i) + int(m[10]), int(j))
        if a - i < gap or b - j < gap:
            f = 1.0
    elif kind == PLANKS:
        j = math.floor(v / m[7])
        a = u / (12.0 * m[7]) + 7.3 * _random(int(j), int(m[10]))
        i = math.floor(a)
        f = (
            0.8
            * _random(int(i) + 17 * int(j), int(m[10]))
            * (0.6 + 0.4 * _mottle(4 * u, v * 60, int(j)))
        )
        if v / m[7] - j < 0.015 or a - i < 0.002:
            f = 1.0
    elif kind == BRICKS:
        j = math.floor(v / (0.35 * m[7]))
        a = u / m[7] + 0.5 * (j % 2)
        i = math.floor(a)
        f = 0.5 * _random(int(i) + int(m[10]), int(j))
        if a - i < 0.03 or v / (0.35 * m[7]) - j < 0.08:
            f = 1.0
    elif kind == PANELS:
        a = u / m[7]
        f = 1.0 if a - math.floor(a) < 0.012 else 0.12 * _random(math.floor(a), int(m[10]))
    elif kind == CURTAIN:
        f = 0.5 + 0.5 * math.sin(u * 2 * math.pi / m[7] + 1.5 * math.sin(u * 1.7))
    if kind == PICTURE:
        which = int(m[9])
        h, w = pictures.shape[1], pictures.shape[2]
        i = min(max(int((1.0 - v / prim[13]) * h), 0), h - 1)
        j = min(max(int(u / prim[12] * w), 0), w - 1)
        for c in range(3):
            out[c] = pictures[which, i, j, c]
        return
    shade = 1.0
    if kind != GLOW and kind != TOP:
        shade = 0.9 + 0.2 * _mottle(2.1 * u, 2.1 * v, int(m[10])) * (
            0.5 + _mottle(17 * u, 17 * v, int(m[10]))
        )
    for c in range(3):
        out[c] = shade * (m[1 + c] + f * (m[4 + c] - m[1 + c]))


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
def _shade(
    prims, i, uvn, t, ox, oy, oz, dx, dy, dz, materials, pictures, lamps, ambient, floor, out
):
    """out (3,) becomes the light of what was hit."""
    m = materials[int(prims[i, 2])]
    _reflectance(m, prims[i], pictures, uvn[0, 0], uvn[0, 1], out)
    if m[0] == GLOW:
        for c in range(3):
            out[c] *= m[11]
        return
    if i == 0:
        a, b = uvn[0, 1] / FLOOR_CELL_M, uvn[0, 0] / FLOOR_CELL_M
        p = min(int(a), floor.shape[0] - 2)
        q = min(int(b), floor.shape[1] - 2)
        a, b = a - p, b - q
        e = (1 - a) * ((1 - b) * floor[p, q] + b * floor[p, q + 1]) + a * (
            (1 - b) * floor[p + 1, q] + b * floor[p + 1, q + 1]
        )
    else:
        # frame and legs stand in the shade of the table top
        share = 0.35 if prims[i, 1] == 1.0 and prims[i, 0] == 1.0 else 1.0
        x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
        e = _light(lamps, ambient, share, x, y, z, uvn[0, 2], uvn[0, 3], uvn[0, 4])
    for c in range(3):
        out[c] *= e


@njit(cache=True, error_model="numpy", fastmath=True)
def _mirror(
    prims,
    hall,
    n_hall,
    uvn,
    t,
    ox,
    oy,
    oz,
    dx,
    dy,
    dz,
    materials,
    pictures,
    lamps,
    ambient,
    floor,
    gloss,
    j1,
    j2,
    seen,
    out,
):
    """Adds what a glossy table mirrors of the hall to out."""
    rough = 0.05
    nx, ny = rough * (j1 - 0.5), rough * (j2 - 0.5)
    nz = math.sqrt(1.0 - nx * nx - ny * ny)
    cos = -(dx * nx + dy * ny + dz * nz)
    if cos <= 0.0:
        return
    share = gloss + (1.0 - gloss) * gloss * 12.0 * (1.0 - cos) ** 5
    rx, ry, rz = dx + 2 * cos * nx, dy + 2 * cos * ny, dz + 2 * cos * nz
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz + 1e-4
    r, i = _nearest(prims, hall, n_hall, -1, x, y, z, rx, ry, rz, uvn)
    if i < 0:
        return
    _shade(prims, i, uvn, r, x, y, z, rx, ry, rz, materials, pictures, lamps, ambient, floor, seen)
    for c in range(3):
        out[c] += share * seen[c]


@njit(cache=True)
def _choose(balls, first, last, R, centre, ahead, cos_far, which):
    """Primitives from first to last that a cone about `ahead` may meet; returns their number."""
    n = 0
    sin_far = math.sqrt(max(1.0 - cos_far * cos_far, 0.0))
    for i in range(first, last):
        x, y, z = balls[i, 0] - centre[0], balls[i, 1] - centre[1], balls[i, 2] - centre[2]
        d = math.sqrt(x * x + y * y + z * z)
        r = balls[i, 3]
        if d > r:
            c = (x * ahead[0] + y * ahead[1] + z * ahead[2]) / d
            s = r / d
            # angle to the middle of the ball against the sum of both half angles
            if c < math.sqrt(1.0 - s * s) * cos_far - s * sin_far:
                continue
        which[n] = i
        n += 1
    return n


@njit(cache=True, error_model="numpy", fastmath=True)
def _ray(f, cx, cy, curve, step, R, u, v, out):
    """out (3,) becomes the unit direction through a pixel; curve as in `turn_map`."""
    x, y = (u - cx) / f, (v - cy) / f
    s = (x * x + y * y) / step
    k = min(int(s), curve.shape[0] - 2)
    g = curve[k] + (s - k) * (curve[k + 1] - curve[k])
    x, y = x * g, y * g
    n = 1.0 / math.sqrt(x * x + y * y + 1.0)
    for a in range(3):
        out[a] = n * (R[0, a] * x + R[1, a] * y + R[2, a])


@njit(cache=True, error_model="numpy", fastmath=True)
def _key(prims, n_table, lists, counts, o, d, uvn):
    """What a ray meets first: a number that changes at visible edges, negative near a line."""
    best, found = FAR_M, -1
    for layer in range(3):
        t, i = _nearest(
            prims, lists[layer], counts[layer], -1, o[0], o[1], o[2], d[0], d[1], d[2], uvn[1:]
        )
        if t < best:
            best, found = t, i
            for c in range(5):
                uvn[0, c] = uvn[1, c]
    if found < 0:
        return 0
    key = found + 1
    if found >= n_table:
        return -key  # the net's threads are everywhere
    if prims[found, 1] == 1.0 and prims[found, 0] == 0.0:
        hx, hy = 0.5 * prims[found, 12], 0.5 * prims[found, 13]
        x, y = uvn[0, 0] - hx, uvn[0, 1] - hy
        if min(hx - abs(x), hy - abs(y)) < 0.045 or abs(y) < 0.025:
            return -key
    return key


@njit(cache=True, error_model="numpy", fastmath=True)
def cast(
    size,
    f,
    cx,
    cy,
    curve,
    step,
    R,
    o,
    prims,
    balls,
    n_hall,
    n_table,
    materials,
    pictures,
    lamps,
    ambient,
    floor,
    spp,
    seed,
):
    """The empty hall from a camera at o (3,).

    curve (m,) holds undistorted over distorted radius at multiples of step of the squared
    distorted radius. Returns base (h, w, 3), table (h, w, 5): light, coverage, distance; net
    (h, w, 4).
    """
    w, h = size
    base = np.zeros((h, w, 3), np.float32)
    table = np.zeros((h, w, 5), np.float32)
    net = np.zeros((h, w, 4), np.float32)
    n_all = prims.shape[0]
    lists = np.zeros((3, n_all), np.int64)
    everything = np.arange(n_all)
    counts = np.zeros(3, np.int64)
    ahead, corner = np.empty(3), np.empty(3)
    keys = np.zeros((TILE_PX + 1, TILE_PX + 1), np.int64)
    uvn = np.empty((3, 5))
    d = np.empty(3)
    rgb, seen = np.empty(3), np.empty(3)
    for tile_v in range(0, h, TILE_PX):
        for tile_u in range(0, w, TILE_PX):
            tall, wide = min(TILE_PX, h - tile_v), min(TILE_PX, w - tile_u)
            _ray(f, cx, cy, curve, step, R, tile_u + 0.5 * wide, tile_v + 0.5 * tall, ahead)
            cos_far = 1.0
            for a in range(4):
                _ray(
                    f,
                    cx,
                    cy,
                    curve,
                    step,
                    R,
                    tile_u - 1 + (wide + 1) * (a % 2),
                    tile_v - 1 + (tall + 1) * (a // 2),
                    corner,
                )
                cos_far = min(
                    cos_far, ahead[0] * corner[0] + ahead[1] * corner[1] + ahead[2] * corner[2]
                )
            cos_far -= 1e-4
            counts[0] = _choose(balls, 0, n_hall, R, o, ahead, cos_far, lists[0])
            counts[1] = _choose(balls, n_hall, n_table, R, o, ahead, cos_far, lists[1])
            counts[2] = _choose(balls, n_table, n_all, R, o, ahead, cos_far, lists[2])
            for j in range(tall + 1):
                for i in range(wide + 1):
                    _ray(f, cx, cy, curve, step, R, tile_u + i - 0.5, tile_v + j - 0.5, d)
                    keys[j, i] = _key(prims, n_table, lists, counts, o, d, uvn)
            for j in range(tall):
                for i in range(wide):
                    k0, k1, k2, k3 = keys[j, i], keys[j, i + 1], keys[j + 1, i], keys[j + 1, i + 1]
                    fine = k0 != k1 or k0 != k2 or k0 != k3 or k0 < 0
                    n = spp if fine else max(spp // 6, 2)
                    if n_hall < k0 <= n_table and materials[int(prims[k0 - 1, 2]), 8] > 0.0:
                        n = spp  # mirrors are grainy
                    _pixel(
                        tile_u + i,
                        tile_v + j,
                        n,
                        f,
                        cx,
                        cy,
                        curve,
                        step,
                        R,
                        o,
                        prims,
                        n_hall,
                        lists,
                        counts,
                        everything,
                        materials,
                        pictures,
                        lamps,
                        ambient,
                        floor,
                        seed,
                        base,
                        table,
                        net,
                        uvn,
                        d,
                        rgb,
                        seen,
                    )
    return base, table, net


@njit(cache=True, error_model="numpy", fastmath=True)
def _pixel(
    u,
    v,
    n,
    f,
    cx,
    cy,
    curve,
    step,
    R,
    o,
    prims,
    n_hall,
    lists,
    counts,
    everything,
    materials,
    pictures,
    lamps,
    ambient,
    floor,
    seed,
    base,
    table,
    net,
    uvn,
    d,
    rgb,
    seen,
):
    """One pixel of all three layers from n rays."""
    s1, s2 = _random(u + seed, v), _random(v + 7919, u + seed)
    depth = 0.0
    for s in range(n):
        # a rank-1 lattice, shifted anew in each pixel
        p = ((s + 0.5) / n + s1) % 1.0
        q = (s * 0.6180339887498949 + s2) % 1.0
        _ray(f, cx, cy, curve, step, R, u - 0.5 + p, v - 0.5 + q, d)
        j1, j2 = (q + 0.37) % 1.0, (p + 0.71) % 1.0
        t_net, i_net = FAR_M, -1
        if counts[2] > 0:
            t_net, i_net = _net_hit(prims, lists[2], counts[2], materials, o, d, uvn)
            if i_net >= 0:
                _shade(
                    prims,
                    i_net,
                    uvn,
                    t_net,
                    o[0],
                    o[1],
                    o[2],
                    d[0],
                    d[1],
                    d[2],
                    materials,
                    pictures,
                    lamps,
                    ambient,
                    floor,
                    rgb,
                )
        t, i = FAR_M, -1
        if counts[1] > 0:
            t, i = _nearest(prims, lists[1], counts[1], -1, o[0], o[1], o[2], d[0], d[1], d[2], uvn)
        solid = i_net >= 0 and t_net < t
        if solid:
            for k in range(3):
                net[v, u, k] += rgb[k] / n
                base[v, u, k] += rgb[k] / n
            net[v, u, 3] += 1.0 / n
        if i >= 0:
            gloss = materials[int(prims[i, 2]), 8]
            mirrors = gloss > 0.0 and uvn[0, 4] > 0.5
            _shade(
                prims,
                i,
                uvn,
                t,
                o[0],
                o[1],
                o[2],
                d[0],
                d[1],
                d[2],
                materials,
                pictures,
                lamps,
                ambient,
                floor,
                rgb,
            )
            if mirrors:
                _mirror(
                    prims,
                    everything,
                    n_hall,
                    uvn,
                    t,
                    o[0],
                    o[1],
                    o[2],
                    d[0],
                    d[1],
                    d[2],
                    materials,
                    pictures,
                    lamps,
                    ambient,
                    floor,
                    gloss,
                    j1,
                    j2,
                    seen,
                    rgb,
                )
            table[v, u, 3] += 1.0 / n
            depth += t
            for k in range(3):
                table[v, u, k] += rgb[k] / n
                if not solid:
                    base[v, u, k] += rgb[k] / n
        elif not solid:
            t, i = _nearest(prims, lists[0], counts[0], -1, o[0], o[1], o[2], d[0], d[1], d[2], uvn)
            if i >= 0:
                _shade(
                    prims,
                    i,
                    uvn,
                    t,
                    o[0],
                    o[1],
                    o[2],
                    d[0],
                    d[1],
                    d[2],
                    materials,
                    pictures,
                    lamps,
                    ambient,
                    floor,
                    rgb,
                )
                for k in range(3):
                    base[v, u, k] += rgb[k] / n
    covered = table[v, u, 3] * n
    table[v, u, 4] = depth / covered if covered > 0.5 else FAR_M


@njit(cache=True, error_model="numpy", fastmath=True)
def _net_hit(prims, which, count, materials, o, d, uvn):
    """The nearest part of the net that is not a hole."""
    t, i = _nearest(prims, which, count, -1, o[0], o[1], o[2], d[0], d[1], d[2], uvn)
    if i >= 0 and materials[int(prims[i, 2]), 0] == MESH and not _thread(uvn[0, 0], uvn[0, 1]):
        return _nearest(prims, which, count, i, o[0], o[1], o[2], d[0], d[1], d[2], uvn)
    return t, i
